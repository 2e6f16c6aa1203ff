"""Which era a time is of, and what it truly was: worked by hand in seconds."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest

from pipeline.core.constants import DAY_S
from pipeline.normalise.clocks import correct, own_record
from pipeline.normalise.clocks.eras import LEAST_ERROR_S, UNKNOWN_ERROR_S, Clock
from pipeline.settings.clocks import ClockSettings
from tests.normalise.rows import frame, seconds_of

LINE = (
    "station_id", "era", "segment_from_utc", "segment_to_utc", "receiver_from_utc", "era_from_utc", "era_to_utc", "offset_s",
    "drift_s_per_day", "clock_error_s", "anchors",
)  # fmt: skip
CLOCKS = ClockSettings()
HELD_S = CLOCKS.holds_days * DAY_S


def clock_of(told: pl.DataFrame, fixed: pl.DataFrame) -> Clock:
    """A clock read by the usual settings."""
    return Clock(told, fixed, CLOCKS)


def lines(*told: dict[str, Any]) -> pl.DataFrame:
    """Segments of a station's clock."""
    usual = {"station_id": "st1", "drift_s_per_day": 0.0, "clock_error_s": 3.0, "anchors": 2.0}
    return frame(list(told), *LINE, **usual)


ONE = {"era": 1, "segment_from_utc": 0, "era_from_utc": 0, "era_to_utc": 1000, "offset_s": 10.0}
TWO = {
    "era": 2,
    "segment_from_utc": 900,
    "era_from_utc": 1000,
    "era_to_utc": None,
    "offset_s": -500.0,
    "clock_error_s": 5.0,
}
"""Until 1000 the clock is 10 s behind; then it is set 500 s ahead."""


def rows(*told: tuple[float | None, float], **usual: Any) -> pl.DataFrame:
    """Rows (station's time, receiver's time)."""
    listed = [
        {"station_at_utc": s, "receiver_at_utc": r, "line": k} for k, (s, r) in enumerate(told)
    ]
    return frame(
        listed,
        "station_at_utc",
        "receiver_at_utc",
        "line",
        "file_id",
        **({"station_id": "st1", "file_id": "f"} | usual),
    )


def test_an_era_covers_its_span_in_the_stations_own_time() -> None:
    """Its bounds less the offset.

    The first holds a fortnight before, the last a fortnight beyond its last knot.
    """
    more = ONE | {"segment_from_utc": 500, "offset_s": 12.0}
    found = correct.spans(lines(TWO, more, ONE), CLOCKS).sort("era")
    assert seconds_of(found["own_from"]) == [0 - 10 - HELD_S, 1000 + 500]
    assert seconds_of(found["own_to"]) == [1000 - 12, 900 + HELD_S]
    assert found["lowest"].to_list() == [10.0, -500.0]
    assert seconds_of(found["last_knot"]) == [500, 900]


def eras(*told: tuple[float | None, float], clock: pl.DataFrame | None = None) -> list[int | None]:
    """The era of each row by its arrival."""
    return correct.by_arrival(rows(*told), lines(ONE, TWO) if clock is None else clock, CLOCKS)[
        "era"
    ].to_list()


def test_a_frame_is_of_the_latest_era_that_holds_it() -> None:
    """Live frames of the era they arrive in; queued ones of the era before; none after its arrival.

    No clock, no era.
    """
    assert eras((90, 100.5)) == [1]
    assert eras((1600, 1100.5)) == [2]
    assert eras((490, 1100.5)) == [1]
    assert eras((1600, 981)) == [2]
    assert eras((1489.0, 979.0)) == [1]
    assert eras((None, 1100)) == [2]
    assert correct.by_arrival(rows((0, 0), station_id="st9"), lines(ONE, TWO), CLOCKS)[
        "era"
    ].to_list() == [None]
    assert eras((90, 5000), clock=lines(ONE)) == [1]


def test_a_queue_reaches_back_over_four_eras() -> None:
    """Of six eras each a hundred seconds ahead of the one before, a frame of the first is not
    looked for from the sixth.
    """
    starts = [
        {"era": k, "segment_from_utc": 1000 * k, "era_from_utc": 1000 * k, "offset_s": 0.0}
        for k in range(1, 7)
    ]
    many = lines(
        *(
            row | {"era_to_utc": 1000 * (row["era"] + 1) if row["era"] < 6 else None}
            for row in starts
        )
    )
    assert eras((3500, 6500), (2500, 6500), (6400, 6500), clock=many) == [3, 3, 6]


def test_a_time_lies_outside_by_how_far_it_is_from_its_era() -> None:
    """Nought inside, its bounds included; seconds before or after else."""
    told = frame(
        [{"station_at_utc": t, "own_from": None, "own_to": None} for t in (90, 100, 150, 200, 230)]
    )
    bounded = told.with_columns(
        own_from=pl.lit(told["station_at_utc"][1]), own_to=pl.lit(told["station_at_utc"][3])
    )
    assert correct.outside(bounded)["outside_s"].to_list() == [10.0, 0.0, 0.0, 0.0, 30.0]


def applied(
    *told: tuple[float, int | None], clock: pl.DataFrame | None = None
) -> list[tuple[float | None, float | None]]:
    """(true time, stated error) of rows (station's time, era)."""
    listed = [{"station_at_utc": t, "era": era, "station_id": "st1"} for t, era in told]
    made = correct.apply(frame(listed), lines(ONE, TWO) if clock is None else clock)
    return list(zip(seconds_of(made["at_utc"]), made["clock_error_s"], strict=True))


def test_times_move_along_their_eras_lines() -> None:
    """Offset and drift of the segment they lie in; before the first knot its offset without drift.

    Rows keep their order.
    """
    assert applied((990, 2), (90, 1), (50, None)) == [(490, 5.0), (100, 3.0), (None, None)]
    drifting = lines(
        ONE | {"drift_s_per_day": 86.4},
        ONE
        | {
            "segment_from_utc": 100,
            "offset_s": 10.1,
            "drift_s_per_day": -86.4,
            "clock_error_s": 4.0,
        },
    )
    found = applied((50, 1), (100, 1), (300, 1), (-1000, 1), clock=drifting)
    assert [t for t, _ in found] == [
        pytest.approx(60.05),
        pytest.approx(110.1),
        pytest.approx(309.9),
        pytest.approx(-990.0),
    ]
    assert [e for _, e in found] == [3.0, 4.0, 4.0, 3.0]


def test_the_receivers_time_bounds_a_frame() -> None:
    """Nothing arrives before it was sent.

    Without a time of its own it has the receiver's, with the least error.
    """
    clock = clock_of(lines(ONE), frame([{"era": 1, "station_at_utc": 0}], station_id="st1"))
    made = correct.frames(rows((90, 100.5), (95, 101.0), (None, 102.0)), clock)
    assert seconds_of(made["at_utc"]) == [100, 101.0, 102.0]
    assert made["clock_error_s"].to_list() == [3.0, 3.0, LEAST_ERROR_S]
    assert "era" not in made.columns
    unknown = correct.frames(rows((90, 100.5), station_id="st9"), clock)
    assert seconds_of(unknown["at_utc"]) == [100.5]
    assert unknown["clock_error_s"].to_list() == [LEAST_ERROR_S]


def ordered(
    *told: float, fixed: tuple[tuple[float, int], ...] = (), clock: pl.DataFrame | None = None
) -> list[tuple[int | None, bool]]:
    """(era, whether it is doubtful) of a file's rows by the station's time."""
    seen = frame(
        [{"station_at_utc": t, "era": era} for t, era in fixed],
        "station_at_utc",
        "era",
        station_id="st1",
    )
    made = own_record.by_order(
        rows(*((t, 0.0) for t in told)),
        clock_of(lines(ONE, BACK) if clock is None else clock, seen),
    )
    return list(zip(made["era"], made["era_doubt"], strict=True))


BACK = {
    "era": 2,
    "segment_from_utc": 500,
    "era_from_utc": 1000,
    "era_to_utc": None,
    "offset_s": 510.0,
}
"""At 1000 the clock is put back by 500 s: times from 490 to 990 come twice."""


def test_a_time_that_fits_one_era_is_of_it() -> None:
    """And one further than a day from every era is of none."""
    assert ordered(300) == [(1, False)]
    assert ordered(5000) == [(2, False)]
    assert ordered(500 + HELD_S + DAY_S) == [(2, False)]
    assert ordered(500 + HELD_S + DAY_S + 1) == [(None, False)]


def test_a_time_that_comes_twice_is_told_by_frames_or_by_the_order_of_writing() -> None:
    """A frame within a minute in one era only tells; else the rows it is written between.

    Else the later, in doubt.
    """
    assert ordered(600, fixed=((660, 1),)) == [(1, False)]
    assert ordered(600, fixed=((540, 2),)) == [(2, False)]
    assert ordered(600, fixed=((661, 1),)) == [(2, True)]
    assert ordered(600, fixed=((610, 1), (590, 2))) == [(2, True)]
    assert ordered(300, 600, 400) == [(1, False), (1, False), (1, False)]
    assert ordered(1500, 600) == [(2, False), (2, False)]
    assert ordered(300, 600, 1500) == [(1, False), (2, True), (2, False)]
    assert ordered(600) == [(2, True)]


def test_rows_of_other_files_tell_nothing_of_the_order() -> None:
    """Each file has an order of its own."""
    two = pl.concat([rows((300, 0.0), (400, 0.0)), rows((600, 0.0), file_id="g")])
    made = own_record.by_order(
        two, clock_of(lines(ONE, BACK), frame([], "station_at_utc", "era", "station_id"))
    )
    assert made["era_doubt"].to_list() == [False, False, True]


def lost(
    *told: tuple[float | None, float], boots: tuple[float, ...] = ()
) -> list[tuple[float | None, float | None]]:
    """(true time, error) of rows (true time or None, station's time) once placed between their
    neighbours.
    """
    listed = [
        {"at_utc": at, "station_at_utc": s, "clock_error_s": None if at is None else 3.0, "line": k}
        for k, (at, s) in enumerate(told)
    ]
    timed = frame(listed, station_id="st1", file_id="f").with_columns(known=pl.lit(value=True))
    made = own_record.between(
        timed, frame([{"boot_utc": t} for t in boots], "boot_utc", station_id="st1")
    )
    return list(zip(seconds_of(made["at_utc"]), made["clock_error_s"], strict=True))


def test_rows_of_a_clock_nobody_heard_lie_before_the_restart_between_their_neighbours() -> None:
    """They end at the only restart there, with an error of twice their length and two minutes.

    In order, at their distances.
    """
    placed = lost((100, 0), (None, 7000), (None, 7030), (900, 0), boots=(500, 2000))
    assert placed == [(100, 3.0), (470, 2 * 30 + 120.0), (500, 180.0), (900, 3.0)]
    assert lost((100, 0), (None, 7000), (900, 0), boots=(100,))[1] == (100, 120.0)
    assert lost((100, 0), (None, 7000), (900, 0), boots=(900,))[1] == (900, 120.0)


def test_without_a_restart_they_lie_before_the_next_with_an_error_as_wide_as_the_gap() -> None:
    """The room between the neighbours less their own length.

    Of several restarts the first, as unsure.
    """
    assert lost((100, 0), (None, 7000), (None, 7030), (900, 0))[1:3] == [(870, 772.0), (900, 772.0)]
    assert lost((100, 0), (None, 7000), (900, 0), boots=(300, 600))[1] == (300, 802.0)
    assert lost((100, 0), (None, 7000), (105, 0))[1] == (105, 7.0)


def test_at_the_ends_of_a_file_they_follow_their_only_neighbour() -> None:
    """After the last known row, at their own distances; before the first, up to it.

    The error says that nothing is known.
    """
    assert lost((100, 0), (None, 7000), (None, 7030))[1:] == [
        (100, UNKNOWN_ERROR_S),
        (130, UNKNOWN_ERROR_S),
    ]
    assert lost((None, 7000), (None, 7030), (900, 0))[:2] == [
        (870, UNKNOWN_ERROR_S),
        (900, UNKNOWN_ERROR_S),
    ]


def test_each_gap_has_its_own_place() -> None:
    """Two chunks of lost rows are placed apart."""
    placed = lost((100, 0), (None, 50), (200, 0), (None, 60), (300, 0))
    assert [t for t, _ in placed] == [100, 200, 200, 300, 300]


def test_a_pilot_record_without_any_clock_keeps_its_own_time() -> None:
    """With the error that says so; where the era is doubtful the error says it too."""
    booted = frame([], "boot_utc", "station_id")
    none = own_record.pilot(
        rows((50, 0.0)),
        clock_of(lines(ONE).clear(), frame([], "station_at_utc", "era", "station_id")),
        booted,
    )
    assert (seconds_of(none["at_utc"]), none["clock_error_s"].to_list()) == (
        [50],
        [UNKNOWN_ERROR_S],
    )
    twice = own_record.pilot(
        rows((600, 0.0), (5000, 0.0)),
        clock_of(lines(ONE, BACK), frame([], "station_at_utc", "era", "station_id")),
        booted,
    )
    assert seconds_of(twice["at_utc"]) == [1110, 5510]
    assert twice["clock_error_s"].to_list() == [UNKNOWN_ERROR_S, 3.0]
    far = 500 + HELD_S + 2 * DAY_S
    mixed = own_record.pilot(
        rows((300, 0.0), (far, 0.0)),
        clock_of(lines(ONE, BACK), frame([], "station_at_utc", "era", "station_id")),
        booted,
    )
    assert seconds_of(mixed["at_utc"]) == [310, 310]
