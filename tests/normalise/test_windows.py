"""Which part of a station's history new rows can change.

Worked by hand, in days from the Monday of the tests' origin.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any

import duckdb
import polars as pl
import pytest

from pipeline.normalise.incremental import attempt_rebuild, windows
from pipeline.settings.normalise import NormaliseSettings
from pipeline.storage.warehouse import Connection, query, statement
from tests.normalise.world import T0

MIDNIGHT = T0.replace(hour=0)
SETTINGS = NormaliseSettings()
NOTHING = pl.DataFrame(
    schema={
        "station_id": pl.String,
        "from_utc": pl.Datetime("us", "UTC"),
        "to_utc": pl.Datetime("us", "UTC"),
    }
)
FRESH = "file_id = 'new'"
HELD, SILENCE = 14, 14
"""Days an offset is carried (setting clocks.holds_days) and of silence that ends a plug-in (setting)."""
TABLES = {
    "raw_frame": "file_id VARCHAR, station_id VARCHAR, receiver_at_utc TIMESTAMPTZ, station_at_utc TIMESTAMPTZ",
    "raw_sample": "file_id VARCHAR, station_id VARCHAR, receiver_at_utc TIMESTAMPTZ, station_at_utc TIMESTAMPTZ",
    "raw_event": "file_id VARCHAR, station_id VARCHAR, receiver_at_utc TIMESTAMPTZ, station_at_utc TIMESTAMPTZ",
    "raw_pilot": "file_id VARCHAR, station_id VARCHAR, station_at_utc TIMESTAMPTZ",
    "raw_session": "file_id VARCHAR, evse_id VARCHAR, plugged_at_utc TIMESTAMPTZ, unplugged_at_utc TIMESTAMPTZ",
    "raw_changed": "station_id VARCHAR, from_utc TIMESTAMPTZ, to_utc TIMESTAMPTZ",
    "raw_charging": "file_id VARCHAR, line BIGINT, vehicle_id VARCHAR, event VARCHAR, at_utc TIMESTAMPTZ",
    "raw_file": "file_id VARCHAR",
    "meta_normalised_file": "file_id VARCHAR",
    "core_evse": "evse_id VARCHAR, station_id VARCHAR",
    "core_clock": "station_id VARCHAR, segment_from_utc TIMESTAMPTZ, receiver_from_utc TIMESTAMPTZ, offset_s DOUBLE",
    "core_plug_in": "station_id VARCHAR, evse_id VARCHAR, plugged_at_utc TIMESTAMPTZ, unplugged_at_utc TIMESTAMPTZ"
    ", seen_utc TIMESTAMPTZ",
}  # fmt: skip


@pytest.fixture
def con() -> Iterator[Connection]:
    """The tables a window looks at, with the columns it needs."""
    store = duckdb.connect()
    store.execute("SET TimeZone = 'UTC'")
    for name, columns in TABLES.items():
        store.execute(f"CREATE TABLE {name} ({columns})")
    store.execute("CREATE SEQUENCE lines")
    store.execute("ALTER TABLE raw_pilot ADD COLUMN line BIGINT DEFAULT nextval('lines')")
    yield store
    store.close()


def day(number: float) -> datetime:
    """So many days after the first midnight."""
    return MIDNIGHT + timedelta(days=number)


def put(con: Connection, table: str, *values: Any) -> None:
    """A row; numbers are days where a time is due."""
    times = [t.split()[1] == "TIMESTAMPTZ" for t in TABLES[table].split(", ")]
    told = [
        day(v) if is_time and isinstance(v, int | float) else v
        for v, is_time in zip(values, times, strict=True)
    ]
    names = ", ".join(column.split()[0] for column in TABLES[table].split(", "))
    con.execute(f"INSERT INTO {table} ({names}) VALUES ({', '.join('?' * len(told))})", told)


def window(
    con: Connection, touched: pl.DataFrame = NOTHING, moved: list[str] | None = None
) -> dict[str, tuple[Any, ...]]:
    """(read from, kept from, kept to, read to) in days, by station.

    'all' for a station made whole.
    """
    windows.of_new(con, touched, moved or [], FRESH, SETTINGS)
    found = con.execute(
        "SELECT station_id, lo_utc, keep_from_utc, keep_to_utc, hi_utc FROM _windows"
    ).fetchall()
    ends = {windows.ALL_FROM: "all", windows.ALL_TO: "all"}
    return {
        name: tuple(ends.get(t) or (t - MIDNIGHT) / timedelta(days=1) for t in times)
        for name, *times in found
    }


WHOLE = ("all", "all", "all", "all")
KEPT = 32
"""Days made again on both sides where the clock was implausible (windows.IMPLAUSIBLE_KEEP); as many more are read."""
MONTHS = (50.0 - 2 * KEPT, 50.0 - KEPT, 50.0 + KEPT, 50.0 + 2 * KEPT)
ALONE = (44.0, 48.0, 50.5 + HELD + 2, 50.5 + HELD + 2 + SILENCE + 1)
"""A frame of day 50, noon, with nothing known around it: two days before are made again and to where its offset is carried."""


@pytest.mark.parametrize("table", ["raw_frame", "raw_sample", "raw_event"])
def test_a_new_row_alone(con: Connection, table: str) -> None:
    """From the row's own or the receiver's time, whichever is earlier, to the later.

    Rows of other files count for nothing.
    """
    put(con, table, "new", "st1", 50.5, 50.5)
    put(con, table, "old", "st1", 10.0, 10.0)
    put(con, table, "old", "st2", 50.5, 50.5)
    assert window(con) == {"st1": pytest.approx(ALONE)}
    put(con, table, "new", "st1", 52.0, 46.25)
    late = window(con)["st1"]
    assert late == pytest.approx((40.0, 44.0, 52.0 + HELD + 2, 52.0 + HELD + 2 + SILENCE + 1))


def test_a_row_without_a_time_of_its_own_has_the_receivers(con: Connection) -> None:
    """Null is no time."""
    put(con, "raw_frame", "new", "st1", 50.5, None)
    assert window(con)["st1"] == pytest.approx(ALONE)


@pytest.mark.parametrize(
    ("station", "implausible"),
    [(51.0, False), (51.001, True), (50.5 - 60, False), (50.5 - 60.001, True)],
)
def test_an_implausible_clock_near_the_new_rows_makes_months_again(
    con: Connection, station: float, *, implausible: bool
) -> None:
    """Half a day ahead of the receiver or sixty days behind.

    Pilot rows of such times may lie anywhere in their files; here there is one.
    """
    put(con, "raw_pilot", "old", "st1", station)
    put(con, "raw_frame", "new", "st1", 50.5, station)
    assert (window(con)["st1"] == MONTHS) == implausible
    assert con.execute("SELECT implausible FROM _windows").fetchall() == [(implausible,)]


@pytest.mark.parametrize(
    ("offset", "at", "implausible"),
    [
        (43_200.0, 50.0, False),
        (43_201.0, 50.0, True),
        (-43_201.0, 50.0, True),
        (43_201.0, 20.6, True),
        (43_201.0, 20.4, False),
        (43_201.0, 80.4, True),
        (43_201.0, 80.6, False),
    ],
)
def test_so_does_one_known_within_a_month(
    con: Connection, offset: float, at: float, *, implausible: bool
) -> None:
    """Half a day off, by the station's or the receiver's time, within thirty days of the new rows
    on either side.

    A clock that shows the new rows' times at another time has them placed there: that is made again
    with them.
    """
    put(con, "raw_frame", "new", "st1", 50.5, 50.5)
    put(con, "raw_pilot", "old", "st1", 50.5)
    put(con, "raw_pilot", "old", "st1", 200.0)
    put(con, "core_clock", "st1", at, 200.0, offset)
    put(con, "core_clock", "st2", 50.0, 50.0, 99_999.0)
    assert (window(con)["st1"] == (*MONTHS[:2], 200.0 + KEPT, 200.0 + 2 * KEPT)) == implausible
    con.execute("DELETE FROM core_clock")
    put(con, "core_clock", "st1", 200.0, at, offset)
    assert (window(con)["st1"] == MONTHS) == implausible


def test_one_implausible_among_many_is_enough(con: Connection) -> None:
    """A frame far off beside good ones, a pilot row of before 2015 beside good frames, one knot of
    several.
    """

    def implausible() -> bool:
        window(con)
        return bool(con.execute("SELECT implausible FROM _windows").fetchall()[0][0])

    put(con, "raw_frame", "new", "st1", 50.5, 50.5)
    put(con, "raw_pilot", "old", "st1", 50.5)
    put(con, "core_clock", "st1", 50.0, 50.0, 1.0)
    assert not implausible()
    put(con, "core_clock", "st1", 49.0, 49.0, 99_999.0)
    assert implausible()
    con.execute("DELETE FROM core_clock")
    put(con, "raw_frame", "new", "st1", 50.5, 60.0)
    assert implausible()
    con.execute("DELETE FROM raw_frame WHERE station_at_utc > receiver_at_utc")
    put(con, "raw_pilot", "new", "st1", datetime.fromisoformat("2014-12-31T23:59:59Z"))
    assert implausible()


BY_FRAMES = (44.0, 48.0, 50.0 + KEPT, 50.0 + KEPT + SILENCE + 1)
"""Only frames came by a clock far off: what came in the month after is made again."""


@pytest.mark.parametrize("pilot", [[], [50.5], [4_050.5 - 29, 4_050.5 - 30]])
def test_a_clock_far_off_moves_no_pilot_row_that_it_cannot_have_shown(
    con: Connection, pilot: list[float]
) -> None:
    """No pilot rows, one of the day, or such as it may have shown in a file of other times: days are made again, not months.

    A row that it may have shown (a month to either side), in a file of these days, moves.
    """
    put(con, "raw_frame", "new", "st1", 50.5, 50.5 + 4_000)
    for own in pilot:
        put(con, "raw_pilot", "old", "st1", own)
    assert window(con)["st1"] == pytest.approx(BY_FRAMES)
    put(con, "raw_pilot", "beside", "st1", 50.0)
    assert window(con)["st1"] == pytest.approx(BY_FRAMES)
    put(con, "raw_pilot", "beside", "st1", 4_050.5 - 29)
    assert window(con)["st1"] == pytest.approx(MONTHS)


@pytest.mark.parametrize(("seen", "read"), [(47.1, 15.0), (46.9, 44.0)])
def test_the_eras_before_are_read_where_a_far_clock_reaches_into_what_is_made_again(
    con: Connection, seen: float, read: float
) -> None:
    """A line far off within a day before it: from four days before the first such of a month.

    One of earlier is over, and its frames with it.
    """
    put(con, "raw_frame", "new", "st1", 50.5, 50.5)
    for knot in (15.9, 19.5, seen):
        put(con, "core_clock", "st1", -20_000.0, knot, 99_999.0)
    put(con, "core_clock", "st1", 49.9, 49.9, 1.0)
    assert window(con)["st1"][:2] == pytest.approx((read, 48.0))


def test_lost_pilot_rows_move_where_their_file_ends_with_them(con: Connection) -> None:
    """Ten days after a far clock no new row touches its era: rows between others stay; after the last of a file anything may come."""
    put(con, "raw_frame", "new", "st1", 50.5, 50.5)
    put(con, "core_clock", "st1", -20_000.0, 40.0, 99_999.0)
    put(con, "core_clock", "st1", 49.9, 49.9, 1.0)
    for own in (39.0, -20_000.0, 40.5):
        put(con, "raw_pilot", "old", "st1", own)
    assert window(con)["st1"] == pytest.approx((39.0, *ALONE[1:]))
    put(con, "raw_pilot", "old", "st1", -20_000.0)
    assert window(con)["st1"] == pytest.approx(MONTHS)


def test_the_second_knot_beyond_bounds_what_can_change(con: Connection) -> None:
    """Knots from the next day on.

    To the end of the second one's day, at least three days, at most twice what is carried.
    """
    put(con, "raw_frame", "new", "st1", 50.5, 50.5)
    for knot in (50.9, 51.0, 55.25, 60.0):
        put(con, "core_clock", "st1", knot, knot, 1.0)
    assert window(con)["st1"][2] == pytest.approx(56.0)
    con.execute("DELETE FROM core_clock WHERE receiver_from_utc > ?", [day(51.5)])
    assert window(con)["st1"][2] == pytest.approx(50.5 + HELD + 2)
    put(con, "core_clock", "st1", 51.25, 51.25, 1.0)
    assert window(con)["st1"][2] == pytest.approx(53.0)
    con.execute("DELETE FROM core_clock WHERE receiver_from_utc > ?", [day(51.1)])
    put(con, "core_clock", "st1", 90.0, 90.0, 1.0)
    assert window(con)["st1"][2] == pytest.approx(50.5 + 2 * HELD)


def test_the_knot_before_is_made_anew_where_its_offset_reaches(con: Connection) -> None:
    """Of a day before the new rows, within the days an offset is carried and one: its whole day.

    Else two days before.
    """
    put(con, "raw_frame", "new", "st1", 50.5, 50.5)
    put(con, "core_clock", "st1", 40.3, 40.3, 1.0)
    put(con, "core_clock", "st1", 37.3, 37.3, 1.0)
    assert window(con)["st1"][1] == pytest.approx(40.0)
    con.execute("DELETE FROM core_clock")
    put(con, "core_clock", "st1", 35.6, 35.6, 1.0)
    assert window(con)["st1"][1] == pytest.approx(35.0)
    con.execute("DELETE FROM core_clock")
    put(con, "core_clock", "st1", 35.5, 35.5, 1.0)
    assert window(con)["st1"][1] == pytest.approx(48.0)
    put(con, "core_clock", "st1", 49.9, 49.9, 1.0)
    assert window(con)["st1"][1] == pytest.approx(48.0)


def test_what_is_read_begins_with_the_two_knots_before(con: Connection) -> None:
    """A day before the earlier of the two last knots before what is kept, unless its offset cannot
    reach; four days at least.
    """
    put(con, "raw_frame", "new", "st1", 50.5, 50.5)
    for knot in (20.5, 30.5, 32.5, 49.5):
        put(con, "core_clock", "st1", knot, knot, 1.0)
    assert window(con)["st1"][:2] == pytest.approx((29.0, 48.0))
    con.execute("DELETE FROM core_clock WHERE receiver_from_utc = ?", [day(32.5)])
    assert window(con)["st1"][:2] == pytest.approx((19.0, 48.0))
    con.execute("DELETE FROM core_clock WHERE receiver_from_utc = ?", [day(30.5)])
    put(con, "core_clock", "st1", 19.9, 19.9, 1.0)
    assert window(con)["st1"][:2] == pytest.approx((19.0, 48.0))
    con.execute("DELETE FROM core_clock WHERE receiver_from_utc = ?", [day(20.5)])
    assert window(con)["st1"][:2] == pytest.approx((44.0, 48.0))


def plug_in(
    con: Connection, start: float, end: float | None, seen: float | None = None, evse: str = "e"
) -> None:
    """A plug-in of station st1."""
    put(con, "core_plug_in", "st1", evse, start, end, end if seen is None else seen)


def test_plug_ins_met_are_made_anew_whole(con: Connection) -> None:
    """Those that reach into what is kept move its bounds to their own.

    One that ended before does not.
    """
    put(con, "raw_frame", "new", "st1", 50.5, 50.5)
    put(con, "core_plug_in", "st2", "x", 10.0, 100.0, 100.0)
    plug_in(con, 47.0, 48.0)
    plug_in(con, 66.4, 70.0, evse="f")
    second = 1 / 86_400
    assert window(con)["st1"] == pytest.approx(
        (43.0, 47.0, 70.0 + second, 70.0 + second + SILENCE + 1)
    )
    con.execute("DELETE FROM core_plug_in")
    plug_in(con, 46.9, 47.99)
    assert window(con)["st1"][1] == pytest.approx(48.0)


def test_a_plug_in_that_ended_within_a_day_before_is_read_too(con: Connection) -> None:
    """From a day before its beginning: it may yet straddle the bound."""
    put(con, "raw_frame", "new", "st1", 50.5, 50.5)
    plug_in(con, 40.5, 47.5)
    assert window(con)["st1"][:2] == pytest.approx((39.0, 48.0))
    con.execute("DELETE FROM core_plug_in")
    plug_in(con, 40.5, 46.999)
    assert window(con)["st1"][:2] == pytest.approx((44.0, 48.0))
    plug_in(con, 41.5, 47.0)
    assert window(con)["st1"][:2] == pytest.approx((40.0, 48.0))
    plug_in(con, 44.5, 47.5, evse="f")
    assert window(con)["st1"][:2] == pytest.approx((40.0, 48.0))


def test_the_end_of_the_next_plug_in_is_kept(con: Connection) -> None:
    """The first at each EVSE within the silence after; a later one, or one beyond, is not."""
    put(con, "raw_frame", "new", "st1", 50.5, 50.5)
    plug_in(con, 70.0, 71.0)
    plug_in(con, 72.0, 79.0)
    plug_in(con, 80.0, 80.4, evse="f")
    plug_in(con, 66.5 + SILENCE + 0.1, 95.0, evse="g")
    second = 1 / 86_400
    assert window(con)["st1"][2] == pytest.approx(80.4 + second)


def test_a_plug_in_without_an_end_lasts_until_the_silence_or_the_next(con: Connection) -> None:
    """Fourteen days after it was last seen, or the next plug-in at the EVSE."""
    put(con, "raw_frame", "new", "st1", 50.5, 50.5)
    plug_in(con, 30.0, None, seen=34.1)
    assert window(con)["st1"][1] == pytest.approx(30.0)
    plug_in(con, 40.0, 41.0)
    assert window(con)["st1"][1] == pytest.approx(48.0)
    con.execute("DELETE FROM core_plug_in")
    plug_in(con, 30.0, None, seen=33.9)
    assert window(con)["st1"][1] == pytest.approx(48.0)


def test_nothing_older_than_the_reach_is_looked_for(con: Connection) -> None:
    """A plug-in said to have begun 121 days before the oldest new row is not."""
    put(con, "raw_frame", "new", "st1", 150.5, 150.5)
    plug_in(con, 31.0, 149.0)
    assert window(con)["st1"][1] == pytest.approx(31.0)
    con.execute("DELETE FROM core_plug_in")
    plug_in(con, 30.0, 149.0)
    assert window(con)["st1"][1] == pytest.approx(148.0)


def test_pilot_rows_of_a_clock_never_set_are_read_with_their_file(con: Connection) -> None:
    """Before 2015 no such clock was right (OCPP 1.6 is of 2015, from memory); a pilot row else
    counts by its own time.

    A file without any right time may be of any day: the station is made whole.
    """
    put(con, "raw_pilot", "new", "st1", 50.5)
    put(con, "raw_pilot", "old", "st1", 5.0)
    assert window(con)["st1"] == pytest.approx(ALONE)
    put(con, "raw_pilot", "new", "st1", datetime.fromisoformat("2014-12-31T23:59:59Z"))
    assert window(con)["st1"] == MONTHS
    con.execute("DELETE FROM raw_pilot WHERE station_at_utc > '2020-01-01'")
    lo, keep_from, keep_to, hi = con.execute(
        "SELECT lo_utc, keep_from_utc, keep_to_utc, hi_utc FROM _windows" if window(con) else ""
    ).fetchall()[0]
    assert lo < keep_from < windows.ALL_FROM < windows.ALL_TO < keep_to < hi
    con.execute("DELETE FROM raw_pilot")
    put(con, "raw_pilot", "new", "st1", datetime.fromisoformat("2015-01-01T00:00:00Z"))
    assert window(con)["st1"][3] < 0


def test_far_rows_are_those_of_files_that_reach_into_the_window(con: Connection) -> None:
    """Pilot rows of 1970 are read with the window that their file's other rows lie in, and with no
    other.
    """
    for file, own in (
        ("old", 50.0),
        ("old", -20_000.0),
        ("older", 5.0),
        ("older", -20_000.0),
        ("new", 51.0),
    ):
        put(con, "raw_pilot", file, "st1", own)
    put(con, "raw_frame", "new", "st1", 51.0, -20_500.0)
    window(con)
    (batch,) = list(windows.batches(con, 100))
    con.register("_batch", batch.to_arrow())
    found = query(
        con,
        statement(windows.__file__, "implausible_pilot"),
        {"lo": batch["lo_utc"].min(), "implausible": windows.IMPLAUSIBLE_KEEP},
    )
    assert found["file_id"].to_list() == ["old", "older"]
    con.execute(
        "UPDATE raw_pilot SET station_at_utc = $at WHERE file_id = 'older' AND station_at_utc > '2020-01-01'",
        {"at": day(-90)},
    )
    found = query(
        con,
        statement(windows.__file__, "implausible_pilot"),
        {"lo": batch["lo_utc"].min(), "implausible": windows.IMPLAUSIBLE_KEEP},
    )
    assert found["file_id"].to_list() == ["old"]


def test_an_exported_session_counts_from_plugging_to_unplugging(con: Connection) -> None:
    """By its EVSE's station; one without a time of plug-in has no place.

    Without an end it is an instant.
    """
    put(con, "core_evse", "e", "st1")
    put(con, "raw_session", "new", "e", 50.5, None)
    put(con, "raw_session", "new", "e", None, 10.0)
    put(con, "raw_session", "old", "e", 10.0, 11.0)
    put(con, "raw_session", "new", "unlisted", 10.0, 11.0)
    assert window(con) == {"st1": pytest.approx(ALONE)}
    put(con, "raw_session", "new", "e", 50.5, 52.5)
    assert window(con)["st1"][2] == pytest.approx(52.5 + HELD + 2)


def test_spans_touched_and_changed_count_as_new_rows(con: Connection) -> None:
    """What an earlier run left half done, and rows taken away."""
    span = {"station_id": ["st1"], "from_utc": [day(50.5)], "to_utc": [day(50.5)]}
    assert window(con, pl.DataFrame(span, schema=NOTHING.schema)) == {"st1": pytest.approx(ALONE)}
    put(con, "raw_changed", "st2", 50.5, 50.5)
    assert window(con) == {"st2": pytest.approx(ALONE)}
    open_ = pl.DataFrame(
        {"station_id": ["st1"], "from_utc": [None], "to_utc": [None]}, schema=NOTHING.schema
    )
    con.execute("DELETE FROM raw_changed")
    assert window(con, open_)["st1"][1:3] != (48.0, 66.5)


def test_a_station_described_anew_is_made_whole(con: Connection) -> None:
    """Whether it has new rows or not; others keep their windows."""
    put(con, "raw_frame", "new", "st1", 50.5, 50.5)
    put(con, "raw_frame", "new", "st2", 50.5, 50.5)
    assert window(con, moved=["st1", "st3"]) == {
        "st1": WHOLE,
        "st2": pytest.approx(ALONE),
        "st3": WHOLE,
    }


def test_without_new_rows_there_is_no_window(con: Connection) -> None:
    """Nothing to do."""
    assert window(con) == {}
    assert windows.spans_of_new(con).is_empty()


def test_a_whole_rebuild_takes_every_station_once(con: Connection) -> None:
    """Wherever it has a row.

    Frames, samples, events, pilot, exports by their EVSE, plug-ins of before.
    """
    put(con, "raw_frame", "f", "a", 1.0, 1.0)
    put(con, "raw_frame", "f", "a", 2.0, 2.0)
    put(con, "raw_sample", "f", "b", 1.0, 1.0)
    put(con, "raw_event", "f", "c", 1.0, 1.0)
    put(con, "raw_pilot", "f", "d", 1.0)
    put(con, "core_evse", "e", "g")
    put(con, "raw_session", "f", "e", 1.0, 2.0)
    put(con, "core_plug_in", "h", "x", 1.0, 2.0, 2.0)
    windows.whole(con)
    found = con.execute(
        "SELECT station_id, lo_utc, keep_from_utc, keep_to_utc, hi_utc FROM _windows ORDER BY 1"
    ).fetchall()
    assert [row[0] for row in found] == list("abcdgh")
    assert {row[1:] for row in found} == {
        (windows.ALL_FROM, windows.ALL_FROM, windows.ALL_TO, windows.ALL_TO)
    }


def test_fresh_files_are_those_no_run_took_up(con: Connection) -> None:
    """Named one by one, quotes doubled; none is a condition that holds for nothing."""
    assert windows.fresh_files(con) == "false"
    for name in ("b", "a", "it's"):
        put(con, "raw_file", name)
    put(con, "meta_normalised_file", "b")
    assert windows.fresh_files(con) == "file_id IN ('a', 'it''s')"


def test_batches_hold_about_so_many_rows(con: Connection) -> None:
    """Stations in order, cut where the rows before reach the number.

    Rows outside the windows do not count.
    """
    windows.whole(con)
    for name, rows in (("a", 3), ("b", 2), ("c", 4), ("d", 0)):
        con.execute(
            "INSERT INTO _windows VALUES (?, false, ?, ?, ?, ?)",
            [name, day(1), day(1), day(9), day(9)],
        )
        for k in range(rows):
            put(con, "raw_frame", "f", name, 1.0 + k, None)
    put(con, "raw_frame", "f", "a", 9.0, None)
    put(con, "raw_frame", "f", "a", 0.9, None)
    batches = [batch["station_id"].to_list() for batch in windows.batches(con, 5)]
    assert batches == [["a", "b"], ["c", "d"]]
    put(con, "raw_pilot", "f", "a", 1.0)
    assert [batch["station_id"].to_list() for batch in windows.batches(con, 5)] == [
        ["a"],
        ["b", "c", "d"],
    ]


def reported(con: Connection) -> list[tuple[float, float]]:
    """Spans of vehicles' reports in seconds from day 50."""
    found = attempt_rebuild.reported(con, FRESH, SETTINGS).sort("from_utc", "to_utc")
    return [((a - day(50)).total_seconds(), (b - day(50)).total_seconds()) for a, b in found.rows()]


def test_a_vehicles_report_reaches_back_to_its_plugging(con: Connection) -> None:
    """From the last 'plugged' of that vehicle before, within the silence, with 180 s of slack
    (setting) on both sides.
    """
    put(con, "raw_charging", "new", 1, "v", "unplugged", 50.5)
    assert reported(con) == [(43_200 - 180, 43_200 + 180)]
    put(con, "raw_charging", "old", 2, "v", "plugged", 50.0)
    put(con, "raw_charging", "old", 3, "v", "plugged", 49.0)
    put(con, "raw_charging", "old", 4, "v", "charge_started", 50.25)
    put(con, "raw_charging", "old", 5, "w", "plugged", 50.25)
    put(con, "raw_charging", "old", 6, "v", "plugged", 50.75)
    assert reported(con) == [(-180, 43_200 + 180)]
    con.execute("DELETE FROM raw_charging WHERE line > 1")
    put(con, "raw_charging", "old", 2, "v", "plugged", 50.5 - SILENCE)
    assert reported(con) == [(43_200 - 180, 43_200 + 180)]
    put(con, "raw_charging", "old", 3, "v", "plugged", 50.5 - SILENCE + 0.5)
    assert reported(con) == [(-13 * 86_400 - 180, 43_200 + 180)]
    put(con, "raw_charging", "new", 7, "v", "plugged", 50.0)
    assert reported(con) == [(-180, 180), (-180, 43_200 + 180)]


def test_spans_within_a_day_are_one(con: Connection) -> None:
    """Joined where they lie within a day, however they overlap, an hour wider on both sides.

    Nulls say nothing.
    """
    assert con is not None

    def joined(*spans: tuple[float, float]) -> list[tuple[float, float]]:
        frame = pl.DataFrame(
            {"from_utc": [day(a) for a, _ in spans], "to_utc": [day(b) for _, b in spans]}
        )
        hour = timedelta(hours=1)
        return [
            ((a + hour - MIDNIGHT) / timedelta(days=1), (b - hour - MIDNIGHT) / timedelta(days=1))  # type: ignore[operator]
            for a, b in attempt_rebuild.merged(frame)
        ]

    assert joined((0, 1), (2, 3)) == [(0, 3)]
    assert joined((0, 1), (2.001, 3)) == [(0, 1), (2.001, 3)]
    assert joined((5, 6), (0, 1)) == [(0, 1), (5, 6)]
    assert joined((0, 9), (1, 2), (9.5, 10)) == [(0, 10)]
    empty = pl.DataFrame({"from_utc": [day(0), None], "to_utc": [None, day(1)]})
    assert attempt_rebuild.merged(empty) == []
