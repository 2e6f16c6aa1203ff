"""Clocks step by step, with seconds worked by hand.

R is the receiver's time, s the station's, and r - s is offset + delay.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from pipeline.core.constants import DAY_S
from pipeline.normalise.clocks.eras import LEAST_ERROR_S, bounds, eras, fit, knots
from pipeline.normalise.clocks.observed import boots, live, observations, sent_again, shift
from pipeline.settings.clocks import ClockSettings
from tests.normalise.rows import frame, seconds_of
from tests.normalise.world import at

HOUR = 3600.0
CLOCKS = ClockSettings()


def seen(*pairs: tuple[float, float], station: str = "st1") -> pl.DataFrame:
    """Observations (r, late): received at r, by the station's clock sent `late` before."""
    rows = [{"receiver_at_utc": r, "station_at_utc": r - late, "late_s": late} for r, late in pairs]
    return frame(rows, station_id=station)


def booted(*times: float) -> pl.DataFrame:
    """Restarts the receiver heard of."""
    return frame([{"boot_utc": t} for t in times], "boot_utc", station_id="st1")


def test_only_calls_of_the_station_with_its_time_tell_of_its_clock() -> None:
    """Results and our own calls carry other clocks; rows stand in order of arrival.

    Late is r - s, negative if it runs ahead.
    """
    usual = {"station_id": "st1", "direction": "in", "message_type": 2, "file_id": "f", "line": 1}
    rows = [
        {"receiver_at_utc": 50, "station_at_utc": 40},
        {"receiver_at_utc": 10, "station_at_utc": 12.5},
        {"receiver_at_utc": 20, "station_at_utc": 20, "direction": "out"},
        {"receiver_at_utc": 30, "station_at_utc": 30, "message_type": 3},
        {"receiver_at_utc": 40},
    ]
    assert observations(frame(rows, **usual))["late_s"].to_list() == [-2.5, 10.0]


def test_a_restart_is_told_by_the_station() -> None:
    """BootNotification from the station, at the receiver's time, in order; its answer is none."""
    rows = [
        {"receiver_at_utc": 50, "action": "BootNotification"},
        {"receiver_at_utc": 10, "action": "BootNotification"},
        {"receiver_at_utc": 11, "action": "BootNotification", "direction": "out"},
        {"receiver_at_utc": 12, "action": "Heartbeat"},
    ]
    assert seconds_of(boots(frame(rows, station_id="st1", direction="in"))["boot_utc"]) == [10, 50]


@pytest.mark.parametrize(
    ("lates", "again"),
    [
        ([0, 40, 0], [None, True, None]),
        ([0, 40, 5], [None, True, None]),
        ([0, 40, 5.5], [None, False, None]),
        ([0, 5, 0], [None, True, None]),
        ([0, 4.9, 0], [None, False, None]),
        ([0, 120, 0], [None, True, None]),
        ([0, 121, 0], [None, False, None]),
        ([40, 0, 40], [None, False, None]),
        ([3, 10, 0], [None, True, None]),
    ],
)
def test_a_message_sent_again_is_late_between_two_that_agree(
    lates: list[float], again: list[bool | None]
) -> None:
    """5 to 120 s above both neighbours, which lie within 5 s of each other.

    A time-out's repeat, not a jump of the clock.
    """
    rows = frame(
        [{"run": k, "late_s": float(late)} for k, late in enumerate(lates)], station_id="st1"
    )
    found = sent_again(rows, CLOCKS)["again"].to_list()
    assert found[1] == again[1]
    assert not found[0]
    assert not found[2]


def kept(*pairs: tuple[float, float]) -> list[float]:
    """Arrivals of the observations that fix the offset."""
    return seconds_of(live(seen(*pairs), CLOCKS)["receiver_at_utc"])  # type: ignore[return-value]


def test_what_moves_in_parallel_with_the_receiver_is_live_and_a_queue_is_not() -> None:
    """Frames five seconds apart with one offset are live.

    A bunch sent at once with old times fixes nothing.
    """
    live_ = [(0, 0.2), (100, 0.3), (200, 0.2)]
    queue = [(300, 5000.0), (300.1, 4000.0), (300.2, 3000.0)]
    assert kept(*live_, *queue, (400, 0.2), (500, 0.2)) == [0, 100, 200, 400, 500]


def test_a_run_must_be_five_seconds_long() -> None:
    """Two frames 4.9 s apart are no proof of being live.

    With no live run within three days they count all the same.
    """
    base = [(0, 0.0), (100, 0.0)]
    assert kept(*base, (1000, 500.0), (1004.9, 500.0), (2000, 0.0), (2010, 0.0)) == [
        0,
        100,
        2000,
        2010,
    ]
    assert kept(*base, (1000, 500.0), (1005.0, 500.0), (2000, 0.0), (2010, 0.0)) == [
        0,
        100,
        1000,
        1005,
        2000,
        2010,
    ]
    far = 3 * DAY_S + 200
    assert kept(*base, (far, 500.0)) == [0, 100, far]
    assert kept(*base, (far - 150, 500.0)) == [0, 100]
    assert kept((0, 500.0), (3 * DAY_S - 50, 0.0), (3 * DAY_S, 0.0)) == [3 * DAY_S - 50, 3 * DAY_S]


def test_a_lone_frame_well_below_the_floor_is_a_clock_put_back() -> None:
    """A delay is never negative.

    20 s less than all known is another offset, less is a delay's spread.
    """
    base = [(0, 10.0), (100, 10.0)]
    after = [(1000, 10.0), (1100, 10.0)]
    assert kept(*base, (500, -10.1), *after) == [0, 100, 500, 1000, 1100]
    assert kept(*base, (500, -9.9), *after) == [0, 100, 1000, 1100]


def test_a_drift_of_a_thousandth_is_no_break() -> None:
    """A clock that gains 8 s in an hour stays one run.

    At once it breaks (a run of one frame is no proof).
    """
    slow = [(0, 0.0), (HOUR, 8.0), (2 * HOUR, 16.0)]
    assert kept(*slow) == [0, HOUR, 2 * HOUR]
    assert kept((0, 0.0), (10, 0.0), (12, 8.0), (20, 0.0), (30, 0.0)) == [0, 10, 20, 30]


def test_a_clock_never_set_counts_but_is_marked() -> None:
    """Ninety days off is no queue: 1970 after a restart."""
    found = live(seen((0, 0.0), (100, 0.0), (200, 91 * DAY_S), (300, 0.0), (400, 0.0)), CLOCKS)
    assert found["implausible"].to_list() == [False, False, True, False, False]
    assert (
        live(seen((0, 0.0), (100, 0.0), (200, 89 * DAY_S), (300, 0.0), (400, 0.0)), CLOCKS)[
            "implausible"
        ].any()
        is False
    )


def numbers(*pairs: tuple[float, float], implausible: tuple[int, ...] = ()) -> list[int]:
    """Eras of observations."""
    marked = (
        seen(*pairs)
        .with_row_index("n")
        .with_columns(implausible=pl.col("n").is_in(list(implausible)))
    )
    return eras(marked, CLOCKS)["era"].to_list()


def test_an_era_ends_with_a_jump_or_a_fortnights_silence() -> None:
    """Beyond 20 s and a thousandth of the time between; drift alone is none.

    After 14 days nothing is carried on.
    """
    assert numbers((0, 0.0), (10, 20.0)) == [1, 1]
    assert numbers((0, 0.0), (10, 20.1)) == [1, 2]
    assert numbers((0, 0.0), (10_000, 29.0)) == [1, 1]
    assert numbers((0, 0.0), (10_000, 31.0)) == [1, 2]
    assert numbers((0, 0.0), (10, -25.0), (20, -25.0), (30, 0.0)) == [1, 2, 2, 3]
    assert numbers((0, 0.0), (14 * DAY_S, 0.0)) == [1, 1]
    assert numbers((0, 0.0), (14 * DAY_S + 1, 0.0)) == [1, 2]


def test_a_bunch_of_a_clock_never_set_is_one_era() -> None:
    """Sent within seconds of each other, times of 1970 apart by hours are the queue of one restart."""
    apart = [(0, 300 * DAY_S), (1, 300 * DAY_S - 4000), (3, 300 * DAY_S - 8000)]
    assert numbers(*apart, implausible=(0, 1, 2)) == [1, 1, 1]
    assert numbers(*apart, implausible=(0,)) == [1, 2, 3]
    assert numbers((0, 300 * DAY_S), (5, 300 * DAY_S - 4000), implausible=(0, 1)) == [1, 2]


def test_a_knot_is_the_least_delay_of_two_hours() -> None:
    """The offset is the least r - s, its spread the upper quartile above it.

    The stamp is that of the least, the span all.
    """
    pairs = [(0, 103.0), (10, 101.0), (20, 102.0), (30, 109.0), (2 * HOUR, 105.0)]
    found = knots(seen(*pairs).with_columns(era=pl.lit(1), implausible=pl.lit(value=False)), CLOCKS)
    assert found["offset_s"].to_list() == [101.0, 105.0]
    assert found["spread_s"].to_list() == [2.0, 0.0]
    assert seconds_of(found["station_at_utc"]) == [10 - 101.0, 2 * HOUR - 105.0]
    assert seconds_of(found["receiver_from_utc"]) == [0, 2 * HOUR]
    assert seconds_of(found["receiver_last_utc"]) == [30, 2 * HOUR]
    assert found["anchors"].to_list() == [4, 1]
    assert found["ahead_s"].to_list() == [0.0, 0.0]


def test_a_clock_within_the_least_error_is_right() -> None:
    """Two seconds off is the network's delay.

    What runs ahead by less widens the stated error instead of moving times.
    """
    bins = [(0, 2.0), (2 * HOUR, -1.5), (4 * HOUR, 2.1), (6 * HOUR, -2.1)]
    found = knots(
        seen(*bins).with_columns(era=pl.lit(1), implausible=pl.lit(value=False)), CLOCKS
    ).sort("receiver_from_utc")
    assert found["offset_s"].to_list() == [0.0, 0.0, 2.1, -2.1]
    assert found["ahead_s"].to_list() == [0.0, 1.5, 0.0, 0.0]


def test_between_knots_the_offset_runs_straight() -> None:
    """Ten seconds in half a day are a drift of 20 s a day.

    Half the step is unsure on both its sides; the last knot is level.
    """
    day = 12 * HOUR
    clock = fit(
        seen(
            (0, 100.0),
            (10, 100.0),
            (day, 110.0),
            (day + 10, 110.0),
            (2 * day, 112.0),
            (2 * day + 10, 112.0),
        ),
        booted(),
        CLOCKS,
    )
    lines = clock.lines
    assert lines["offset_s"].to_list() == [100.0, 110.0, 112.0]
    span = (day - 10.0) / DAY_S
    assert lines["drift_s_per_day"].to_list() == pytest.approx(
        [10.0 / span, 2.0 / ((day - 2.0) / DAY_S), 0.0], rel=1e-6
    )
    assert lines["clock_error_s"].to_list() == pytest.approx(
        [LEAST_ERROR_S + 5.0, LEAST_ERROR_S + 5.0, LEAST_ERROR_S + 1.0]
    )
    assert lines["segment_to_utc"].to_list() == [*lines["segment_from_utc"].to_list()[1:], None]
    assert lines["anchors"].to_list() == [2, 2, 2]
    assert lines["era"].to_list() == [1, 1, 1]
    assert fit(seen((0, 100.0), (10, 100.0)), booted(), CLOCKS).lines[
        "clock_error_s"
    ].to_list() == [LEAST_ERROR_S]
    assert clock.fixed.columns == ["station_id", "era", "station_at_utc"]
    assert clock.fixed.height == 6


def test_a_step_between_knots_is_unsure_to_twenty_seconds_at_most() -> None:
    """A drift of minutes within an era leaves a stated error of seconds, not of minutes."""
    day = 5 * DAY_S
    lines = fit(seen((0, 0.0), (10, 0.0), (day, 300.0), (day + 10, 300.0)), booted(), CLOCKS).lines
    assert lines["clock_error_s"].to_list() == [LEAST_ERROR_S + 20.0, LEAST_ERROR_S + 20.0]


def three_eras(*, implausible: bool = False) -> pl.DataFrame:
    """Knots of three eras, the middle one perhaps of a clock never set."""
    rows = [
        {"era": 1, "receiver_from_utc": 0, "receiver_last_utc": 100},
        {"era": 2, "receiver_from_utc": 500, "receiver_last_utc": 502, "implausible": implausible},
        {"era": 2, "receiver_from_utc": 502, "receiver_last_utc": 504, "implausible": implausible},
        {"era": 3, "receiver_from_utc": 900, "receiver_last_utc": 1000},
    ]
    return frame(rows, station_id="st1", implausible=False)


def test_an_era_begins_at_the_restart_before_it() -> None:
    """Of several restarts in the gap the last, the first for a clock never set.

    Without one, when the last era was seen last.
    """

    def begun(lines: pl.DataFrame, *boot: float) -> list[float | None]:
        return seconds_of(bounds(lines, booted(*boot), CLOCKS)["era_from_utc"])

    assert begun(three_eras()) == [0, 100, 100, 504]
    assert begun(three_eras(), 200, 300, 700) == [0, 300, 300, 700]
    assert begun(three_eras(implausible=True), 200, 300, 700) == [0, 200, 200, 700]
    assert begun(three_eras(), 100, 500) == [0, 500, 500, 504]
    assert begun(three_eras(), 99, 501) == [0, 100, 100, 504]
    ends = bounds(three_eras(), booted(200), CLOCKS)["era_to_utc"]
    assert seconds_of(ends) == [200, 504, 504, None]


def test_a_clock_never_set_heard_only_in_a_bunch_may_be_off_by_the_silence_before() -> None:
    """400 s without a word before, all within five seconds: up to 400 s.

    Heard over a longer time it is known.
    """
    assert bounds(three_eras(implausible=True), booted(), CLOCKS)["unset_s"].to_list() == [
        0.0,
        400.0,
        400.0,
        0.0,
    ]
    assert bounds(three_eras(), booted(), CLOCKS)["unset_s"].to_list() == [0.0, 0.0, 0.0, 0.0]
    longer = three_eras(implausible=True).with_columns(
        receiver_last_utc=pl.col("receiver_last_utc") + timedelta(seconds=1)
    )
    assert bounds(longer, booted(), CLOCKS)["unset_s"].to_list() == [0.0, 0.0, 0.0, 0.0]


def test_a_time_moves_by_seconds_to_the_microsecond() -> None:
    """Shifts are rounded to whole microseconds, in either direction."""
    rows = pl.DataFrame({"t": [datetime(2026, 3, 2, tzinfo=UTC)] * 2, "by": [1.0000006, -0.5]})
    moved = rows.select(shift(pl.col("t"), pl.col("by"))).to_series().to_list()
    assert moved == [
        datetime(2026, 3, 2, 0, 0, 1, 1, tzinfo=UTC),
        datetime(2026, 3, 1, 23, 59, 59, 500_000, tzinfo=UTC),
    ]
    assert at(0).tzinfo is UTC
