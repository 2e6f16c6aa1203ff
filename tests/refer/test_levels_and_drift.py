"""Usual levels leave the vehicle out; the drift test finds leaks and spares the sound."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.circuit.pilot import LOAD_OHM, low_v
from pipeline.core.weeks import LookBack
from pipeline.refer.suspects.drift import drift_table, spread, weekly
from pipeline.refer.suspects.levels import (
    _noise,
    against_usual,
    others_median,
    readings,
    without_evse_failures,
)
from pipeline.refer.suspects.recent import Window, recent, without_mended
from pipeline.settings.refer import ReferSettings

SETTINGS = ReferSettings()
TODAY = (Window(SETTINGS.level_recent_days), Window(SETTINGS.level_creeping_days))
NONE = pl.Series("vehicle_id", [], dtype=pl.String)
LOOK_BACK = LookBack.of("2026-W14", 12)
VEHICLES, EVSES, WEEKS = 40, 6, 12


def fleet(
    seed: int,
    leaks: dict[int, np.ndarray] | None = None,
    sag: dict[tuple[int, int], float] | None = None,
) -> pl.DataFrame:
    """Readings (as `levels.readings` gives them) of a fleet: each vehicle at three EVSEs a week, in
    B2.

    `leaks`: vehicle number → its diode's leak in ohm by week; `sag`: (EVSE, week) → rise of
    everybody's negative level in V.
    """
    rng = np.random.default_rng(seed)
    generator, r1 = (
        12 * (1 + rng.uniform(-0.05, 0.05, EVSES)),
        1000 * (1 + rng.uniform(-0.03, 0.03, EVSES)),
    )
    offset = rng.normal(0, 0.08, EVSES)
    vehicle, week, visit = (
        a.ravel()
        for a in np.meshgrid(np.arange(VEHICLES), np.arange(WEEKS), np.arange(3), indexing="ij")
    )
    evse = rng.integers(0, EVSES, vehicle.size)
    leak = np.full(vehicle.size, 50e6)
    for number, by_week in (leaks or {}).items():
        leak = np.where(vehicle == number, by_week[week], leak)
    level = (
        -generator[evse] / (1 + r1[evse] / (LOAD_OHM["B"] + leak))
        + offset[evse]
        + rng.normal(0, 0.03, vehicle.size)
    )
    for (box, when), rise in (sag or {}).items():
        level = np.where((evse == box) & (week == when), level + rise, level)
    at = [
        LOOK_BACK.from_utc + timedelta(weeks=int(w), days=2 * int(v), hours=int(c % 24))
        for w, v, c in zip(week, visit, vehicle, strict=True)
    ]
    ids = [f"V{v:02d}" for v in vehicle]
    return pl.DataFrame(
        {
            "attempt_id": [f"A{i}" for i in range(vehicle.size)], "who": ids, "vehicle_id": ids,
            "evse_id": [f"E{e}" for e in evse], "at": at, "state": "B2", "low_v": level, "high_v": 9.0,
        },
        schema_overrides={"at": pl.Datetime("us", "UTC")},
    ).with_columns(week_utc=pl.col("at").dt.truncate("1w"))  # fmt: skip


@given(st.lists(st.floats(-13, -1, allow_nan=False), min_size=1, max_size=9))
def test_median_without_the_own_value(values: list[float]) -> None:
    """Law: the median without a row's own value is what numpy gives for the others.

    Alone there is none.
    """
    frame = pl.DataFrame({"g": ["x"] * len(values), "v": values})
    got = others_median(frame, ["g"], "v")["others"].to_list()
    for i, value in enumerate(got):
        rest = values[:i] + values[i + 1 :]
        assert value == (pytest.approx(float(np.median(rest))) if rest else None)


def test_a_lone_odd_vehicle_does_not_shift_its_own_measure() -> None:
    """A shorted diode reads 3.2 V above the level the other vehicles set, at every EVSE (derived)."""
    rows = against_usual(fleet(1, leaks={0: np.zeros(WEEKS)}), SETTINGS).filter(
        pl.col("vehicle_id") == "V00"
    )
    above = (rows["low_v"] - rows["usual_v"]).to_numpy()
    assert np.median(above) == pytest.approx(12 + low_v(LOAD_OHM["B"]), abs=0.2)
    assert set(rows["usual_from"]) == {"same_week"}


def test_few_others_fall_back_on_the_look_back_then_on_the_standard() -> None:
    """Two other vehicles in a week are too few.

    Without others in the look-back only -12 V +-5 % is left.
    """
    rows = fleet(2)
    thin = rows.filter(
        pl.col("vehicle_id").is_in(["V00", "V01", "V02"])
        | (pl.col("week_utc") == pl.col("week_utc").min())
    )
    later = against_usual(thin, SETTINGS).filter(pl.col("week_utc") > pl.col("week_utc").min())
    assert set(later["usual_from"]) == {"look_back"}
    alone = against_usual(rows.filter(pl.col("vehicle_id") == "V00"), SETTINGS)
    assert set(alone["usual_from"]) == {"nominal"}
    assert set(alone["usual_v"]) == {-12.0}
    assert alone["usual_se_v"].min() > 0.3


def test_a_sagging_generator_is_left_out() -> None:
    """A week in which all vehicles read high at an EVSE says nothing of vehicles.

    None of its readings stays.
    """
    rows = against_usual(fleet(3, sag={(2, 11): 1.5}), SETTINGS)
    last = LOOK_BACK.from_utc + timedelta(weeks=11)
    assert rows.filter((pl.col("evse_id") == "E2") & (pl.col("week_utc") == last)).is_empty()
    assert not rows.filter((pl.col("evse_id") == "E2") & (pl.col("week_utc") < last)).is_empty()


def test_recent_readings_start_after_the_onset() -> None:
    """Only what lies in the last days, and after a repair or onset, speaks of today."""
    rows = against_usual(fleet(4), SETTINGS)
    since = pl.DataFrame(
        {"vehicle_id": ["V00"], "since_utc": [LOOK_BACK.to_utc - timedelta(days=3)]}
    ).with_columns(pl.col("since_utc").dt.cast_time_unit("us"))
    assert recent(rows.filter(pl.col("vehicle_id") == "V00"), since, NONE, *TODAY).height <= 2
    assert recent(rows, since, NONE, *TODAY)["vehicle_id"].n_unique() == VEHICLES


CREEP = 10 ** np.linspace(6.2, 3.9, WEEKS)
"""A leak that grows from 1.6 Mohm to 8 kohm in twelve weeks: still above what a check at -9.5 V would refuse."""


def test_drift_finds_leaks_and_spares_the_sound() -> None:
    """Over 12 fleets.

    Every creeping leak is rising, an abrupt short is not, and healthy vehicles are flagged in under 2
    %.
    """
    caught, jumped, false, sound = 0, 0, 0, 0
    for seed in range(12):
        short = np.where(np.arange(WEEKS) < 6, 50e6, 0.0)
        table = drift_table(
            against_usual(fleet(seed, leaks={0: CREEP, 1: short}), SETTINGS), LOOK_BACK, SETTINGS
        )
        found = dict(table.select("vehicle_id", "category").iter_rows())
        caught += found["V00"] == "rising"
        jumped += found["V01"] == "jumped"
        others = [category for vehicle, category in found.items() if vehicle not in {"V00", "V01"}]
        false, sound = false + sum(c != "steady" for c in others), sound + len(others)
    assert (caught, jumped) == (12, 12)
    assert false <= 0.02 * sound


def test_drift_says_when_the_level_left_the_band() -> None:
    """The onset lies within two weeks of when the true rise passed 60 mV (leak near 200 kohm)."""
    table = drift_table(against_usual(fleet(5, leaks={0: CREEP}), SETTINGS), LOOK_BACK, SETTINGS)
    since = table.filter(pl.col("vehicle_id") == "V00")["drift_since_utc"][0]
    true_week = int((SETTINGS.drift_least_v > 12 * 1000 / (1000 + CREEP)).sum())
    assert abs(since - (LOOK_BACK.from_utc + timedelta(weeks=true_week))) <= timedelta(weeks=2)


def test_no_trend_without_three_weeks() -> None:
    """Two weeks of readings make no trend: no row, rather than a guess."""
    rows = fleet(6).filter(pl.col("at") >= LOOK_BACK.to_utc - timedelta(weeks=2))
    assert drift_table(against_usual(rows, SETTINGS), LOOK_BACK, SETTINGS).is_empty()


def test_fit_is_generalised_least_squares() -> None:
    """Level now and slope of one vehicle equal numpy's weighted least squares on its weekly means
    (other software).
    """
    levels = against_usual(fleet(7, leaks={0: CREEP}), SETTINGS)
    mine = weekly(levels).filter(pl.col("vehicle_id") == "V00")
    x = np.array(
        [
            (w + timedelta(days=3.5) - LOOK_BACK.to_utc) / timedelta(weeks=1)
            for w in mine["week_utc"]
        ]
    )
    slope, level = np.polyfit(
        x, mine["above_v"].to_numpy(), 1, w=np.sqrt(mine["precision"].to_numpy())
    )
    row = (
        drift_table(levels, LOOK_BACK, SETTINGS)
        .filter(pl.col("vehicle_id") == "V00")
        .row(0, named=True)
    )
    assert (row["above_v"], row["slope_v_per_week"]) == pytest.approx((level, slope))


def test_spread_ignores_odd_units() -> None:
    """Tau of 200 units, 20 of them far off, comes out near the sound ones' 0.5 (estimates with unit
    variance 0.04).
    """
    rng = np.random.default_rng(8)
    estimate = rng.normal(0, np.hypot(0.5, 0.2), 200)
    assert spread(estimate, np.full(200, 0.04)) == pytest.approx(0.5, abs=0.12)
    estimate[:20] += 10
    assert spread(estimate, np.full(200, 0.04)) == pytest.approx(0.55, abs=0.15)
    assert spread(rng.normal(0, 0.05, 200), np.full(200, 0.04)) == 0.0


def test_a_mended_diode_leaves_no_shadow() -> None:
    """A short until the tenth week, sound since: only readings from after the repair are left, and
    they rise no more.

    A leak that still grows loses nothing.
    """
    mended = np.where(np.arange(WEEKS) < 10, 0.0, 50e6)
    rows = against_usual(fleet(9, leaks={0: mended, 1: CREEP}), SETTINGS)
    kept = without_mended(rows)
    assert kept.filter(pl.col("vehicle_id") == "V00")["at"].min() >= LOOK_BACK.from_utc + timedelta(
        weeks=10
    )
    assert (
        kept.filter(pl.col("vehicle_id") != "V00").height
        == rows.filter(pl.col("vehicle_id") != "V00").height
    )
    found = dict(
        drift_table(kept, LOOK_BACK, SETTINGS).select("vehicle_id", "category").iter_rows()
    )
    assert found.get("V00", "steady") == "steady"
    assert found["V01"] == "rising"


def test_readings_are_one_row_an_attempt_and_state() -> None:
    """B2 and C2 rows where a level was logged, by vehicle, else card, else attempt.

    Weeks from Monday; no rejected ones.
    """
    at = datetime(2026, 3, 25, 12, tzinfo=UTC)
    rows = pl.DataFrame(
        [
            ("A1", "V", "T", 1.0, 9.0, -12.0, 6.0, -11.9), ("A2", None, "T", 1.0, None, -11.0, None, None),
            ("A3", None, None, 1.0, 9.1, None, 6.1, -10.0), ("A4", "V", "T", 0.0, 9.0, -12.0, 6.0, -12.0),
        ],
        schema=["attempt_id", "vehicle_id", "id_token", "weight", "pilot_high_b_v", "pilot_low_b_v", "pilot_high_c_v",
                "pilot_low_c_v"], orient="row",
    ).with_columns(evse_id=pl.lit("E"), plugged_at_utc=pl.lit(at).dt.cast_time_unit("us"))  # fmt: skip
    table = readings(rows)
    assert table.columns == [
        "attempt_id",
        "who",
        "vehicle_id",
        "evse_id",
        "at",
        "week_utc",
        "state",
        "low_v",
        "high_v",
    ]
    assert table.select("attempt_id", "who", "vehicle_id", "state", "low_v", "high_v").rows() == [
        ("A1", "V", "V", "B2", -12.0, 9.0), ("A2", "token T", None, "B2", -11.0, None),
        ("A3", "A3", None, "B2", None, 9.1), ("A1", "V", "V", "C2", -11.9, 6.0),
        ("A3", "A3", None, "C2", -10.0, 6.1),
    ]  # fmt: skip
    assert set(table["week_utc"]) == {datetime(2026, 3, 23, tzinfo=UTC)}
    assert set(table["at"]) == {at}


def table_of(*rows: tuple[str, str, int, float], state: str = "B2") -> pl.DataFrame:
    """Readings by hand: who, EVSE, days since the look-back began, negative level.

    An unknown who begins with '?'.
    """
    frame = pl.DataFrame(rows, schema=["who", "evse_id", "day", "low_v"], orient="row")
    at = pl.lit(LOOK_BACK.from_utc).dt.cast_time_unit("us") + pl.duration(days="day")
    return frame.with_columns(
        attempt_id=pl.format("A{}", pl.int_range(pl.len())), at=at, week_utc=at.dt.truncate("1w"), state=pl.lit(state),
        vehicle_id=pl.when(~pl.col("who").str.starts_with("?")).then("who"), high_v=pl.lit(9.0),
    ).drop("day")  # fmt: skip


def test_the_usual_level_is_the_others_median_with_its_error() -> None:
    """Same week: median of the others' medians, 1.2533 noise / sqrt(n); look-back: twice that;
    alone: -12 V (derived).

    Noise without repeats is twice the floor of 30 mV; the nominal error is 12 V x 5 % / sqrt(3) +
    0.1 V (GUM type B, meter).
    """
    rows = table_of(
        ("V", "E1", 0, -9.0), ("V", "E1", 1, -9.4), ("W", "E1", 0, -12.0), ("X", "E1", 0, -12.2), ("?card", "E1", 2, -12.1),
        ("V", "E1", 7, -9.0), ("V", "E2", 0, -9.0), ("W", "E2", 0, -12.0),
    )  # fmt: skip
    table = against_usual(rows, SETTINGS)
    assert table.columns == [
        "attempt_id", "vehicle_id", "evse_id", "at", "week_utc", "state", "low_v", "high_v", "noise_v", "usual_v", "usual_se_v",
        "usual_from", "usual_high_v", "usual_high_se_v",
    ]  # fmt: skip
    assert set(table["noise_v"]) == {0.06}
    se = np.sqrt(np.pi / 2) * 0.06 / np.sqrt(3)
    nominal = 12 * 0.05 / np.sqrt(3) + 0.1
    got = (
        table.filter(pl.col("vehicle_id") == "V")
        .select("evse_id", "at", "usual_from", "usual_v", "usual_se_v")
        .rows()
    )
    day = timedelta(days=1)
    assert [row[:3] for row in got] == [
        ("E1", LOOK_BACK.from_utc, "same_week"), ("E2", LOOK_BACK.from_utc, "nominal"),
        ("E1", LOOK_BACK.from_utc + day, "same_week"),
        ("E1", LOOK_BACK.from_utc + 7 * day, "look_back"),
    ]  # fmt: skip
    assert [row[3] for row in got] == pytest.approx([-12.1, -12.0, -12.1, -12.1])
    assert [row[4] for row in got] == pytest.approx([se, nominal, se, 2 * se])
    w = table.filter(pl.col("vehicle_id") == "W", pl.col("evse_id") == "E1").row(0, named=True)
    assert w["usual_v"] == pytest.approx(np.median([-9.2, -12.2, -12.1]))


def test_noise_is_the_spread_within_a_vehicle_s_week() -> None:
    """1.4826 times the median distance from the own median where three readings or more; few are
    drawn to the fleet's.

    20 readings pull half way (derived); a quiet EVSE keeps the floor, one without repeats gets the
    fleet's.
    """
    spread_out = [("V", "E1", 0, -12.0 + 0.1 * (i % 3 - 1)) for i in range(20 * 3)]
    quiet = [("V", "E2", 0, -12.0)] * 6
    pair = [("V", "E3", 0, -12.0), ("V", "E3", 0, -9.0)]
    table = dict(_noise(table_of(*spread_out, *quiet, *pair), SETTINGS).rows())
    common = max(1.482602218505602 * np.median([0.1] * 40 + [0.0] * 26), 0.03)
    assert common == pytest.approx(0.1482602218505602)
    assert table["E1"] == pytest.approx((60 * 0.1482602218505602 + 20 * common) / 80)
    assert table["E2"] == pytest.approx((6 * 0.0 + 20 * common) / 26)
    assert table["E3"] == pytest.approx(common)
    assert dict(_noise(table_of(*quiet * 4), SETTINGS).rows()) == {"E2": 0.03}
    states = pl.concat(
        [table_of(*quiet), table_of(*(("V", "E2", 0, -11.0) for _ in range(6)), state="C2")]
    )
    assert dict(_noise(states, SETTINGS).rows()) == {"E2": 0.03}


@pytest.mark.parametrize(
    ("odd", "sound", "kept"),
    [(1, 2, True), (2, 5, True), (2, 4, False), (3, 6, False), (3, 7, True)],
)  # fmt: skip
def test_a_week_is_left_out_where_two_vehicles_and_a_third_read_high(
    odd: int,
    sound: int,
    kept: bool,  # noqa: FBT001
) -> None:
    """One vehicle up is a vehicle.

    Two or more and a third of all there, and it is the EVSE (bounds as stated).
    """
    others = [(f"W{i}", "E1", d, -12.0) for d in (0, 14) for i in range(sound)]
    high = [(f"V{i}", "E1", 14, -11.0) for i in range(odd)] + [
        (f"V{i}", "E1", 0, -12.0) for i in range(odd)
    ]
    rows = against_usual(table_of(*others, *high), SETTINGS)
    assert (rows.filter(pl.col("week_utc") > LOOK_BACK.from_utc).height > 0) == kept
    assert rows.filter(pl.col("week_utc") == LOOK_BACK.from_utc).height == odd + sound


@pytest.mark.parametrize(
    ("before", "after", "left_out"),
    [
        ([-12.0, -9.8], [-9.8], True),  # one before, one after, a third healthy
        ([-9.8, -9.8], [], True),
        ([-12.0, -9.8], [-12.0], False),
        ([-12.0, -12.0], [-12.0], False),
        ([-12.0, -9.8], [-9.8, -9.8], True),
    ],
)
def test_a_high_reading_among_high_neighbours_is_the_generators(
    before: list[float], after: list[float], *, left_out: bool
) -> None:
    """Derived: a generator that goes bad on the last days of a week lifts the next vehicles alike, too few to move the week's median;
    two of at most four neighbours tell, one alone may be a vehicle's.
    """
    week = [(f"V{i}", "E", i % 4, -12.0) for i in range(8)]
    row = [*before, -9.8, *after]
    late = [(f"N{k}" if k != len(before) else "X", "E", 4 + k / 10, v) for k, v in enumerate(row)]
    frame = table_of(*week)
    times = table_of(*((w, e, 4, v) for w, e, _, v in late)).with_columns(
        at=pl.lit(LOOK_BACK.from_utc).dt.cast_time_unit("us")
        + pl.Series([timedelta(days=d) for _, _, d, _ in late])
    )
    rows = against_usual(pl.concat([frame, times]), SETTINGS)
    assert ("X" not in rows["vehicle_id"]) == left_out


def test_levels_of_a_failure_that_is_the_evse_s_say_nothing_of_the_vehicle() -> None:
    """From more than half on (decided): a generator that comes and goes shows at just the attempts it fails, which other vehicles' levels do
    not tell. Charges, and failures of whoever else, stay.
    """
    rows = table_of(("V", "E", 0, -9.0), ("W", "E", 0, -12.0), ("X", "E", 0, -12.0)).with_columns(
        attempt_id=pl.Series(["A1", "A2", "A3"])
    )
    blame = pl.DataFrame({"attempt_id": ["A1", "A2", "A3"], "p_evse": [0.51, 0.5, None]})
    assert without_evse_failures(rows, blame)["attempt_id"].to_list() == ["A2", "A3"]


def leveled(*rows: tuple[str, str, float, float], state: str = "B2") -> pl.DataFrame:
    """Rows as `against_usual` gives them.

    Vehicle, EVSE, days since the look-back began, volts above -12.
    """
    frame = pl.DataFrame(rows, schema=["vehicle_id", "evse_id", "day", "above"], orient="row")
    at = pl.lit(LOOK_BACK.from_utc).dt.cast_time_unit("us") + pl.duration(
        hours=(pl.col("day") * 24).cast(pl.Int64)
    )
    return frame.with_columns(
        attempt_id=pl.format("A{}", pl.int_range(pl.len())), at=at, week_utc=at.dt.truncate("1w"), state=pl.lit(state),
        usual_v=pl.lit(-12.0), low_v=pl.col("above") - 12.0, noise_v=pl.lit(0.05), usual_se_v=pl.lit(0.02),
        usual_from=pl.lit("same_week"), high_v=pl.lit(9.0), usual_high_v=pl.lit(8.9), usual_high_se_v=pl.lit(0.02),
    ).drop("day", "above")  # fmt: skip


@pytest.mark.parametrize(
    ("above", "left"),
    [
        ([3.2, 3.2, 0.0, 0.0, 0.0], 3), ([3.2, 3.2, 3.2, 0.0, 0.0], 5), ([3.2, 3.2, 0.0, 0.7, 0.0], 3),
        ([3.2, 3.2, 0.0, 0.9, 0.0], 5),
        ([0.3, 0.3, 0.0, 0.0, 0.0], 5), ([0.4, 0.4, 0.0, 0.0, 0.0], 3), ([0.0, 0.0, 3.2, 3.2, 3.2], 5),
    ],
)  # fmt: skip
def test_mended_is_three_attempts_under_a_quarter_of_what_was_high(
    above: list[float], left: int
) -> None:
    """High is a tenth of a shorted diode's 3.2 V in B2.

    Two attempts down are not enough, nor are three over a quarter.
    """
    rows = leveled(
        *(("V", "E1", 2.0 * i, lift) for i, lift in enumerate(above)), ("W", "E1", 0.0, 0.0)
    )
    kept = without_mended(rows)
    assert kept.filter(pl.col("vehicle_id") == "V").height == left
    assert kept.filter(pl.col("vehicle_id") == "W").height == 1
    assert kept.columns == rows.columns


def test_a_lift_is_judged_by_its_state() -> None:
    """A shorted diode lifts B2 by 3.2 V, C2 by 6.4 V.

    Half a volt is high in B2, not in C2 (derived).
    """
    above = [0.5, 0.5, 0.0, 0.0, 0.0]
    for state, left in (("B2", 3), ("C2", 5)):
        assert (
            without_mended(
                leveled(*(("V", "E1", float(i), a) for i, a in enumerate(above)), state=state)
            ).height
            == left
        )


def test_recent_gives_one_row_a_place_with_its_error() -> None:
    """Median above usual over the last five days (two for a creeping one) of each vehicle, error
    1.2533 noise / sqrt(n).
    """
    rows = leveled(
        ("V", "E1", 0.0, 3.0), ("V", "E1", 10.0, 1.0), ("V", "E1", 11.0, 1.2), ("V", "E1", 14.0, 1.1),
        ("V", "E2", 9.5, 1.0), ("V", "E2", 9.0, 5.0),
        ("C", "E1", 10.0, 1.0), ("C", "E1", 12.5, 2.0), ("C", "E1", 14.0, 3.0), ("R", "E1", 12.0, 1.0), ("R", "E1", 13.0, 2.0),
    )  # fmt: skip
    rows = rows.with_columns(
        usual_from=pl.when(pl.col("evse_id") == "E2")
        .then(pl.lit("nominal"))
        .otherwise("usual_from")
    )
    bound = pl.DataFrame(
        {
            "vehicle_id": ["V", "C", "R"],
            "since_utc": [None, None, LOOK_BACK.from_utc + timedelta(days=13)],
        },
        schema_overrides={"since_utc": pl.Datetime("us", "UTC")},
    )
    table = recent(rows, bound, pl.Series(["C"]), *TODAY)
    se = np.sqrt(np.pi / 2) * 0.05
    assert table.columns == [
        "vehicle_id",
        "evse_id",
        "state",
        "above_v",
        "usual_v",
        "se_v",
        "usual_se_v",
        "nominal",
        "high_off_v",
        "high_se_v",
        "low_v",
    ]
    got = {(r["vehicle_id"], r["evse_id"]): r for r in table.to_dicts()}
    assert {k: (r["above_v"], r["se_v"], r["nominal"]) for k, r in got.items()} == {
        ("V", "E1"): (pytest.approx(1.1), pytest.approx(se / np.sqrt(3)), False),
        ("V", "E2"): (pytest.approx(1.0), pytest.approx(se), True),
        ("C", "E1"): (pytest.approx(2.5), pytest.approx(se / np.sqrt(2)), False),
        ("R", "E1"): (pytest.approx(2.0), pytest.approx(se), False),
    }
    assert got["V", "E1"]["low_v"] == pytest.approx(-12 + 1.1)
    assert {(r["usual_v"], r["usual_se_v"], r["state"]) for r in got.values()} == {
        (-12.0, 0.02, "B2")
    }


def test_a_week_s_level_weighs_evses_by_their_errors() -> None:
    """Inverse-variance mean over EVSEs of the medians there.

    Readings against the bare standard do not count (derived).
    """
    rows = leveled(
        ("V", "E1", 0.0, 1.0),
        ("V", "E1", 1.0, 1.2),
        ("V", "E1", 2.0, 1.1),
        ("V", "E2", 0.0, 2.0),
        ("V", "E3", 0.0, 9.0),
    )
    rows = rows.with_columns(
        usual_from=pl.when(pl.col("evse_id") == "E3")
        .then(pl.lit("nominal"))
        .otherwise("usual_from")
    )
    table = weekly(rows)
    variances = np.array([(np.pi / 2) * 0.05**2 / n + 0.02**2 for n in (3, 1)])
    assert table.columns == ["vehicle_id", "week_utc", "above_v", "precision"]
    row = table.row(0, named=True)
    assert row["precision"] == pytest.approx((1 / variances).sum())
    assert row["above_v"] == pytest.approx(
        (np.array([1.1, 2.0]) / variances).sum() / (1 / variances).sum()
    )
    assert table.height == 1


def test_a_trend_needs_three_weeks_and_the_last_two() -> None:
    """Weeks 1 to 3 of twelve make no trend for today; weeks 8, 9 and 11 do.

    A steady vehicle has no onset.
    """
    old = leveled(*(("V", "E1", 7.0 * w, 0.0) for w in (0, 1, 2)))
    assert drift_table(old, LOOK_BACK, SETTINGS).is_empty()
    assert (
        drift_table(old, LOOK_BACK, SETTINGS).columns
        == drift_table(fresh(), LOOK_BACK, SETTINGS).columns
    )
    row = drift_table(fresh(), LOOK_BACK, SETTINGS).row(0, named=True)
    assert (row["vehicle_id"], row["category"], row["weeks"], row["drift_since_utc"]) == (
        "V",
        "steady",
        3,
        None,
    )


def fresh() -> pl.DataFrame:
    """One healthy vehicle in three late weeks."""
    return leveled(*(("V", "E1", 7.0 * w, 0.001 * w) for w in (7, 8, 10)))


def trends(**lifts: list[float]) -> dict[str, dict[str, Any]]:
    """Drift of named vehicles, lift in V by week (the last weeks of the look-back), among thirty
    sound ones.
    """
    rng = np.random.default_rng(12)
    weeks = [float(84 - 7 * (len(v) - i) + 1) for v in lifts.values() for i in range(len(v))]
    named = [
        (name, "E1", day, lift)
        for (name, lift), day in zip(
            ((n, x) for n, v in lifts.items() for x in v), weeks, strict=True
        )
    ]
    sound = [
        (f"S{i}", "E1", 7.0 * w + 1, float(rng.normal(0, 0.02)))
        for i in range(30)
        for w in range(12)
    ]
    table = drift_table(leveled(*named, *sound), LOOK_BACK, SETTINGS)
    return {row["vehicle_id"]: row for row in table.to_dicts()}


def test_rising_jumped_and_steady() -> None:
    """Creeping over weeks is rising, at once is jumped, high and level is steady.

    The onset is when it last lay under 60 mV.
    """
    found = trends(
        creep=[0.0, 0.02, 0.05, 0.2, 0.4, 0.8, 1.6], short=[0.0] * 6 + [3.2] * 3, level=[0.5] * 12, small=[0.0] * 8 + [0.05] * 4,
        always=[0.3, 0.5, 0.8, 1.2],
    )  # fmt: skip
    assert {name: found[name]["category"] for name in ("creep", "short", "level", "small", "always")} == {
        "creep": "rising", "short": "jumped", "level": "steady", "small": "steady", "always": "rising",
    }  # fmt: skip
    week = timedelta(weeks=1)
    assert found["creep"]["drift_since_utc"] == LOOK_BACK.to_utc - 4 * week
    assert found["short"]["drift_since_utc"] == LOOK_BACK.to_utc - 3 * week
    assert found["always"]["drift_since_utc"] == LOOK_BACK.to_utc - 4 * week
    assert found["level"]["drift_since_utc"] is None
    assert sum(row["category"] != "steady" for row in found.values()) == 3
