"""Commands at their edges: each ends by itself with a line and what to do, and nothing steers the terminal."""

from __future__ import annotations

import os
import random
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

from tests.ops import free_port
from tests.soak.faults import Case, words
from tests.soak.processes import Ended, fork, spawn
from tests.soak.rows import Row, Setup, forked, whichside, wrong_with

LIMIT_S = 240
HALF_OPEN = 1100
CTRL_C = 12
_BEFORE_UTC = datetime(2025, 1, 1, tzinfo=UTC)
"""Earlier than every record of the invented delivery."""
_HOLDS = "a message, what to do, no trace; nothing steers the terminal"
_COMMAND = [sys.executable, "-m", "pipeline"]
FAKETIME = next(Path("/usr/lib").glob("*/faketime/libfaketime.so.1"), None)


def _ends(met: Ended, *codes: int, told: str = "") -> None:
    assert met.code in codes, f"exit {met.code}, signal {met.signal}: {met.said[-300:]}"
    assert "Traceback" not in met.said, f"a trace: {met.said[-300:]}"
    assert "\x1b[2J" not in met.said, "an escape sequence came through"
    assert told in met.said, f"no '{told}': {met.said[-300:]}"


def _said(given: list[str], *codes: int, told: str = "") -> None:
    _ends(fork(whichside(*given), limit_s=LIMIT_S), *codes, told=told)


def _run(case: Case, place: Path, *more: str) -> list[str]:
    return [*words(case.delivered, place), *more]


def _out_a_file(case: Case, place: Path) -> None:
    (place / "out").write_text("", encoding="utf-8")
    _said(_run(case, place), 2, told="is a file")


def _out_read_only(case: Case, place: Path) -> None:
    out = place / "out"
    out.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "ro,size=1m", "tmpfs", str(out)]
    if subprocess.run(mount, check=False, capture_output=True).returncode:
        raise NotImplementedError
    try:
        _said(_run(case, place), 5, told="name a folder that you may write")
    finally:
        subprocess.run(["umount", "-l", out], check=True)


def _no_text(case: Case, place: Path) -> None:
    odd = os.fsdecode(b"van-\xff")
    store = ["--store", str(place / "w.duckdb")]
    for given in (["why", odd, *store], ["run", odd, *store], _run(case, place, "--week", odd)):
        _said(given, 2, told="not UTF-8")


def _weeks(case: Case, place: Path) -> None:
    for week in ("9999-W52", "0000-W01", "2026-W54", "26-W01"):
        _said(_run(case, place, "--week", week), 6, told="What to do")


def _decisions(case: Case, place: Path) -> None:
    place.joinpath("w.duckdb").write_bytes((case.reference.parents[1] / "w.duckdb").read_bytes())
    store = ["--store", str(place / "w.duckdb")]
    for at in ("0026-04-01", "2236-04-01", "2026-04-01T08:00+99:00"):
        _said(["finding", "V0001", "no_fault_found", "--at", at, *store], 2, told="What to do")
    _said(["finding", "V9999", "no_fault_found", *store], 2, told="knows no vehicle")
    given = ["review", "V0001", "accept", "--reason", "x", *store]
    _said([*given, "--week", "0000-W01"], 6, told="is not an ISO week")
    _said([*given, "--week", "2031-W01"], 2, 5, 6, 7, told="What to do")


def _odd_delivery(case: Case, place: Path) -> None:
    delivered = place / "delivery"
    shutil.copytree(case.delivered, delivered)
    os.mkfifo(delivered / "pipe.csv")
    (delivered / "loop").symlink_to(delivered)
    (delivered / "secret").symlink_to("/etc/passwd")
    (delivered / os.fsdecode(b"van-\xff.csv")).write_text("a\n1\n", encoding="utf-8")
    at = os.open(delivered, os.O_RDONLY)
    for _ in range(1200):
        os.mkdir("d", dir_fd=at)
        at, above = os.open("d", os.O_RDONLY, dir_fd=at), at
        os.close(above)
    os.close(os.open("deep.csv", os.O_CREAT | os.O_WRONLY, dir_fd=at))
    os.close(at)
    given = ["run", str(delivered), "--store", str(place / "w.duckdb"), "--out", str(place / "out")]
    _said([*given, "--log", "/dev/full"], 10, told="the log cannot be written")
    assert (place / "out" / case.week / "vehicles.csv").is_file(), "no week"
    subprocess.run(["rm", "-rf", delivered], check=True)


def _hostile_ids(case: Case, place: Path) -> None:
    """Tables keep an id letter by letter, safe for a spreadsheet; what we print steers no terminal."""
    delivered = place / "delivery"
    shutil.copytree(case.delivered, delivered)
    for path in delivered.rglob("*.csv"):
        text = path.read_text(encoding="utf-8").replace("V0001", "=1+1;\x1b[2J=2+2")
        path.write_text(text, encoding="utf-8")
    given = ["run", str(delivered), "--store", str(place / "w.duckdb"), "--out", str(place / "out")]
    _said(given, 0, 10)
    _said(["why", "=1+1;\x1b[2J=2+2", "--store", str(place / "w.duckdb")], 0, 7)
    cells = (place / "out" / case.week / "vehicles.csv").read_text(encoding="utf-8")
    assert "1+1" in cells, "the id is not there: it proves nothing"
    assert "\n=" not in cells, "a cell is a formula"
    assert ";=" not in cells, "a cell is a formula for who splits at semicolons"


def _full_output(_: Case, place: Path) -> None:
    command = [*_COMMAND, "doctor", "--store", str(place / "none")]
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(
            command, stdout=full, stderr=subprocess.PIPE, text=True, check=False, timeout=LIMIT_S
        )
    assert done.returncode == 1, f"exit {done.returncode}: {done.stderr[-300:]}"
    assert "What to do" in done.stderr, done.stderr[-300:]
    assert "Traceback" not in done.stderr, done.stderr[-300:]


def _clock_back(case: Case, place: Path) -> None:
    if FAKETIME is None:
        raise NotImplementedError
    days = (datetime.now(UTC) - _BEFORE_UTC).days
    env = {
        "LD_PRELOAD": str(FAKETIME), "FAKETIME": f"-{days}d", "FAKETIME_DONT_FAKE_MONOTONIC": "1",
    }  # fmt: skip
    command = [*_COMMAND, *_run(case, place)]
    _ends(spawn(command, env=env), 7, told="later than this machine's clock")


def _half_open(_: Case, place: Path) -> None:
    port = free_port()
    log = place / "serve.log"
    given = ["serve", "--store", str(place / "w.duckdb"), "--out", str(place / "out")]
    (place / "out").mkdir()
    held: list[socket.socket] = []
    with (
        log.open("wb") as said,
        subprocess.Popen(
            [*_COMMAND, *given, "--port", str(port)], stdout=said, stderr=said
        ) as server,
    ):
        try:
            _answers(port, LIMIT_S)
            for _ in range(HALF_OPEN):
                one = socket.create_connection(("127.0.0.1", port), timeout=30)
                held.append(one)
                one.sendall(b"GET / HTTP/1.1\r\nHo")
            _answers(port, LIMIT_S)
        finally:
            for one in held:
                one.close()
            server.terminate()
    size = log.stat().st_size
    assert size < 100_000, f"{size} bytes of log"
    assert b"Traceback" not in log.read_bytes(), "a trace in the server's log"


def _answers(port: int, within_s: float) -> None:
    end = time.monotonic() + within_s
    while time.monotonic() < end:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/assets/pages.css", timeout=20):
                return
        except OSError:
            time.sleep(0.2)
    raise AssertionError(f"no answer within {within_s} s")


EDGES: Mapping[str, Callable[[Case, Path], None]] = {
    "--out that is a file": _out_a_file,
    "--out on a disk that is read only": _out_read_only,
    "arguments that are not UTF-8 (three commands)": _no_text,
    "weeks that are none: 9999-W52, 0000-W01, W54, two figures": _weeks,
    "findings of the year 26, of 2236, offset +99:00, of an unknown vehicle; reviews of weeks that are none": _decisions,
    "a delivery with a pipe, a loop, a link out, a name that is not UTF-8, folders 1,200 deep; a log on a full disk": _odd_delivery,
    "a vehicle named '=1+1;ESC[2J=2+2'": _hostile_ids,
    "standard output on a full disk": _full_output,
    "the machine's clock before every record": _clock_back,
    f"{HALF_OPEN:,} half-open connections to a server": _half_open,
}


def rows(setup: Setup) -> Iterator[Row]:
    """A row each; then Ctrl-C at random moments of runs."""
    case = Setup(setup.folder / "edges", 0, 1, setup.seed, sparing=True).case
    for number, (fault, edge) in enumerate(EDGES.items()):
        place = setup.folder / f"edge-{number}"
        place.mkdir()
        row = Row(fault, _HOLDS)
        try:
            row.add(wrong_with(partial(edge, case, place)))
        except NotImplementedError:
            row.holds = "not tried: this machine has not what it takes"
        yield row
    yield _stopped(case, setup)


def _stopped(case: Case, setup: Setup) -> Row:
    """Ctrl-C at random moments, on one warehouse; then a run let alone."""
    rng, place = random.Random(setup.seed), setup.folder / "stopped"  # noqa: S311
    row = Row(
        f"Ctrl-C in a run, {CTRL_C} in a row", "a message and exit 130; the next run the same bytes"
    )
    for _ in range(CTRL_C):
        published = (place / "out" / case.week).is_dir()
        met = fork(
            whichside(*words(case.delivered, place)),
            kill_at_cpu_s=rng.uniform(0.05, 1) * case.cpu_s,
            by=signal.SIGINT,
        )
        row.add(
            wrong_with(
                partial(_ends, met, 0, 130),
                partial(case.whole_or_absent, place, first=not published),
            )
        )
    published = (place / "out" / case.week).is_dir()
    done = forked(case, place, None)
    wrong = done.said if done.code else wrong_with(partial(case.check, place, first=not published))
    if wrong:
        row.lost.append(wrong)
        row.survived -= 1
    return row
