"""Causes told apart by the pilot's levels: the worked cases of the published circuit, and what one EVSE alone may say."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.circuit import level_evidence as module
from pipeline.circuit.causes import PilotCircuit, beside, contact, leaky, r2_off, r3_off, shorted
from pipeline.circuit.level_evidence import (
    LEVELS,
    STRAY_SHARE,
    LevelEvidence,
    hypotheses,
    level_evidence,
)

SE_V = 0.03


def off_v(circuit: PilotCircuit) -> list[float | None]:
    """How far each level lies from a sound pilot's."""
    sound = PilotCircuit()
    return [
        float(circuit.levels(s)[side]) - float(sound.levels(s)[side])
        for s in ("B", "C")
        for side in (0, 1)
    ]


def rows(
    *shown: tuple[str, list[float | None]], evses: int = 3, se_v: float = SE_V
) -> pl.DataFrame:
    """Each vehicle's deviations at so many EVSEs."""
    found = []
    for vehicle, off in shown:
        for e in range(evses):
            row: dict[str, object] = {"vehicle_id": vehicle, "evse_id": f"E{e}", "scale": 1.0}
            for level, value in zip(LEVELS, off, strict=True):
                row |= {f"{level}_off_v": value, f"{level}_se_v": se_v}
            found.append(row)
    schema = {f"{level}_off_v": pl.Float64 for level in LEVELS}
    return pl.DataFrame(found, schema_overrides=schema)


def best(evidence: LevelEvidence, vehicle: str) -> str:
    """The suspect whose values, each as likely, explain the levels best."""
    row = evidence.log_likelihood[evidence.vehicles.to_list().index(vehicle)]
    names = list(dict.fromkeys(evidence.grid.suspect))
    return max(names, key=lambda s: np.log(np.exp(row[evidence.grid.of(s)] - row.max()).mean()))


CASES: dict[str, tuple[PilotCircuit, str]] = {
    "sound": (PilotCircuit(), "sound"),
    "short": (shorted(), "pilot_diode_shorted"),
    "leak 8 kohm": (leaky(8e3), "pilot_diode_leaky"),
    "leak 20 kohm": (leaky(20e3), "pilot_diode_leaky"),
    "leak 60 kohm": (leaky(60e3), "pilot_diode_leaky"),
    "wet inlet 10 kohm": (beside(10e3), "pilot_leakage"),
    "wet inlet 4 kohm": (beside(4e3), "pilot_leakage"),
    "contact 300 ohm": (contact(300.0), "pilot_resistor"),
    "R2 half as much again": (r2_off(1.5), "pilot_resistor"),
    "R3 a third less": (r3_off(0.67), "pilot_resistor"),
}


@pytest.mark.parametrize(("circuit", "suspect"), CASES.values(), ids=CASES.keys())
def test_each_worked_case_is_named(circuit: PilotCircuit, suspect: str) -> None:
    """Highs and lows in B2 and C2 at three EVSEs name the cause: the table of the two levels (derived)."""
    assert best(level_evidence(rows(("V", off_v(circuit)))), "V") == suspect


def test_a_wet_inlet_is_no_leaking_diode_nor_the_other_way_round() -> None:
    """Highs that fall with equal lows against sound highs with lows that part: odds above 100 to 1 either way (derived)."""
    evidence = level_evidence(rows(("wet", off_v(beside(10e3))), ("leak", off_v(leaky(10e3)))))
    grid, by = evidence.grid, dict(zip(evidence.vehicles, evidence.log_likelihood, strict=True))

    def log_odds(vehicle: str, suspect: str, other: str) -> float:
        row = by[vehicle]
        return float(
            np.log(np.exp(row[grid.of(suspect)]).mean() / np.exp(row[grid.of(other)]).mean())
        )

    assert log_odds("wet", "pilot_leakage", "pilot_diode_leaky") > np.log(100)
    assert log_odds("leak", "pilot_diode_leaky", "pilot_leakage") > np.log(100)


def test_a_level_at_the_usual_speaks_against_every_fault_of_the_pilot() -> None:
    """A carried cable, lock or charger fault leaves -12 V in every state: a short is then ruled out (derived)."""
    evidence = level_evidence(rows(("V", off_v(PilotCircuit()))))
    short = evidence.log_likelihood[0][evidence.grid.of("pilot_diode_shorted")]
    assert short.max() < np.log(1e-4)


def test_one_evse_alone_convicts_nobody() -> None:
    """What one EVSE shows may be a lent card or its bad day: its factor stays under 1 over the stray share times suspects."""
    evidence = level_evidence(rows(("V", off_v(shorted())), evses=1))
    assert evidence.log_likelihood.max() < np.log(5 / STRAY_SHARE) + 0.1
    two = level_evidence(rows(("V", off_v(shorted())), evses=2))
    assert two.log_likelihood.max() > 1.5 * evidence.log_likelihood.max()


@given(st.sampled_from([shorted, leaky, beside]), st.floats(3e3, 2e5), st.integers(0, 3))
@settings(max_examples=25, deadline=None)
def test_what_is_not_known_changes_nothing(
    build: Callable[[float], PilotCircuit], ohm: float, missing: int
) -> None:
    """A level that no EVSE logs leaves the likelihood as if its column were not there; nothing becomes null."""
    off = off_v(build(ohm))
    off[missing] = None
    log = level_evidence(rows(("V", off))).log_likelihood
    assert np.isfinite(log).all()
    frame = rows(("V", off_v(build(ohm)))).with_columns(
        pl.lit(1e9).alias(f"{LEVELS[missing]}_se_v")
    )
    assert level_evidence(frame).log_likelihood == pytest.approx(log, abs=1e-3)


def test_a_generator_that_reads_low_scales_the_lift() -> None:
    """At an EVSE whose usual negative level is -11 V a short reads -8.06 V: the lift scales with the generator (derived)."""
    scaled: list[float | None] = [off * 11 / 12 for off in off_v(shorted()) if off is not None]
    frame = rows(("V", scaled)).with_columns(scale=pl.lit(11 / 12))
    assert best(level_evidence(frame), "V") == "pilot_diode_shorted"


def test_the_grid_holds_what_a_meter_would_show() -> None:
    """2.74 kohm for a short, R2 more than the leak for a leak, the path itself beside the diode, over range for resistors."""
    grid = hypotheses()
    assert grid.suspect.count("sound") == 1  # a good pilot is one story, not several
    assert grid.suspect[0] == "sound"
    assert grid.reverse_ohm[grid.of("pilot_diode_shorted")] == pytest.approx([2740.0])
    leak = grid.of("pilot_diode_leaky")
    assert grid.reverse_ohm[leak] == pytest.approx(grid.value[leak] + 2740.0)
    wet = grid.of("pilot_leakage")
    assert grid.reverse_ohm[wet] == pytest.approx(grid.value[wet], rel=0.01)
    assert grid.reverse_ohm[grid.of("pilot_resistor")].min() > 40e6


def test_no_vehicle_gives_no_row() -> None:
    """An empty frame stays empty."""
    assert level_evidence(rows(("V", off_v(shorted()))).clear()).log_likelihood.shape[0] == 0


R1, R2, R3 = 1000.0, 2740.0, 1300.0
"""Ohms of the published circuit."""


def low(load: float, r1: float = R1) -> float:
    """Negative level of a short behind a load."""
    return -12.0 * load / (r1 + load)


def high(load: float, diode_v: float = 0.7) -> float:
    """Positive level of a good diode behind a load."""
    return (12.0 - diode_v) * load / (R1 + load) + diode_v


def test_the_spreads_are_those_of_the_tolerances() -> None:
    """By the EVSE 3 % of R1 and a scale error of 0.1 V in 12; by the vehicle 3 % of R2 and R3, half the diode's span.

    Rectangular; derived.
    """
    third = 1 / np.sqrt(3.0)
    evse, vehicle = (spread[:, 0] for spread in module._spreads(shorted()))
    moved = third * (low(R2, 1.03 * R1) - low(R2))
    assert evse[1] == pytest.approx(np.hypot(moved, 0.1 / 12 * (low(R2) + 12.0)), rel=2e-3)
    assert vehicle[1] == pytest.approx(third * abs(low(1.03 * R2) - low(R2)), rel=1e-6)
    in_c, r2_more, r3_more = (a * b / (a + b) for a, b in ((R2, R3), (1.03 * R2, R3), (R2, 1.03 * R3)))  # fmt: skip
    parts = (low(r2_more) - low(in_c), low(r3_more) - low(in_c))
    assert vehicle[3] == pytest.approx(third * np.hypot(*parts), rel=1e-6)
    sound = module._spreads(PilotCircuit())
    assert sound[0] == pytest.approx(np.zeros((4, 1)))
    of_diode = high(R2, 0.85) - high(R2)
    of_r2 = high(1.03 * R2) - high(R2)
    assert sound[1][0, 0] == pytest.approx(third * np.hypot(of_diode, of_r2), rel=1e-3)


def test_a_row_weighs_each_point_by_the_normal_law() -> None:
    """One EVSE, the low in B2 alone: -(off - deviation)^2 / 2v - ln(v) / 2 for sound and short, the stray part added (derived)."""
    told = rows(("v", [None, 2.0, None, None]), evses=1)
    grid = hypotheses()
    variance = SE_V**2 + grid.evse_sd_v[:, 1] ** 2 + grid.vehicle_sd_v[:, 1] ** 2
    plain = -0.5 * ((2.0 - grid.deviation_v[:, 1]) ** 2 / variance + np.log(variance))
    names = list(grid.suspect)
    voice = np.array([1 / (names.count(n) * len(set(names))) for n in names])
    stray = np.log(np.exp(plain) @ voice)
    mixed = np.log((1 - STRAY_SHARE) * np.exp(plain) + STRAY_SHARE * np.exp(stray))
    got = level_evidence(told).log_likelihood[0]
    assert got == pytest.approx(mixed - mixed[0], abs=1e-6)


def test_how_many_rows_are_weighed_at_once_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Seven vehicles at three EVSEs in parts of four rows, and each as if it were alone; a far one drowns no other."""
    shown = [(name, off_v(circuit)) for name, (circuit, _) in CASES.items()]
    shown.append(("wild", [5.0, 9.0, 5.0, 9.0]))
    whole = level_evidence(rows(*shown))
    monkeypatch.setattr(module, "ROWS_AT_ONCE", 4)
    assert level_evidence(rows(*shown)).log_likelihood == pytest.approx(whole.log_likelihood)
    for one in shown:
        place = whole.vehicles.to_list().index(one[0])
        alone = level_evidence(rows(one)).log_likelihood[0]
        assert alone == pytest.approx(whole.log_likelihood[place])
