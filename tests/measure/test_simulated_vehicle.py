"""The simulator the bench is measured on: its circuits and meters against formulas by hand, its figures on a table by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from typing import Any, cast

import numpy as np
import polars as pl
import pytest

from pipeline.measure.quality.bench import FIXED_LIST, by_fixed_list, led, measure_bench
from pipeline.measure.quality.bench_figures import as_words, calibration, summary
from pipeline.measure.quality.simulated_vehicle import (
    INTERVIEW,
    OPEN_OHM,
    Truth,
    interview,
    shown,
    simulate,
)
from pipeline.refer.bench import Case, Reading, assess, bench_declared
from pipeline.refer.bench.case import DRIED, prior_without_logs


class Still:
    """A generator without chance: noise is its mean, a share `u`, a choice the first or the `pick`-th."""

    def __init__(self, u: float = 0.5, pick: int = 0) -> None:
        self.u, self.pick = u, pick

    def normal(self, mean: float, _sd: float) -> float:
        """Its mean."""
        return mean

    def random(self) -> float:
        """Always the same share."""
        return self.u

    def choice(self, count: int, p: Any) -> int:
        """The likeliest."""
        assert len(p) == count
        assert sum(p) == pytest.approx(1)
        return int(np.argmax(p))

    def integers(self, _most: int) -> int:
        """The one picked."""
        return self.pick


SOUND = Truth(
    suspect="no_fault", r2=2740.0, r3=1300.0, leak=1e9, beside=OPEN_OHM, contact=0.0, dries=True, ideality=1.7, saturation=1e-9,
    generator=12.0, r1=1000.0, duty=25.0, meter=(0.6, 6.0), scope=1.0, proximity=4.46, coding=680.0,
    rng=cast("np.random.Generator", Still()),
)  # fmt: skip
SHORTED = replace(SOUND, leak=0.0)


def value(
    truth: Truth, kind: str, state: str | None = None, *, dried: bool = False
) -> float | None:
    """The figure this workshop reads; None over range."""
    quantity = shown(truth, kind, state, dried=dried).quantity
    assert quantity is not None
    return quantity.value


def forward_v(ohm: float) -> float:
    """The level at the EVSE with a diode in series: the fixed point of i = (12 - n Vt ln(i / Is + 1)) / (1000 + ohm)."""
    i = 3e-3
    for _ in range(60):
        i = (12 - 1.7 * 0.0257 * math.log(i / 1e-9 + 1)) / (1000 + ohm)
    return 12 - 1000 * i


@pytest.mark.parametrize(
    ("truth", "state", "high", "low"),
    [
        (SOUND, "B2", forward_v(2740), -12.0), (SOUND, "C2", forward_v(2740 * 1300 / 4040), -12.0),
        (SHORTED, "B2", 12 * 2740 / 3740, -12 * 2740 / 3740), (SHORTED, "C2", 12 * 881.68 / 1881.68, -12 * 881.68 / 1881.68),
        (replace(SOUND, leak=1e4), "B2", forward_v(2740), -12 * 12740 / 13740),
        (replace(SHORTED, contact=500.0), "B2", 12 - 12 / 4.24, -12 + 12 / 4.24),
        (replace(SHORTED, r2=OPEN_OHM, r3=OPEN_OHM), "B2", 12.0, -12.0),
        (replace(SOUND, beside=5e3), "B2", None, -10.0),
        (replace(SHORTED, generator=11.6, scope=1.02), "B2", 1.02 * 11.6 * 2740 / 3740, -1.02 * 11.6 * 2740 / 3740),
        (replace(SHORTED, r1=1030.0), "B2", 12 * 2740 / 3770, -12 * 2740 / 3770),
    ],
)  # fmt: skip
def test_levels_are_those_of_the_circuit(
    truth: Truth, state: str, high: float | None, low: float
) -> None:
    """Ohm's law on R1, contact, path beside, diode and load (derived); read to a hundredth of a volt."""
    if high is not None:
        assert value(truth, "cp_high_v", state) == pytest.approx(high, abs=0.006)
    assert value(truth, "cp_low_v", state) == pytest.approx(low, abs=0.006)


def test_the_mean_is_of_both_levels() -> None:
    """A quarter of the high and three of the low one, whatever the oscilloscope's gain (derived)."""
    assert value(SHORTED, "cp_mean_v", "B2") == pytest.approx(-0.5 * 12 * 2740 / 3740, abs=0.006)
    scaled = replace(SHORTED, scope=1.1)
    assert value(scaled, "cp_mean_v", "B2") == value(SHORTED, "cp_mean_v", "B2")
    assert value(SOUND, "cp_duty_pct") == 25.0
    assert value(SOUND, "pp_pe_v") == 4.46


@pytest.mark.parametrize(
    ("truth", "kind", "ohm"),
    [
        (SHORTED, "cp_pe_forward_ohm", 2740.0), (SHORTED, "cp_pe_reverse_ohm", 2740.0),
        # 0.6 V over 60 kΩ drives 10 µA: 1.7 · 25.7 mV · ln(10 µA / 1 nA + 1) = 0.402 V across the diode, 27 mV across R2
        (SOUND, "cp_pe_forward_ohm", 43000.0), (SOUND, "cp_pe_reverse_ohm", None),
        (replace(SOUND, leak=1e4), "cp_pe_reverse_ohm", 12700.0), (replace(SOUND, beside=5e3), "cp_pe_reverse_ohm", 5000.0),
        (replace(SHORTED, contact=300.0), "cp_pe_forward_ohm", 3040.0),
        (replace(SOUND, r2=OPEN_OHM, r3=OPEN_OHM), "cp_pe_forward_ohm", None),
        (SOUND, "pp_pe_ohm", 680.0), (replace(SOUND, coding=OPEN_OHM), "pp_pe_ohm", None),
        (replace(SHORTED, meter=(3.0, 2.0)), "cp_pe_forward_ohm", 2740.0),
    ],
)  # fmt: skip
def test_a_meter_goes_up_its_ranges(truth: Truth, kind: str, ohm: float | None) -> None:
    """The lowest range that shows it, three figures; beyond the last one over range (derived)."""
    assert value(truth, kind) == ohm


def test_drying_takes_a_path_that_dries() -> None:
    """With the path 5 kΩ in reverse, without over range; one that does not dry stays."""
    wet = replace(SOUND, beside=5e3)
    assert value(wet, "cp_pe_reverse_ohm", dried=True) is None
    assert value(replace(wet, dries=False), "cp_pe_reverse_ohm", dried=True) == 5000.0


def test_a_slip_reads_a_tenth_or_nothing() -> None:
    """Volts read on the wrong range are a tenth, ohms without contact over range."""
    slipped = replace(SHORTED, rng=cast("np.random.Generator", Still(0.0)))
    assert value(slipped, "cp_high_v", "B2") == pytest.approx(1.2 * 2740 / 3740, abs=0.006)
    assert value(slipped, "cp_pe_forward_ohm") is None


def test_an_answer_is_true_once_and_told_each_time() -> None:
    """What a question shows is drawn by the suspect's row and stays; a slip of the tongue tells another."""
    lock = replace(SOUND, suspect="inlet_lock", seen={})
    assert shown(lock, "lock_cycles", None, dried=False).answer == "fails"
    assert lock.seen == {"lock_cycles": 1}
    slipping = replace(lock, rng=cast("np.random.Generator", Still(0.0)))
    assert shown(slipping, "lock_cycles", None, dried=False).answer == "works"
    assert slipping.seen == {"lock_cycles": 1}
    assert shown(replace(SOUND, seen={}), "lock_cycles", None, dried=False).answer == "works"


def test_the_interview_knows_what_whoever_brings_it_knows() -> None:
    """Asked are the five questions, each as often as it can be answered; with luck at one half only the sure ones (0.5 is not below)."""
    assert [r.kind for r in interview(replace(SOUND, seen={}))] == ["ac_reach", "ac_where"]
    lucky = replace(SOUND, seen={}, rng=cast("np.random.Generator", Still(0.3)))
    assert [r.kind for r in interview(lucky)] == list(INTERVIEW)
    assert all(kind in bench_declared().answers for kind in INTERVIEW)


def test_a_simulated_vehicle_has_one_fault() -> None:
    """Parts within their tolerance but the suspect's own, suspects as often as the prior says; the same number, the same vehicle."""
    made = [simulate(n, 7) for n in range(1500)]
    by: dict[str, list[Truth]] = {}
    for one in made:
        by.setdefault(one.suspect, []).append(one)
    for name, share in prior_without_logs().items():
        assert len(by[name]) / len(made) == pytest.approx(
            share, abs=4 * math.sqrt(share / len(made))
        )
    for one in made:
        off = one.suspect
        opened = off == "pilot_open"
        assert (one.r2 == OPEN_OHM) == opened
        assert (one.r3 == OPEN_OHM) == (opened or off == "never_requests")
        if off not in {"pilot_resistor", "pilot_open"}:
            assert abs(one.r2 / 2740 - 1) <= 0.03
        assert (one.beside < OPEN_OHM) == (off == "pilot_leakage")
        if off == "pilot_diode_shorted":
            assert one.leak <= 5
        elif off == "pilot_diode_leaky":
            assert 500 <= one.leak <= 4e4
        else:
            assert one.leak >= 2e5
        assert abs(one.generator - 12) <= 0.6
        assert abs(one.r1 / 1000 - 1) <= 0.03
        sound_proximity = abs(one.proximity / (5 * 0.891) - 1) <= 0.05
        assert sound_proximity or off == "inlet_lock"
        coded = any(abs(one.coding / c - 1) <= 0.03 for c in (1500, 680, 220, 100))
        assert coded or off == "carried_cable"
    worn = [
        (abs(t.r2 / 2740 - 1) > 0.15, abs(t.r3 / 1300 - 1) > 0.15, t.contact > 100)
        for t in by["pilot_resistor"]
    ]
    assert all(sum(one) == 1 for one in worn)
    assert all(any(one[k] for one in worn) for k in range(3))
    assert any(abs(t.proximity / (5 * 0.891) - 1) > 0.05 for t in by["inlet_lock"])
    assert any(t.coding == OPEN_OHM for t in by["carried_cable"])
    assert replace(simulate(3, 7), rng=made[3].rng) == replace(made[3])
    assert simulate(3, 8).r1 != made[3].r1


def first(suspect: str) -> int:
    """Number of the first vehicle with that fault, seed 7."""
    return next(n for n in range(99) if simulate(n, 7).suspect == suspect)


def test_a_vehicle_is_led_until_it_is_settled() -> None:
    """A shorted diode is named before the twelfth step, each step the first of those proposed; the fixed list names it too, with the
    same interview.
    """
    n = first("pilot_diode_shorted")
    case, steps, stopped, posterior = led(simulate(n, 7))
    assert (max(posterior, key=posterior.__getitem__), stopped) == ("pilot_diode_shorted", True)
    told = interview(simulate(n, 7))
    assert case.readings[: len(told)] == told
    assert len(case.readings) == steps + len(told)
    assert (case.prior, case.couplers) == (prior_without_logs(), ("cType2",))
    begun = assess(Case(prior_without_logs(), told, ("cType2",)))
    assert case.readings[len(told)].kind == begun.next[0].step.kind
    again = simulate(n, 7)
    list_too = (*interview(again), *(shown(again, k, s, dried=False) for k, s in FIXED_LIST))
    assert (
        by_fixed_list(simulate(n, 7))
        == assess(Case(prior_without_logs(), list_too, ("cType2",))).posterior
    )


def test_a_wet_inlet_is_dried_once_on_the_way() -> None:
    """Where a path beside the diode leads, the inlet is dried before it is measured again, and that stands among the readings once."""
    case, steps, _, _ = led(simulate(first("pilot_leakage"), 7))
    dried = [r for r in case.readings if r.kind == DRIED]
    assert dried == [Reading(DRIED, answer="yes")]
    told = interview(simulate(first("pilot_leakage"), 7))
    assert len(case.readings) == steps + len(told) + 1
    assert case.readings[-1].kind != DRIED


def test_a_row_tells_what_was_named() -> None:
    """Truth, the most probable part of both ways with its probability, and how many readings have a figure."""
    row = measure_bench(1, seed=7).row(0, named=True)
    case, steps, stopped, posterior = led(simulate(0, 7))
    listed = by_fixed_list(simulate(0, 7))
    assert row == {
        "truth": simulate(0, 7).suspect, "named": max(posterior, key=posterior.__getitem__), "p_named": max(posterior.values()),
        "p_truth": posterior[simulate(0, 7).suspect], "steps": steps, "figures": sum(r.quantity is not None for r in case.readings),
        "stopped": stopped, "listed": max(listed, key=listed.__getitem__), "p_listed": max(listed.values()),
    }  # fmt: skip


def test_a_low_range_is_tried_first() -> None:
    """Beside a path of 5 kΩ a healthy diode shows 6 kΩ's test current, 100 µA, and less than 5 kΩ: v / 5 kΩ and the diode's share of it
    by bisection (derived).
    """
    low, high = 0.0, 1.0
    for _ in range(60):
        v = (low + high) / 2
        i = 0.0
        for _ in range(200):  # damped: i = Is (exp((v - i R2) / n Vt) - 1)
            i = 0.9 * i + 0.1 * 1e-9 * math.expm1((v - i * 2740) / (1.7 * 0.0257))
        low, high = (v, high) if v / 5e3 + i < 1e-4 else (low, v)
    assert value(replace(SOUND, beside=5e3), "cp_pe_forward_ohm") == float(f"{v / 1e-4:.3g}")


TABLE = pl.DataFrame(
    {
        "truth": ["a", "a", "b", "b"], "named": ["a", "b", "b", "b"], "p_named": [0.995, 0.6, 0.98, 0.4], "p_truth": [0.995, 0.2, 0.98, 0.4],
        "steps": [2, 9, 3, 5], "figures": [1, 6, 2, 3], "stopped": [True, False, True, True], "listed": ["a", "a", "a", "a"],
        "p_listed": [0.9, 0.8, 0.7, 0.6],
    }
)  # fmt: skip


def test_figures_of_a_table_by_hand() -> None:
    """Right in 3 of 4, sure in 2 and right there; the list right in 2 of 4 (counted by hand)."""
    told = summary(TABLE)
    assert told == {
        "cases": 4, "right": 0.75, "sure": 0.5, "right_where_sure": 1.0, "median_steps": told["median_steps"], "mean_steps": 4.75,
        "median_figures": told["median_figures"], "list_right": 0.5, "list_steps": 5, "expected_right": pytest.approx(2.975 / 4),
    }  # fmt: skip
    assert told["median_steps"] in {3, 5}
    assert told["median_figures"] in {2, 3}
    by = calibration(TABLE).to_dicts()
    assert [(row["said_above"], row["cases"], row["right"]) for row in by] == [
        (0.0, 1, 1.0), (0.5, 1, 0.0), (0.97, 1, 1.0), (0.99, 1, 1.0),
    ]  # fmt: skip
    said = as_words(TABLE, 7)
    assert "Bench, 4 simulated vehicles, seed 7" in said
    assert "the right part named: 0.750; by the fixed list of 5 readings: 0.500" in said
    assert (
        "sure (97 % and more) in 0.500 of the cases, and right in 1.000 of those (asked at least .97)"
        in said
    )
    assert "4.8 on average" in said
    assert "said on average 0.744, right 0.750" in said
    assert [line.split() for line in said.splitlines()[-4:]] == [
        ["less", "1", "0.400", "1.000"], ["over", "50", "%", "1", "0.600", "0.000"], ["over", "97", "%", "1", "0.980", "1.000"],
        ["over", "99", "%", "1", "0.995", "1.000"],
    ]  # fmt: skip


def drawn_of(suspect: str, name: str) -> np.ndarray:
    """A quantity of all simulated vehicles with a suspect, of six thousand."""
    return np.array([getattr(t, name) for t in fleet() if t.suspect == suspect], dtype=np.float64)


@cache
def fleet() -> list[Truth]:
    """Six thousand simulated vehicles."""
    return [simulate(number, 20261128) for number in range(6000)]


def test_the_simulated_vehicles_have_the_prior_s_faults() -> None:
    """As often as the bench believes before anything is measured, within four standard errors (derived)."""
    for suspect, share in prior_without_logs().items():
        seen = sum(t.suspect == suspect for t in fleet()) / len(fleet())
        assert seen == pytest.approx(share, abs=4 * math.sqrt(share / len(fleet())))


@pytest.mark.parametrize(
    ("suspect", "name", "low", "high"),
    [
        ("no_fault", "r2", 2740 * 0.97, 2740 * 1.03), ("no_fault", "r3", 1300 * 0.97, 1300 * 1.03), ("no_fault", "contact", 0, 3),
        ("no_fault", "ideality", 1.5, 1.95), ("no_fault", "saturation", 3e-10, 1e-8), ("no_fault", "r1", 970, 1030),
        ("no_fault", "proximity", 4.75 * 0.891, 5.25 * 0.891), ("no_fault", "leak", 2e5, 5e9),
        ("pilot_diode_shorted", "leak", 0, 5), ("pilot_diode_leaky", "leak", 500, 4e4), ("pilot_leakage", "beside", 1.8e3, 3e4),
        ("inlet_lock", "proximity", 0, 5), ("pilot_resistor", "r2", 2740 * 0.97 * 0.4, 2740 * 1.03 * 3.5),
        ("pilot_resistor", "r3", 1300 * 0.97 * 0.4, 1300 * 1.03 * 3.5), ("pilot_resistor", "contact", 0, 2500),
    ],
)  # fmt: skip
def test_parts_are_drawn_over_their_range(suspect: str, name: str, low: float, high: float) -> None:
    """None beyond, and both ends nearly met: tolerances of IEC 61851-1 and SAE J1772, as given by secondary sources; the others are the
    simulator's own, wider or narrower than the bench's (judgement).
    """
    found = drawn_of(suspect, name)
    assert low <= found.min() <= found.max() <= high
    reach = (high - low) * 0.12
    if low > 0 and high / low > 20:
        assert found.min() < low * 1.4
        assert found.max() > high / 1.4
    else:
        assert found.min() < low + reach
        assert found.max() > high - reach


def test_one_part_of_a_resistor_fault_is_off() -> None:
    """R2, R3 or the contact, a third each; factors from .4 to .78 or 1.3 to 3.5 (the simulator's own; judgement)."""
    off = np.stack(
        [
            np.abs(drawn_of("pilot_resistor", "r2") / 2740 - 1) > 0.15,
            np.abs(drawn_of("pilot_resistor", "r3") / 1300 - 1) > 0.15,
            drawn_of("pilot_resistor", "contact") >= 250,
        ]
    )
    assert (off.sum(axis=0) == 1).all()
    assert off.mean(axis=1) == pytest.approx([1 / 3] * 3, abs=0.11)
    factor = drawn_of("pilot_resistor", "r2")[off[0]] / 2740
    assert ((factor < 0.78 * 1.03) | (factor > 1.3 * 0.97)).all()
    assert float((factor < 1).mean()) == pytest.approx(0.4, abs=0.17)


def test_what_is_open_is_open_and_the_rest_is_chance() -> None:
    """An open line has neither resistor, one that never asks no R3; six in ten paths dry; two in five locks and half of the cables show."""
    assert set(drawn_of("pilot_open", "r2")) == set(drawn_of("pilot_open", "r3")) == {OPEN_OHM}
    assert set(drawn_of("never_requests", "r3")) == {OPEN_OHM}
    assert drawn_of("never_requests", "r2").max() < 3000
    everyone = [t.beside for t in fleet() if t.suspect != "pilot_leakage"]
    assert set(everyone) == {OPEN_OHM}
    assert float(np.mean([t.dries for t in fleet()])) == pytest.approx(0.6, abs=0.03)
    off = np.abs(drawn_of("inlet_lock", "proximity") / (5 * 0.891) - 1) > 0.05
    assert float(off.mean()) == pytest.approx(0.4 * 0.91, abs=0.08)
    coding = drawn_of("carried_cable", "coding")
    near = np.abs(coding[:, None] / np.array([1500, 680, 220, 100]) - 1).min(axis=1) <= 0.03
    assert float((coding == OPEN_OHM).mean()) == pytest.approx(0.25, abs=0.06)
    assert float(near.mean()) == pytest.approx(0.5, abs=0.09)
    sound = drawn_of("no_fault", "coding")
    kinds = np.abs(sound[:, None] / np.array([1500, 680, 220, 100]) - 1)
    assert kinds.min(axis=1).max() <= 0.03
    assert np.bincount(kinds.argmin(axis=1)) / sound.size == pytest.approx([0.25] * 4, abs=0.09)
    leak = drawn_of("no_fault", "leak")
    assert float((leak >= 8e6).mean()) == pytest.approx(0.85, abs=0.07)
    generator = np.array([t.generator for t in fleet()])
    assert (generator.min(), generator.max()) == (11.4, 12.6)
    assert float(generator.std()) == pytest.approx(0.2, abs=0.01)
    scope = np.array([t.scope for t in fleet()])
    assert (float(scope.mean()), float(scope.std())) == (
        pytest.approx(1, abs=1e-3),
        pytest.approx(0.012, abs=5e-4),
    )
    assert {t.duty for t in fleet()} == {10.0, 16.67, 26.67, 53.33}
    assert {t.meter for t in fleet()} == {
        (0.6, 6.0),
        (0.65, 4.0),
        (1.3, 4.0),
        (2.5, 2.0),
        (3.0, 6.0),
        (4.2, 4.0),
    }
