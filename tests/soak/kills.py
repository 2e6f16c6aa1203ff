"""Kill -9 at random moments: of whole runs, and of each thing that writes by itself, often.

A part that writes is killed while it does its work again and again; what it told of before (a number a
line, each after the call came back) must be there, whole, and nothing else half.
"""

from __future__ import annotations

import hashlib
import itertools
import os
import random
import shutil
import signal
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import NoReturn

from tests.soak.faults import kill_often
from tests.soak.processes import fork
from tests.soak.rows import Row, Setup, forked, warm, wrong_with

_AT = datetime(2026, 4, 1, 8, tzinfo=UTC)
SHARES = {"runs": 0.08, "ingest": 0.12, "publishing": 0.2, "findings": 0.25, "photos": 0.1}
"""Of all kills; backup, restore and handing in take the rest in equal parts."""


@dataclass
class Writer:
    """What writes by itself: what it does until it is killed, and what must hold in its folder of what it told."""

    fault: str
    holds: str
    work: Callable[[Path], NoReturn]
    check: Callable[[Path, list[str]], None]
    most_cpu_s: float
    """Latest moment of a kill."""
    prepare: Callable[[Path], int] = lambda _: 0
    """What stands in the folder before."""


def rows(setup: Setup) -> Iterator[Row]:
    """Each writer, reading, then whole runs."""
    rest = round(setup.kills * (1 - sum(SHARES.values())) / 3)
    doses = [round(setup.kills * SHARES[name]) for name in ("publishing", "findings", "photos")]
    for writer, dose in zip(WRITERS, [*doses, rest, rest, rest], strict=True):
        yield killed(writer, setup, dose)
    yield reading(setup, round(setup.kills * SHARES["ingest"]))
    yield whole_runs(setup, round(setup.kills * SHARES["runs"]))


def whole_runs(setup: Setup, times: int) -> Row:
    """Whole runs: see `kill_often`, in series so that one loss does not hide the next."""
    row = Row(
        "kill -9 of a run, up to 12 in a row", "week whole or absent; the next run the same bytes"
    )
    while row.tries < times:
        dose = min(12, times - row.tries)
        seed = setup.seed + row.tries
        wrong = wrong_with(partial(kill_often, setup.case, dose, seed, run=forked))
        row.lost += [wrong[:400]] if wrong else []
        row.survived += 0 if wrong else dose
        row.tries += dose
    return row


def reading(setup: Setup, times: int) -> Row:
    """A delivery read into the warehouse: killed up to 8 times in a row, then read to the end."""
    case, rng = setup.case, random.Random(setup.seed)  # noqa: S311
    row = Row(
        "kill -9 while files are read", "each file wholly or not at all; the same rows at the end"
    )
    place = setup.folder / "reading"

    def read() -> int:
        from pipeline.ingest import ingest_delivery  # noqa: PLC0415
        from pipeline.settings.ingest import IngestSettings  # noqa: PLC0415
        from pipeline.storage.warehouse import writing  # noqa: PLC0415

        with writing(place / "w.duckdb") as con:
            ingest_delivery(con, case.delivered, IngestSettings())
            tables = ("raw_frame", "raw_pilot", "raw_vehicle", "raw_token", "raw_evse", "raw_file")
            counts = [con.execute(f"SELECT count(*) FROM {t}").fetchone() for t in tables]
            print(counts)  # noqa: T201
        return 0

    whole = fork(read)
    assert whole.code == 0, whole.said
    while row.tries < times:
        shutil.rmtree(place)
        for _ in range(min(rng.randint(1, 8), times - row.tries)):
            met = fork(read, kill_at_cpu_s=rng.uniform(0, 1) * whole.cpu_s)
            well = met.signal == signal.SIGKILL or met.said == whole.said
            row.add(None if well else f"exit {met.code}: {met.said[-300:]}")
        after = fork(read)
        if after.said != whole.said:
            row.lost.append(f"{after.said[-300:]} in place of {whole.said}")
            row.survived -= 1
    return row


def killed(writer: Writer, setup: Setup, times: int) -> Row:
    """A writer killed so often, on one folder all the time."""
    warm()
    rng, place = random.Random(setup.seed), setup.folder / "writer"  # noqa: S311
    place.mkdir()
    assert fork(lambda: writer.prepare(place)).code == 0
    row = Row(f"kill -9 while {writer.fault}", writer.holds)
    told: list[str] = []
    for _ in range(times):
        met = fork(lambda: writer.work(place), kill_at_cpu_s=rng.uniform(0.01, writer.most_cpu_s))
        told += met.said.split()
        if met.signal == signal.SIGKILL:
            row.add(wrong_with(partial(writer.check, place, told)))
        else:
            row.add(f"ended by itself, exit {met.code}: {met.said[-300:]}")
            told = []
    shutil.rmtree(place)
    row.holds += f" ({len(told):,} were told of)" if told else ""
    return row


def _tell(what: object) -> None:
    os.write(1, f"{what}\n".encode())


def _publish(place: Path) -> NoReturn:
    from pipeline.publish.week_folder import complete_or_absent  # noqa: PLC0415

    for turn in itertools.count():
        with complete_or_absent(place / "2026-W14") as folder:
            for name in "abcdef":
                (folder / name).write_bytes(b"%d" % (turn % 2) * 40_000)
    raise AssertionError


def _published(place: Path, _told: list[str]) -> None:
    folder = place / "2026-W14"
    old = place / ".2026-W14.old"
    if folder.exists() or old.exists():
        found = {
            p.name: set(p.read_bytes()) for p in (folder if folder.exists() else old).iterdir()
        }
        assert sorted(found) == list("abcdef"), f"files {sorted(found)}"
        assert all(len(signs) == 1 for signs in found.values()), "a file is of two publications"
        assert len({tuple(signs) for signs in found.values()}) == 1, "files of two publications"


def _decide(place: Path) -> NoReturn:
    from pipeline.storage.decisions import open_decisions  # noqa: PLC0415

    store = open_decisions(place / "d.sqlite")
    for turn in itertools.count():
        row = {"at_utc": _AT, "vehicle_id": f"van-{turn}", "finding": "no_fault_found"}
        _tell(store.finding(row, "Kim"))
    raise AssertionError


def _decided(place: Path, told: list[str]) -> None:
    with closing(sqlite3.connect(place / "d.sqlite")) as con:
        if told:
            kept = {str(n) for (n,) in con.execute("SELECT number FROM decision_finding")}
            assert set(told) <= kept, f"{len(set(told) - kept)} findings that were told of are gone"
        assert con.execute("PRAGMA quick_check").fetchone() == ("ok",)


def _keep_photo(place: Path) -> NoReturn:
    from pipeline.storage.decisions import open_decisions  # noqa: PLC0415
    from pipeline.storage.decisions.bench_store import bench_store  # noqa: PLC0415

    where = str(place / "d.sqlite")
    bench = bench_store(open_decisions(where), where, place / "w.duckdb")
    for turn in itertools.count():
        row = {
            "vehicle_id": f"van-{os.getpid()}-{turn}", "at_utc": _AT,
            "media_type": "image/jpeg", "note": None,
        }  # fmt: skip
        _tell(bench.keep_file(row, os.urandom(50_000), "Kim"))
    raise AssertionError


def _photos_kept(place: Path, told: list[str]) -> None:
    folder = place / "d.sqlite.files"
    for sha in told[-200:]:
        body = (folder / f"{sha}.jpg").read_bytes()
        assert hashlib.sha256(body).hexdigest() == sha, "a photo that was told of is not as it was"
    with closing(sqlite3.connect(place / "d.sqlite")) as con:
        if told:
            kept = {s for (s,) in con.execute("SELECT content_sha256 FROM decision_attachment")}
            assert set(told) <= kept, "a photo that was told of is not in the store"


def _with_findings(place: Path) -> int:
    from pipeline.storage.backup import backup_decisions  # noqa: PLC0415
    from pipeline.storage.decisions import open_decisions  # noqa: PLC0415

    source = place / "d.sqlite"
    store = open_decisions(source)
    for turn in range(50):
        store.finding(
            {"at_utc": _AT, "vehicle_id": f"van-{turn}", "finding": "no_fault_found"}, "Kim"
        )
    store.close()
    backup_decisions(source, place / "copy.sqlite")
    return 0


def _back_up(place: Path) -> NoReturn:
    from pipeline.storage.backup import backup_decisions  # noqa: PLC0415

    while True:
        _tell(backup_decisions(place / "d.sqlite", place / "copy.sqlite"))


def _whole_copy(place: Path, _told: list[str]) -> None:
    from pipeline.core.errors import StoreError  # noqa: PLC0415
    from pipeline.storage.backup import check_copy  # noqa: PLC0415

    try:
        check_copy(place / "copy.sqlite")
    except StoreError as error:
        raise AssertionError(str(error)) from error


def _restore(place: Path) -> NoReturn:
    from pipeline.storage.backup import restore_decisions  # noqa: PLC0415

    while True:
        kept = restore_decisions(place / "copy.sqlite", place / "d.sqlite")
        _tell("restored")
        if kept:
            kept.unlink()


def _restored(place: Path, _told: list[str]) -> None:
    with closing(sqlite3.connect(place / "d.sqlite")) as con:
        found = con.execute("SELECT count(*) FROM decision_finding").fetchone()
        assert found == (50,), f"{found} rows of 50"
        assert con.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def _hand_in(place: Path) -> NoReturn:
    from dashboards.review.waiting import mark  # noqa: PLC0415

    for turn in itertools.count():
        delivery = place / f"{os.getpid()}-{turn}"
        delivery.mkdir()
        mark(delivery, "Kim")
        _tell(delivery.name)
    raise AssertionError


def _handed_in(place: Path, told: list[str]) -> None:
    from dashboards.review.waiting import left  # noqa: PLC0415

    waiting = {one.delivery.name: one.started_by for one in left(place)}
    assert all(waiting.get(name) == "Kim" for name in told), "one that was taken is forgotten"


WRITERS = (
    Writer(
        "a week is published",
        "the folder's files are of one publication, whole",
        _publish,
        _published,
        0.3,
    ),
    Writer("findings are kept", "every finding told of is there", _decide, _decided, 0.4),
    Writer(
        "photos of the bench are kept",
        "every photo told of is there, its bytes too",
        _keep_photo,
        _photos_kept,
        0.3,
    ),
    Writer(
        "a backup is made",
        "the copy is the one before or the new one, sealed and whole",
        _back_up,
        _whole_copy,
        0.4,
        _with_findings,
    ),
    Writer(
        "a backup is put back",
        "the store is whole, with all its rows",
        _restore,
        _restored,
        0.4,
        _with_findings,
    ),
    Writer(
        "deliveries are handed in",
        "every delivery taken waits for its run",
        _hand_in,
        _handed_in,
        0.1,
    ),
)
