"""Usual levels leave the vehicle out; the drift test finds leaks and spares the sound."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.circuit.pilot import LOAD_OHM, low_v
from pipeline.refer.drift import drift_table, spread, weekly
from pipeline.refer.levels import against_usual, others_median, recent, without_mended
from pipeline.settings.refer import ReferSettings
from pipeline.weeks import LookBack

SETTINGS = ReferSettings()
NONE = pl.Series("vehicle_id", [], dtype=pl.String)
LOOK_BACK = LookBack.of("2026-W14", 12)
VEHICLES, EVSES, WEEKS = 40, 6, 12


def fleet(seed: int, leaks: dict[int, np.ndarray] | None = None, sag: dict[tuple[int, int], float] | None = None) -> pl.DataFrame:
    """Readings (as `levels.readings` gives them) of a fleet: each vehicle at three EVSEs a week, in B2.

    `leaks`: vehicle number → its diode's leak in ohm by week; `sag`: (EVSE, week) → rise of everybody's low side in V.
    """
    rng = np.random.default_rng(seed)
    generator, r1 = 12 * (1 + rng.uniform(-0.05, 0.05, EVSES)), 1000 * (1 + rng.uniform(-0.03, 0.03, EVSES))
    offset = rng.normal(0, 0.08, EVSES)
    vehicle, week, visit = (a.ravel() for a in np.meshgrid(np.arange(VEHICLES), np.arange(WEEKS), np.arange(3), indexing="ij"))
    evse = rng.integers(0, EVSES, vehicle.size)
    leak = np.full(vehicle.size, 50e6)
    for number, by_week in (leaks or {}).items():
        leak = np.where(vehicle == number, by_week[week], leak)
    level = -generator[evse] / (1 + r1[evse] / (LOAD_OHM["B"] + leak)) + offset[evse] + rng.normal(0, 0.03, vehicle.size)
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
    """Law: the median without a row's own value is what numpy gives for the others; alone there is none."""
    frame = pl.DataFrame({"g": ["x"] * len(values), "v": values})
    got = others_median(frame, ["g"], "v")["others"].to_list()
    for i, value in enumerate(got):
        rest = values[:i] + values[i + 1 :]
        assert value == (pytest.approx(float(np.median(rest))) if rest else None)


def test_a_lone_odd_vehicle_does_not_shift_its_own_measure() -> None:
    """A shorted diode reads 3.2 V above the level the other vehicles set, at every EVSE (derived)."""
    rows = against_usual(fleet(1, leaks={0: np.zeros(WEEKS)}), SETTINGS).filter(pl.col("vehicle_id") == "V00")
    above = (rows["low_v"] - rows["usual_v"]).to_numpy()
    assert np.median(above) == pytest.approx(12 + low_v(LOAD_OHM["B"]), abs=0.2)
    assert set(rows["usual_from"]) == {"same_week"}


def test_few_others_fall_back_on_the_look_back_then_on_the_standard() -> None:
    """Two other vehicles in a week are too few; without others in the look-back only -12 V +-5 % is left."""
    rows = fleet(2)
    thin = rows.filter(pl.col("vehicle_id").is_in(["V00", "V01", "V02"]) | (pl.col("week_utc") == pl.col("week_utc").min()))
    later = against_usual(thin, SETTINGS).filter(pl.col("week_utc") > pl.col("week_utc").min())
    assert set(later["usual_from"]) == {"look_back"}
    alone = against_usual(rows.filter(pl.col("vehicle_id") == "V00"), SETTINGS)
    assert set(alone["usual_from"]) == {"nominal"}
    assert set(alone["usual_v"]) == {-12.0}
    assert alone["usual_se_v"].min() > 0.3


def test_a_sagging_generator_is_left_out() -> None:
    """A week in which all vehicles read high at an EVSE says nothing of vehicles: none of its readings stays."""
    rows = against_usual(fleet(3, sag={(2, 11): 1.5}), SETTINGS)
    last = LOOK_BACK.from_utc + timedelta(weeks=11)
    assert rows.filter((pl.col("evse_id") == "E2") & (pl.col("week_utc") == last)).is_empty()
    assert not rows.filter((pl.col("evse_id") == "E2") & (pl.col("week_utc") < last)).is_empty()


def test_recent_readings_start_after_the_onset() -> None:
    """Only what lies in the last days, and after a repair or onset, speaks of today."""
    rows = against_usual(fleet(4), SETTINGS)
    since = pl.DataFrame({"vehicle_id": ["V00"], "since_utc": [LOOK_BACK.to_utc - timedelta(days=3)]}).with_columns(
        pl.col("since_utc").dt.cast_time_unit("us")
    )
    assert recent(rows.filter(pl.col("vehicle_id") == "V00"), since, NONE, SETTINGS).height <= 2
    assert recent(rows, since, NONE, SETTINGS)["vehicle_id"].n_unique() == VEHICLES


CREEP = 10 ** np.linspace(6.2, 3.9, WEEKS)
"""A leak that grows from 1.6 Mohm to 8 kohm in twelve weeks: still above what a check at -9.5 V would refuse."""


def test_drift_finds_leaks_and_spares_the_sound() -> None:
    """Over 12 fleets: every creeping leak is rising, an abrupt short is not, and sound vehicles are flagged in under 2 %."""
    caught, jumped, false, sound = 0, 0, 0, 0
    for seed in range(12):
        short = np.where(np.arange(WEEKS) < 6, 50e6, 0.0)
        table = drift_table(against_usual(fleet(seed, leaks={0: CREEP, 1: short}), SETTINGS), LOOK_BACK, SETTINGS)
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
    """Level now and slope of one vehicle equal numpy's weighted least squares on its weekly means (other software)."""
    levels = against_usual(fleet(7, leaks={0: CREEP}), SETTINGS)
    mine = weekly(levels).filter(pl.col("vehicle_id") == "V00")
    x = np.array([(w + timedelta(days=3.5) - LOOK_BACK.to_utc) / timedelta(weeks=1) for w in mine["week_utc"]])
    slope, level = np.polyfit(x, mine["above_v"].to_numpy(), 1, w=np.sqrt(mine["precision"].to_numpy()))
    row = drift_table(levels, LOOK_BACK, SETTINGS).filter(pl.col("vehicle_id") == "V00").row(0, named=True)
    assert (row["above_v"], row["slope_v_per_week"]) == pytest.approx((level, slope))


def test_spread_ignores_odd_units() -> None:
    """Tau of 200 units, 20 of them far off, comes out near the sound ones' 0.5 (estimates with unit variance 0.04)."""
    rng = np.random.default_rng(8)
    estimate = rng.normal(0, np.hypot(0.5, 0.2), 200)
    assert spread(estimate, np.full(200, 0.04)) == pytest.approx(0.5, abs=0.12)
    estimate[:20] += 10
    assert spread(estimate, np.full(200, 0.04)) == pytest.approx(0.55, abs=0.15)
    assert spread(rng.normal(0, 0.05, 200), np.full(200, 0.04)) == 0.0


def test_a_mended_diode_leaves_no_shadow() -> None:
    """A short until the tenth week, sound since: only readings from after the repair are left, and they rise no more.

    A leak that still grows loses nothing.
    """
    mended = np.where(np.arange(WEEKS) < 10, 0.0, 50e6)
    rows = against_usual(fleet(9, leaks={0: mended, 1: CREEP}), SETTINGS)
    kept = without_mended(rows)
    assert kept.filter(pl.col("vehicle_id") == "V00")["at"].min() >= LOOK_BACK.from_utc + timedelta(weeks=10)
    assert kept.filter(pl.col("vehicle_id") != "V00").height == rows.filter(pl.col("vehicle_id") != "V00").height
    found = dict(drift_table(kept, LOOK_BACK, SETTINGS).select("vehicle_id", "category").iter_rows())
    assert found.get("V00", "steady") == "steady"
    assert found["V01"] == "rising"
