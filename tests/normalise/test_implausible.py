"""A station that wakes in 1970 again and again.

What a new day costs does not grow with history, and the answer is the same.
"""

from __future__ import annotations

from datetime import UTC, datetime

import polars as pl
import pytest

from pipeline.normalise import normalise
from pipeline.normalise.incremental import narrowing, windows
from pipeline.registry import polars_schema
from pipeline.settings.normalise import NormaliseSettings
from pipeline.storage.warehouse import Connection, append, read
from tests.normalise.test_incremental import CORE, NOTHING, core, fresh
from tests.normalise.world import T0, World, at

DAY_S = 86_400.0
RESET_EVERY = 9
NEAR, PAST = 92, 95
"""Days of history of which the last is two days after a waking, and five."""
EPOCH_S = (datetime(1970, 1, 1, tzinfo=UTC) - T0).total_seconds()


def woken_s(t: float) -> float | None:
    """When the station woke, while its clock is not set: the first six hours of every ninth day."""
    day = t // DAY_S
    return day * DAY_S if day % RESET_EVERY == RESET_EVERY - 1 and t % DAY_S < 6 * 3600 else None


def clock_s(t: float) -> float:
    """What the clock is ahead: since 1970 from waking until it is set, else three seconds."""
    woken = woken_s(t)
    return 3.0 if woken is None else EPOCH_S - woken


def visit(world: World, t: float) -> None:
    """A plug-in of half an hour, told by messages and the pilot."""
    for after, word, state, contactor in (
        (0, "Preparing", "B1", "open"),
        (20, "Preparing", "B2", "open"),
        (25, "Charging", "C2", "closed"),
        (1800, "Available", "A1", "open"),
    ):
        world.status(t + after + 0.5, word)
        world.pilot(t + after, state, contactor)


def deliveries(days: int) -> tuple[dict[str, pl.DataFrame], dict[str, pl.DataFrame]]:
    """All but the last day's files (pilot rows and frames, a file a week), and that day's."""
    world = World(clock_at=clock_s)
    world.evse()
    world.token("T1", "v1")
    marks: list[dict[str, int]] = []
    for day in range(days):
        marks.append({table: len(rows) for table, rows in world.rows.items()})
        t = day * DAY_S
        if woken_s(t) is not None:
            world.call(t + 10, "BootNotification", stamped=False, answer={})
        for hour in (1, 3, 12):
            visit(world, t + hour * 3600 + 37 * (day % 5))
        world.status(t + 20 * 3600, "Available")
    halves: list[dict[str, list[dict[str, object]]]] = [{}, {}]
    for table, rows in world.rows.items():
        for number, row in enumerate(rows):
            day = max((d for d in range(days) if marks[d][table] <= number), default=0)
            last = day == days - 1
            file_id = f"{table}-day" if last else f"{table}-{day // 7:03}"
            halves[last and table in {"raw_frame", "raw_pilot"}].setdefault(table, []).append(
                {**row, "file_id": file_id}
            )
    first, second = (
        {t: pl.DataFrame(r, schema=polars_schema(t), orient="row") for t, r in half.items()}
        for half in halves
    )
    return {**first, "raw_file": files(first)}, {**second, "raw_file": files(second)}


def files(tables: dict[str, pl.DataFrame]) -> pl.DataFrame:
    """Their rows in raw_file."""
    ids = sorted({i for frame in tables.values() for i in frame["file_id"].unique()})
    counts = dict.fromkeys(("file_bytes", "lines", "used", "rejected", "duplicates"), 1)
    rows = [
        {
            "file_id": i,
            "file": i,
            "kind": "frames",
            "content_sha256": i,
            "ingested_at_utc": T0,
            **counts,
        }
        for i in ids
    ]
    return pl.DataFrame(rows, schema=polars_schema("raw_file"), orient="row")


def put(con: Connection, tables: dict[str, pl.DataFrame]) -> None:
    """Append raw rows."""
    for table, frame in tables.items():
        append(con, table, frame)


Taken = tuple[Connection, Connection, int]


@pytest.fixture(scope="module", params=[NEAR, PAST])
def taken(request: pytest.FixtureRequest) -> Taken:
    """A history and a day taken up one after the other, and the same at once; and how many days."""
    step, whole = fresh(), fresh()
    history, day = deliveries(request.param)
    for part in (history, day):
        put(step, part)
        put(whole, part)
        normalise(step, NOTHING, NormaliseSettings())
    normalise(whole, None, NormaliseSettings())
    return step, whole, request.param


def test_the_window_of_a_day_is_months_not_the_whole_history(taken: Taken) -> None:
    """Near a waking pilot rows may have to be placed again: what is read begins some ten weeks before, and what is replaced five.

    Days after, when no new row comes by that clock and no file ends with its times, the last days are enough.
    """
    con, _, days = taken
    (row,) = con.execute("SELECT implausible, lo_utc, keep_from_utc FROM _windows").fetchall()
    read, kept = (80, 30) if days == NEAR else (8, 3)
    assert row[0] == (days == NEAR)
    assert at((days - read) * DAY_S) < row[1] < row[2] < at((days - kept) * DAY_S)


def test_messages_of_months_are_not_read_where_nothing_moved(taken: Taken) -> None:
    """Clock and pilot rows are made for the months; what messages say within days of the new ones, and in the wider window."""
    con, _, days = taken
    found = con.execute(
        "SELECT n.lo_utc, n.keep_from_utc, w.lo_utc FROM _narrow n JOIN _windows w USING (station_id)"
    ).fetchall()
    assert len(found) == (days == NEAR)
    for said, said_from, placed in found:
        assert placed < at((days - 20) * DAY_S) < said < said_from < at((days - 2) * DAY_S)


def test_a_pilot_row_that_moved_is_in_the_window_of_messages(taken: Taken) -> None:
    """A row that the store has a week and more before the new ones, elsewhere than it is made: messages are read from there on."""
    con, _, days = taken
    if days != NEAR:
        return
    con.begin()
    back = at((days - 12) * DAY_S)
    con.execute(
        "UPDATE core_pilot SET at_utc = at_utc - INTERVAL 1 SECOND WHERE at_utc = (SELECT min(at_utc) FROM core_pilot WHERE at_utc > $back)",
        {"back": back},
    )
    con.execute("DELETE FROM meta_normalised_file WHERE file_id LIKE '%-day'")
    fresh_ = windows.fresh_files(con)
    values = windows.of_new(con, NOTHING, [], fresh_, NormaliseSettings())
    narrowing.narrow(con, values, [], NormaliseSettings(), {})
    ((kept_from,),) = con.execute("SELECT keep_from_utc FROM _narrow").fetchall()
    con.rollback()
    assert at((days - 16) * DAY_S) < kept_from < back


def test_the_day_by_itself_gives_what_the_whole_gives(taken: Taken) -> None:
    """Every core table is the same, though only months or days were read."""
    a, b = (core(con) for con in taken[:2])
    assert all(a[table].equals(b[table]) for table in CORE)


def test_each_plug_in_is_put_where_it_happened(taken: Taken) -> None:
    """Rows of 1970 that a dozen wakings share belong to the waking of their file: one attempt a
    visit, in its place.

    Only where the file begins or ends with them is that stated to be unsure.
    """
    made = read(taken[1], "core_attempt").sort("plugged_at_utc")
    plan = [
        day * DAY_S + hour * 3600 + 37 * (day % 5) for day in range(taken[2]) for hour in (1, 3, 12)
    ]
    assert made.height == len(plan)
    off_s = [
        abs((got - at(t)).total_seconds())
        for t, got in zip(plan, made["plugged_at_utc"].to_list(), strict=True)
    ]
    assert max(off_s) < 5
    assert (made["clock_error_s"] > 5).sum() <= 4
