"""Faults in small doses on every build; `python -m tests.soak` does the long run of them."""

from __future__ import annotations

import contextlib
import os
import random
import shutil
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import polars as pl
import pytest

from pipeline.publish.week_folder import (
    CSV_TABLES,
    PARQUET_TABLES,
    complete_or_absent,
    write_tables,
)
from pipeline.registry import empty, polars_schema
from pipeline.storage.warehouse import reading
from tests.soak.faults import Case, command, end, finish, kill_often, make_case, start
from tests.soak.processes import cpu_s

FAKETIME = next(Path("/usr/lib").glob("*/faketime/libfaketime.so.1"), None)


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Case:
    """A small delivery and the week an undisturbed run makes of it."""
    return make_case(tmp_path_factory.mktemp("faults"), vehicles=6, evses=3, weeks=1)


def test_kill_9_at_random_moments(case: Case) -> None:
    """After kills at random moments the next run makes the same bytes.

    What stood in the out folder was whole or absent.
    """
    count = kill_often(case, 3, seed=5, most_in_a_row=2)
    assert count.kills >= 3
    assert count.finished >= 1


@contextlib.contextmanager
def small_disk(place: Path, size_bytes: int) -> Iterator[None]:
    """A file system in memory of that size; skips where mounting is not permitted."""
    place.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size_bytes}", "tmpfs", place],
        capture_output=True,
        text=True,
        check=False,
    )
    if mounted.returncode:
        pytest.skip(f"no small disk here: {mounted.stderr.strip()}")
    try:
        yield
    finally:
        subprocess.run(["umount", "-l", place], check=True)


def _clear_and_not_half(full: subprocess.CompletedProcess[str], case: Case, place: Path) -> None:
    assert full.returncode == 5, full.stderr
    assert "What to do" in full.stderr
    assert "Traceback" not in full.stderr
    case.whole_or_absent(place)


@pytest.mark.parametrize("room_bytes", [200_000, 3_000_000])
def test_disk_full(case: Case, tmp_path: Path, room_bytes: int) -> None:
    """A disk that is full at once, or while files are read: a clear message.

    With room again, the same bytes.
    """
    place = tmp_path / "disk"
    with small_disk(place, room_bytes):
        _clear_and_not_half(finish(case.delivered, place), case, place)
        subprocess.run(["mount", "-o", "remount,size=1g", place], check=True)
        done = finish(case.delivered, place)
        assert done.returncode == 0, done.stderr
        case.check(place)


def test_disk_full_while_publishing(case: Case, tmp_path: Path) -> None:
    """The weeks' disk has no room for the whole week: a clear message and no week.

    With room again, the same bytes.
    """
    disk = tmp_path / "disk"
    with small_disk(disk, 300_000):
        _clear_and_not_half(finish(case.delivered, tmp_path, disk / "out"), case, disk)
        assert not (disk / "out" / case.week).exists()
        subprocess.run(["mount", "-o", "remount,size=1g", disk], check=True)
        done = finish(case.delivered, tmp_path, disk / "out")
        assert done.returncode == 0, done.stderr
        case.check(disk)


def test_two_runs_at_once(case: Case, tmp_path: Path) -> None:
    """Of runs started together on one warehouse one writes.

    The others say so and stop, or find all done. The week is right.
    """
    running = [start(case.delivered, tmp_path) for _ in range(3)]
    codes = sorted(process.wait(600) for process in running)
    assert codes[0] == 0
    assert set(codes) <= {0, 5}
    case.check(tmp_path, first=codes.count(0) == 1)


def test_the_second_run_says_why_it_stops(case: Case, tmp_path: Path) -> None:
    """While a run holds the warehouse, another one ends at once with a message that says what to
    do.
    """
    first = start(case.delivered, tmp_path)
    try:
        while not (tmp_path / "w.duckdb").exists():
            assert first.poll() is None
            time.sleep(0.01)
        second = finish(case.delivered, tmp_path)
        if first.poll() is None:
            assert second.returncode == 5
            assert "another run" in second.stderr
    finally:
        end(first)


def _tables(word: str) -> dict[str, pl.DataFrame]:
    tables = {name: empty(f"out_{name}") for name in (*CSV_TABLES, *PARQUET_TABLES)}
    tables["rejected"] = pl.DataFrame(
        [["a.csv", 1, 0, word, word * 50_000]], schema=polars_schema("out_rejected"), orient="row"
    )
    return tables


def test_a_reader_during_publishing(tmp_path: Path) -> None:
    """A reader that holds the week's folder open sees files of one publication only, each whole, or
    finds the folder gone.
    """
    week, stop, seen = tmp_path / "2026-W14", threading.Event(), set()

    def publish() -> None:
        for turn in range(150):
            with complete_or_absent(week) as folder:
                write_tables(
                    folder, _tables("even" if turn % 2 == 0 else "odd"), {"turn": turn % 2}
                )
        stop.set()

    writer = threading.Thread(target=publish)
    writer.start()
    while not stop.is_set():
        with contextlib.suppress(FileNotFoundError):
            handle = os.open(week, os.O_RDONLY | os.O_DIRECTORY)
            try:
                names = ("run.json", "rejected.parquet")
                opened = [os.open(name, os.O_RDONLY, dir_fd=handle) for name in names]
                texts = [_read(one) for one in opened]
                seen.add((b'"turn": 0' in texts[0], b"even" in texts[1]))
                assert texts[1].endswith(b"PAR1")
            finally:
                os.close(handle)
    writer.join()
    assert seen <= {(True, True), (False, False)}
    assert len(seen) == 2, "the reader met one publication only: it proves nothing"


def _read(handle: int) -> bytes:
    with os.fdopen(handle, "rb") as file:
        return file.read()


def test_a_reader_of_the_warehouse_outlives_nothing(case: Case, tmp_path: Path) -> None:
    """A run that meets a reader on its warehouse stops with a clear message, or goes on.

    When the reader has gone it is right.
    """
    assert finish(case.delivered, tmp_path).returncode == 0
    with reading(tmp_path / "w.duckdb") as con:
        con.execute("SELECT count(*) FROM core_attempt").fetchone()
        beside = finish(case.delivered, tmp_path)
        assert beside.returncode in {0, 5}, beside.stderr
        assert "Traceback" not in beside.stderr
    done = finish(case.delivered, tmp_path)
    assert done.returncode == 0, done.stderr
    case.check(tmp_path, first=False)


@pytest.mark.parametrize(
    "seed", [0, 1, pytest.param(2, marks=pytest.mark.slow), pytest.param(3, marks=pytest.mark.slow)]
)
def test_a_damaged_warehouse(case: Case, tmp_path: Path, seed: int) -> None:
    """Bytes of the warehouse lost at a random place: a clear message or no harm done.

    The week stands; made again, same bytes.
    """
    store = tmp_path / "w.duckdb"
    shutil.copytree(case.reference.parent, tmp_path / "out")
    content = bytearray((case.reference.parent.parent / "w.duckdb").read_bytes())
    anywhere = random.Random(seed).randrange(len(content))  # noqa: S311
    at = [0, len(content) // 3, anywhere, len(content) // 2][seed]
    content[at : at + 20_000] = bytes(20_000) if seed % 2 else b"\xff" * 20_000
    store.write_bytes(content[: len(content) // 2] if seed == 3 else content)
    met = finish(case.delivered, tmp_path)
    assert met.returncode in {0, 5}, met.stderr
    assert "Traceback" not in met.stderr
    assert met.returncode == 0 or "What to do" in met.stderr
    case.check(tmp_path, first=met.returncode != 0)
    for left in tmp_path.glob("w.duckdb*"):
        left.unlink()
    assert finish(case.delivered, tmp_path).returncode == 0
    case.check(tmp_path)


@pytest.mark.skipif(FAKETIME is None, reason="needs Debian's libfaketime")
@pytest.mark.parametrize("step", ["-2h", pytest.param("+26h", marks=pytest.mark.slow)])
def test_the_machines_clock_steps(case: Case, tmp_path: Path, step: str) -> None:
    """The wall clock is set back or on in the middle of a run: the bytes are the same."""
    control = tmp_path / "clock"
    control.write_text("+0\n", encoding="ascii")
    env = {
        "LD_PRELOAD": str(FAKETIME), "FAKETIME_TIMESTAMP_FILE": str(control), "FAKETIME_NO_CACHE": "1",
        "FAKETIME_DONT_FAKE_MONOTONIC": "1",
    }  # fmt: skip
    with subprocess.Popen(
        command(case.delivered, tmp_path),
        env={**os.environ, **env},
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        while process.poll() is None and cpu_s(process.pid) < case.cpu_s / 2:
            time.sleep(0.01)
        assert process.poll() is None, "it ended before the clock was set"
        control.write_text(f"{step}\n", encoding="ascii")
        _, said = process.communicate(timeout=600)
    assert process.returncode == 0, said
    case.check(tmp_path)
