"""Wald's sequential test.

The bounds, the operating characteristic and the average sample number of the textbook.
"""

from __future__ import annotations

import math

import numpy as np
import polars as pl
import pytest
from scipy.optimize import brentq

from pipeline.refer.proving import SequentialTest, proving_table
from pipeline.settings.refer import ReferSettings

TEXTBOOK = SequentialTest(sound=0.1, faulty=0.3, alpha=0.02, beta=0.03)


def wald_oc(test: SequentialTest, p: float) -> float:
    """Wald's approximate chance to accept 'sound' at failure probability p (Sequential Analysis,
    1947, from memory).
    """
    a, b = math.exp(test.back_at), math.exp(test.proved_at)

    def balance(h: float) -> float:
        return p * math.exp(h * test.failed_step) + (1 - p) * math.exp(h * test.charged_step) - 1

    h = brentq(balance, 1e-6, 60) if balance(1e-6) < 0 else brentq(balance, -60, -1e-6)
    return (a**h - 1) / (a**h - b**h)


def wald_asn(test: SequentialTest, p: float) -> float:
    """Wald's approximate average number of attempts at failure probability p (same source)."""
    accept = wald_oc(test, p)
    mean_step = p * test.failed_step + (1 - p) * test.charged_step
    return (accept * test.proved_at + (1 - accept) * test.back_at) / mean_step


def walk(test: SequentialTest, p: float, runs: int = 4000) -> tuple[float, float]:
    """Share accepted and mean attempts over simulated runs of 400 attempts."""
    rng = np.random.default_rng(5)
    steps = np.where(rng.random((runs, 400)) < p, test.failed_step, test.charged_step).cumsum(
        axis=1
    )
    out = (steps <= test.proved_at) | (steps >= test.back_at)
    first = np.where(out.any(axis=1), out.argmax(axis=1), 399)
    return float((steps[np.arange(runs), first] <= test.proved_at).mean()), float(first.mean() + 1)


def test_bounds_and_lines_of_the_textbook() -> None:
    """p0 = 0.1, p1 = 0.3, alpha = 0.02, beta = 0.03: acceptance and rejection lines (intercepts
    derived from Wald's formulas).

    d = s n +- h with g = ln(p1 (1 - p0) / (p0 (1 - p1))): s = 0.1862, h0 = 2.5827, h1 = 2.8760.
    """
    g = TEXTBOOK.failed_step - TEXTBOOK.charged_step
    assert -TEXTBOOK.charged_step / g == pytest.approx(0.1862, abs=5e-5)
    assert -TEXTBOOK.proved_at / g == pytest.approx(2.5827, abs=5e-3)
    assert TEXTBOOK.back_at / g == pytest.approx(2.8760, abs=5e-3)


@pytest.mark.parametrize("p", [0.05, 0.1, 0.15, 0.25, 0.3, 0.4])
def test_operating_characteristic(p: float) -> None:
    """Simulated acceptance follows Wald's curve.

    Overshoot makes both errors smaller than stated, never larger by 1 %.
    """
    accepted, attempts = walk(TEXTBOOK, p)
    assert accepted == pytest.approx(wald_oc(TEXTBOOK, p), abs=0.06)
    assert attempts == pytest.approx(wald_asn(TEXTBOOK, p), rel=0.25)
    if p == TEXTBOOK.sound:
        assert 1 - accepted <= TEXTBOOK.alpha + 0.01
    if p == TEXTBOOK.faulty:
        assert accepted <= TEXTBOOK.beta + 0.01


def test_ends_of_the_curve() -> None:
    """By construction the curve passes 1 - alpha at p0 and beta at p1 (Wald)."""
    assert wald_oc(TEXTBOOK, 0.1) == pytest.approx(1 - TEXTBOOK.alpha, abs=1e-6)
    assert wald_oc(TEXTBOOK, 0.3) == pytest.approx(TEXTBOOK.beta, abs=1e-6)


def test_our_own_error_rates_hold() -> None:
    """With the settings' rates.

    A sound repair is sent back, and a failed one passed, no oftener than stated.
    """
    settings = ReferSettings()
    test = SequentialTest.of(settings)
    assert 1 - walk(test, settings.proving_sound_fails)[0] <= settings.proving_alpha + 0.005
    assert walk(test, settings.proving_faulty_fails)[0] <= settings.proving_beta + 0.005


def attempts(outcomes: str, check: str = "yes", evse: str = "E") -> pl.DataFrame:
    """A vehicle's attempts a day apart from 2 March on: c charged, f failed."""
    n = len(outcomes)
    at = pl.datetime_range(
        pl.datetime(2026, 3, 2),
        pl.datetime(2026, 3, 2) + pl.duration(days=n - 1),
        "1d",
        time_zone="UTC",
        eager=True,
    )
    return pl.DataFrame(
        {
            "attempt_id": [f"A{i:03d}" for i in range(n)], "vehicle_id": "V", "evse_id": evse, "supply": "AC", "weight": 1.0,
            "outcome": [{"c": "charged", "f": "failed"}[o] for o in outcomes],
            "check": check, "p_evse": 0.0, "p_pairing": 0.0, "plugged_at_utc": at.dt.cast_time_unit("us"),
        }
    )  # fmt: skip


REPAIR = pl.DataFrame({"vehicle_id": ["V"], "found": ["pilot_diode_shorted"]}).with_columns(
    repaired_at_utc=pl.datetime(2026, 3, 1, time_unit="us", time_zone="UTC")
)
TEST = SequentialTest.of(ReferSettings())


@pytest.mark.parametrize(
    ("outcomes", "state"),
    [
        ("", "proving"),
        ("c" * (TEST.clean_attempts - 1), "proving"),
        ("c" * TEST.clean_attempts, "proved"),
        ("ff", "back"),
        ("cfcf", "back"),
    ],
)
def test_states_after_repair(outcomes: str, state: str) -> None:
    """Too few attempts prove nothing; enough clean ones prove it; failures send it back."""
    table = proving_table(
        attempts(outcomes or "c").head(len(outcomes)), REPAIR, pl.Series(["E"]), TEST
    )
    assert table["proving"].to_list() == [state]
    assert table["tried"].to_list() == [len(outcomes)]


def test_a_decision_stands_whatever_comes_after() -> None:
    """Failures after the proof are a new matter: the test is over at its first crossing."""
    table = proving_table(
        attempts("c" * TEST.clean_attempts + "fff"), REPAIR, pl.Series(["E"]), TEST
    )
    assert table.select("proving", "tried", "failed").row(0) == ("proved", TEST.clean_attempts, 0)


def test_attempts_that_cannot_show_the_fault_do_not_count() -> None:
    """After a diode repair.

    Neither EVSEs that do not check the diode, nor sick ones, nor attempts before the repair, nor failures attributed to others.
    """
    for frame, healthy in (
        (attempts("cccccccc", check="no"), ["E"]),
        (attempts("ffff"), ["other"]),
    ):
        assert proving_table(frame, REPAIR, pl.Series(healthy), TEST)["tried"].to_list() == [0]
    blamed = attempts("ffff").with_columns(p_evse=pl.lit(0.4), p_pairing=pl.lit(0.2))
    assert proving_table(blamed, REPAIR, pl.Series(["E"]), TEST)["tried"].to_list() == [0]
    late = REPAIR.with_columns(
        repaired_at_utc=pl.datetime(2026, 4, 1, time_unit="us", time_zone="UTC")
    )
    assert proving_table(attempts("ffff"), late, pl.Series(["E"]), TEST)["proving"].to_list() == [
        "proving"
    ]
    charger = REPAIR.with_columns(found=pl.lit("charger_input"))
    assert proving_table(attempts("ffff", check="no"), charger, pl.Series(["E"]), TEST)[
        "proving"
    ].to_list() == ["back"]


def test_the_test_takes_its_rates_from_the_settings() -> None:
    """Each rate where it belongs, and the steps and bounds are Wald's (derived)."""
    settings = ReferSettings(
        proving_sound_fails=0.04, proving_faulty_fails=0.6, proving_alpha=0.02, proving_beta=0.1
    )
    test = SequentialTest.of(settings)
    assert (test.sound, test.faulty, test.alpha, test.beta) == (0.04, 0.6, 0.02, 0.1)
    assert (test.failed_step, test.charged_step) == pytest.approx(
        (math.log(15), math.log(0.4 / 0.96))
    )
    assert (test.proved_at, test.back_at) == pytest.approx((math.log(0.1 / 0.98), math.log(45)))
    assert test.clean_attempts == 3


def test_the_table_counts_what_was_tried_and_when_it_was_decided() -> None:
    """Columns and counts.

    AC attempts that charged or failed, whatever their weight, after the repair, vehicle by vehicle.
    """
    rows = attempts("c" * TEST.clean_attempts)
    day = pl.duration(days=1)
    noise = pl.concat(
        [
            attempts("ff").with_columns(supply=pl.lit("DC")), attempts("ff").with_columns(outcome=pl.lit("declined")),
            attempts("ff").with_columns(weight=pl.lit(0.0)),
            attempts("ff").with_columns(plugged_at_utc=pl.col("plugged_at_utc") - 9 * day),
        ]
    )  # fmt: skip
    other = attempts("cf").with_columns(vehicle_id=pl.lit("W"), weight=pl.lit(0.3))
    repairs = pl.concat(
        [
            REPAIR,
            REPAIR.with_columns(vehicle_id=pl.lit("W")),
            REPAIR.with_columns(vehicle_id=pl.lit("X")),
        ]
    )
    table = proving_table(
        pl.concat([other, noise, rows.reverse()]), repairs, pl.Series(["E"]), TEST
    )
    assert table.columns == [
        "vehicle_id",
        "repaired_at_utc",
        "proving",
        "tried",
        "failed",
        "decided_at_utc",
    ]
    last = rows["plugged_at_utc"][-1]
    assert table.drop("repaired_at_utc").rows() == [
        ("V", "proved", TEST.clean_attempts, 0, last), ("W", "proving", 2, 1, None), ("X", "proving", 0, 0, None),
    ]  # fmt: skip
    assert table["repaired_at_utc"].to_list() == [REPAIR["repaired_at_utc"][0]] * 3


def test_attempts_at_the_moment_of_repair_count() -> None:
    """The repair's own instant belongs to the time after it.

    Two failures then send the vehicle back at the second.
    """
    at = REPAIR["repaired_at_utc"][0]
    rows = attempts("ff").with_columns(plugged_at_utc=pl.lit(at))
    row = proving_table(rows, REPAIR, pl.Series(["E"]), TEST).row(0, named=True)
    assert (row["proving"], row["tried"], row["failed"], row["decided_at_utc"]) == (
        "back",
        2,
        2,
        at,
    )


def test_an_unnamed_repair_is_proved_like_a_diode_s() -> None:
    """Where nobody said what was found, only EVSEs that check the diode can show that nothing is
    left.
    """
    repair = REPAIR.with_columns(found=pl.lit(None, dtype=pl.String))
    assert proving_table(attempts("cccccccc", check="no"), repair, pl.Series(["E"]), TEST)[
        "tried"
    ].to_list() == [0]
    assert proving_table(attempts("cccccccc"), repair, pl.Series(["E"]), TEST)[
        "proving"
    ].to_list() == ["proved"]
