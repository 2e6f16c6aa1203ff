"""Facts of the bench by themselves: sentences whole, a meter's ranges, what a step costs, ends of ranges."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest

from pipeline.circuit.waveform.rows import TraceError
from pipeline.core.quantities import Quantity, QuantityError
from pipeline.refer.bench import Case, Reading, assess, bench_declared, parse_reading
from pipeline.refer.bench.assess import Meaning, meaning
from pipeline.refer.bench.case import Meter, prior_from_week, prior_without_logs
from pipeline.refer.bench.case_sheet import _observed, _rests_on, case_data
from pipeline.refer.bench.contradictions import ALIKE, _alike
from pipeline.refer.bench.drawings import PAPER, Wave, circuit_svg
from pipeline.refer.bench.next_reading import (
    Proposal,
    _open,
    _proposal,
    _safer_and_as_much,
    _worth,
    proposals,
)
from pipeline.refer.bench.outcomes import _bins, expected
from pipeline.refer.bench.particles import _about, _factor, _log_between, _one_of, particles
from pipeline.refer.bench.predict import (
    Predicted,
    _levels,
    _ohm_density,
    _ranges,
    predicted,
    says_something,
)
from pipeline.refer.bench.trace import trace_readings
from pipeline.refer.bench.weigh import Placed, placed, weigh

PRIOR = prior_without_logs()
NAMES = bench_declared().names
AT = datetime(2026, 4, 1, tzinfo=UTC)


def told(*typed: tuple[str, str, str | None]) -> tuple[str, ...]:
    """What is said to contradict, of readings (kind, value, state)."""
    rows = (parse_reading(kind, value, state=state, decimal_point=True) for kind, value, state in typed)  # fmt: skip
    return assess(Case(PRIOR, tuple(rows))).contradictions


HIGH, LOW = "Pilot's positive level in B2", "Pilot's negative level in B2"
REVERSE = "Pilot to earth, leads exchanged: black on CP, red on PE (reverse)"


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ([("cp_high_v", "90", "B2")],
         (f"{HIGH}: 90.0 V fits no suspect (over 99 % that it means nothing); a tenth would fit: the oscilloscope is set to ×10 with a "
         "×1 probe.")),
        ([("cp_high_v", "0.9", "B2")],
         f"{HIGH}: 0.9 V fits no suspect (over 99 % that it means nothing); ten times as much would fit: a ×10 probe read as ×1."),
        ([("cp_low_v", "12.0", "B2")],
         (f"{LOW}: 12.0 V fits no suspect (over 99 % that it means nothing); with the other sign it would fit: the leads or the clip are "
         "exchanged.")),
        ([("cp_pe_forward_ohm", "2740", None), ("cp_pe_reverse_ohm", "2.7400", None)],
         (f"{REVERSE}: 2.74 Ω fits no suspect together with the other readings (over 99 % that it means nothing); a thousand times as "
         "much would fit: a prefix left out (Ω for kΩ, kΩ for MΩ).")),
        ([("cp_pe_forward_ohm", "2740", None), ("cp_pe_reverse_ohm", "2.74 MΩ", None)],
         (f"{REVERSE}: 2.74 MΩ fits no suspect together with the other readings (86 % that it means nothing); a thousandth would fit: a "
         "prefix too large (kΩ for Ω, MΩ for kΩ).")),
        ([("cp_high_v", "7.5", "B2"), ("cp_high_v", "6", "C2")],
         f"{HIGH}: 7.5 V fits no suspect together with the other readings (99 % that it means nothing). Measure it again before it counts."),
        ([("cp_low_v", "-12", None)],
         "Pilot's negative level in a state not given: without the pilot's state, with the PWM on, it weighs nothing."),
    ],
)  # fmt: skip
def test_what_contradicts_is_a_whole_sentence(
    typed: list[tuple[str, str, str | None]], said: str
) -> None:
    """What was read, that it fits nothing, and what slip of a probe, a lead or a pen would make it fit (common practice)."""
    assert said in told(*typed)


def test_a_pair_that_no_slip_explains_is_measured_again() -> None:
    """Forward 5.7 over reverse 2.7 kΩ fits no circuit either way round."""
    said = told(("cp_pe_reverse_ohm", "2740", None), ("cp_pe_forward_ohm", "5740", None))
    assert said[0] == (
        "Forward is above reverse: a diode from CP to PE cannot do that. Measure the pair again."
    )


@pytest.mark.parametrize(
    ("a", "b", "same"),
    [(100.0, 100.0 * ALIKE, True), (100.0, 116.0, False), (116.0, 100.0, False), (None, 1.0, False), (1.0, None, False)],
)  # fmt: skip
def test_two_resistances_are_alike_up_to_the_ratio(a: Any, b: Any, *, same: bool) -> None:
    """The ratio itself belongs to them (decided); what was not read is like nothing."""
    assert _alike(a, b) is same


def test_a_level_of_minus_151_volts_is_none() -> None:
    """The bound is the same on both sides; a case may be without readings."""
    assert parse_reading("cp_low_v", "-150").quantity == Quantity(-150.0)
    with pytest.raises(QuantityError, match=r"^cp_low_v: "):
        parse_reading("cp_low_v", "-150.5")
    assert Case(PRIOR).readings == ()


def share_rows(shares: list[float]) -> Placed:
    """A reading that each suspect makes so probable."""

    class Given(Placed):
        """With the row as given."""

        @property
        def by_suspect(self) -> Any:
            return np.log(np.array(shares))

    return Given(Reading("look", answer="fine"), dried=False, instrument=0)


def test_what_a_reading_means_by_how_many_it_fits() -> None:
    """Named are the fewer: those it speaks against, or those it fits; the threshold itself fits (decided)."""
    part = [bench_declared().suspects[n].part for n in NAMES]
    n, few = len(NAMES), len(NAMES) // 2
    some = "; ".join(part[1:3])
    assert meaning(share_rows([1.0] * n)) == "Decides nothing by itself."
    assert meaning(share_rows([1.0] * (n - 1) + [0.02])) == "Decides nothing by itself."
    assert meaning(share_rows([1.0, 0.01, 0.01] + [1.0] * (n - 3))) == (
        f"Speaks against: {some}. Fits the others."
    )
    assert meaning(share_rows([0.01] + [1.0, 0.2] + [0.01] * (n - 3))) == (
        f"Fits: {some}. Speaks against all others."
    )
    between = [0.1] * (n - 3 - few)
    assert meaning(share_rows([1.0] * 3 + between + [0.01] * few)) == (
        f"Fits: {'; '.join(part[:3])}. Speaks against: {'; '.join(part[n - few :])}."
    )
    assert meaning(share_rows([1.0] + [0.1] * (n - 2 - few) + [0.01] * (few + 1))) == (
        f"Fits: {part[0]}."
    )
    assert meaning(share_rows([1.0] * few + [0.1] * (n - few - 1) + [0.01])).startswith("Fits: ")


@pytest.mark.parametrize(
    ("kind", "states"),
    [
        ("cp_high_v", {None, "A1", "A2", "B1", "B2", "C1", "C2", "D1", "D2"}), ("cp_low_v", {"A2", "B2", "C2", "D2"}),
        ("cp_mean_v", {"A2", "B2", "C2", "D2"}),
    ],
)  # fmt: skip
def test_in_which_states_a_level_weighs(kind: str, states: set[str | None]) -> None:
    """Negative levels and means with the PWM on only; a positive level without state is the generator's; nothing in E and F
    (IEC 61851-1 Annex A, as given by secondary sources). Resistances always weigh.
    """
    every = (None, "A1", "A2", "B1", "B2", "C1", "C2", "D1", "D2", "E", "F")
    assert {s for s in every if says_something(Reading(kind, Quantity(1.0), state=s))} == states
    assert says_something(Reading("cp_pe_reverse_ohm", Quantity(1.0), state="E"))


def test_a_meter_that_is_known_has_one_range() -> None:
    """Range and current as named; a known current alone is driven to 3.5 V, a small one to .5 V at least (makers' data, from memory)."""
    p = particles("healthy")
    full = p.drawn["meter_full_scale_v"]
    [(ohm, current, usable)] = _ranges(p, Meter(1e-3, 4e4), 0, by_hand=True)
    assert (set(ohm), set(current), usable.all()) == ({4e4}, {1e-3}, True)
    [(ohm, current, usable)] = _ranges(p, Meter(None, 4e4), 0, by_hand=False)
    assert (set(ohm), usable.all()) == ({4e4}, True)
    assert current == pytest.approx(full / 4e4)
    for amps, least in ((5e-4, 3.5), (1e-4, 0.5)):
        [(ohm, current, usable)] = _ranges(p, Meter(amps, None), 0, by_hand=True)
        assert ohm == pytest.approx(np.maximum(full, least) / amps)
        assert (set(current), usable.all()) == ({amps}, True)


def test_a_meter_that_is_not_known_has_ranges_by_decades() -> None:
    """2, 4 or 6 kΩ and its tens, four or five of them; by hand one of the three lowest may be set (decided). Full scale is the same
    voltage on each.
    """
    p = particles("healthy")
    drawn = p.drawn
    for instrument, by_hand in ((0, False), (0, True), (1, True)):
        full, counts, decades, fixed = (
            np.roll(drawn[n], 101 * instrument)
            for n in ("meter_full_scale_v", "meter_counts", "meter_decades", "fixed_decade")
        )
        found = _ranges(p, Meter(), instrument, by_hand=by_hand)
        assert len(found) == 5
        for decade, (ohm, current, usable) in enumerate(found, 1):
            assert ohm == pytest.approx(counts * 100 * 10.0**decade)
            assert ohm * current == pytest.approx(full)
            free = decade <= decades
            assert (usable == (np.where(fixed > 0, fixed == decade, free) if by_hand else free)).all()  # fmt: skip


@pytest.mark.parametrize("dried", [False, True])
def test_what_an_ohmmeter_shows_of_a_leak(*, dried: bool) -> None:
    """On one range: the resistance up to full scale, over range beyond it; the leak's part of it is known within 8 %, forwards the
    diode's within 12 % (judgement), added in squares to the meter's 1.5 %.
    """
    p = particles("pilot_leakage")
    circuit = p.dry_circuit if dried else p.circuit
    for kind, part_sd in (("cp_pe_reverse_ohm", 0.08), ("cp_pe_forward_ohm", 0.12)):
        found = predicted(
            Reading(kind, instrument="40 kΩ, 1 mA"), "pilot_leakage", dried=dried, instrument=0
        )
        current_a = np.full(p.drawn["dries"].shape, 1e-3)
        forward = kind == "cp_pe_forward_ohm"
        ohm = circuit.forward_reading_ohm(current_a) if forward else circuit.reverse_reading_ohm()
        assert found.value == pytest.approx(np.where(ohm <= 4e4, ohm, np.inf))
        shown = np.where(ohm <= 4e4, ohm, 2740.0)
        want = np.hypot(0.015, np.clip(1 - 2740 / shown, 0.2, 1) * part_sd)
        assert (found.unit, found.sd) == ("ohm", pytest.approx(want))


def test_each_state_has_its_load() -> None:
    """A without a load is the generator's own; C and D close S2, B does not; the negative level comes by its own half of the
    generator (derived).
    """
    p = particles("pilot_diode_shorted")
    drawn = p.drawn
    high, low = _levels(p, "A", dried=False)
    assert (high == drawn["generator_high_v"]).all()
    assert (low == -drawn["generator_low_v"]).all()
    for letter in ("B", "C", "D"):
        high, low = _levels(p, letter, dried=False)
        assert (high == p.circuit.levels(letter, drawn["generator_high_v"], drawn["r1_ohm"])[0]).all()  # type: ignore[arg-type]  # fmt: skip
        assert (low == p.circuit.levels(letter, drawn["generator_low_v"], drawn["r1_ohm"])[1]).all()  # type: ignore[arg-type]  # fmt: skip
    wet, dry = (_levels(particles("pilot_leakage"), "B", dried=d)[1] for d in (False, True))
    assert (dry <= wet + 1e-9).all()
    assert (dry < wet - 0.1).any()


def test_how_well_resistances_fit() -> None:
    """At the value itself the density of the normal in ln ohm; over range fits what is over range, and with a bound what lies above it,
    half of it at the bound; below half an ohm all is alike (derived).
    """
    found = Predicted(np.array([1e3, 1e6, 2e6, np.inf, 0.1]), "ohm", 0.02)
    log, stray = _ohm_density(1e3, None, found)
    peak = -np.log(0.02 * np.sqrt(2 * np.pi))
    assert log[0] == pytest.approx(peak)
    assert log[3] == -np.inf
    assert stray == pytest.approx(np.log(0.7 / np.log(1e9 / 0.5)))
    assert _ohm_density(1e3 * np.exp(0.02), None, found)[0][0] == pytest.approx(peak - 0.5)
    assert _ohm_density(0.3, None, found)[0][4] == pytest.approx(peak)
    over, stray = _ohm_density(None, None, found)
    assert np.exp(over).tolist() == [0, 0, 0, 1, 0]
    assert stray == pytest.approx(np.log(0.3))
    above = np.exp(_ohm_density(None, 1e6, found)[0])
    assert above == pytest.approx([0, 0.5, 1, 1, 0])


def test_outcomes_are_counted_in_bins_that_end() -> None:
    """Ohms by ln from .5 up, volts from -15, per cent from 0; what is over range has the last bin, what lies beyond the one before it."""
    assert _bins(np.array([-15.0, -14.81, -14.79, 0.1, 1e6, np.inf]), "V").tolist() == [
        0, 0, 1, 75, 398, 399,
    ]  # fmt: skip
    assert _bins(np.array([0.0, 2.1, 99.9]), "%").tolist() == [0, 1, 49]
    assert _bins(np.array([0.1, 0.5, 0.5 * np.exp(0.12), 1e12]), "ohm").tolist() == [
        0, 0, 2, int((np.log(1e9) + 0.7) / 0.06),
    ]  # fmt: skip


def weighed_of(*readings: Reading) -> Any:
    """Weighed with no log's word."""
    return weigh(PRIOR, placed(Case(PRIOR, readings)))


@pytest.mark.parametrize("name", bench_declared().steps)
@pytest.mark.parametrize("stands", ["any", "dead", "awake", "simulated", "procedure"])
def test_a_step_costs_its_minutes_and_the_way_there(name: str, stands: str) -> None:
    """Where the vehicle stands so already, or any way will do, the step alone (schemas/bench/steps.yaml)."""
    steps, setups = bench_declared().steps, bench_declared().setups
    found = _proposal(name, weighed_of(), stands, "why")
    there = steps[name].setup in {"any", stands}
    assert found.minutes == steps[name].minutes + (0 if there else setups[steps[name].setup].minutes)  # fmt: skip
    assert (found.stands, found.because) == (setups[steps[name].setup].words, "why")


def test_expected_values_bear_the_unit_of_what_is_read() -> None:
    """Volts at a level, ohms at a resistance, per cent at a duty; words at what is seen, with how probable they are."""
    steps, weighed = bench_declared().steps, weighed_of()
    for name, unit in (("low_b", "V"), ("mean_b", "V"), ("proximity", "V"), ("reverse", "Ω")):
        rows = expected(steps[name], weighed)
        assert [row[0] for row in rows] == [n for n, p in weighed.named.items() if p >= 0.02]
        assert all(unit in words or words == "over range" for *_, words in rows)
    words = {name: said for name, _, said in expected(steps["lock_cycles"], weighed)}
    known = bench_declared().answers["lock_cycles"].words
    assert all(any(said.startswith(f"{w} (") for w in known) for said in words.values())
    assert len(set(words.values())) > 1


def proposed(risk: int, bits: float) -> Proposal:
    """A step of that risk that promises so much."""
    step = replace_step(risk)
    return Proposal(f"r{risk}", step, bits, 10.0, "", weighed_of())


def replace_step(risk: int) -> Any:
    """A declared step at another risk."""
    return bench_declared().steps["look"].model_copy(update={"risk": risk})


def test_a_riskier_step_waits_for_a_safer_one_that_tells_as_much() -> None:
    """98 in 100 of its bits are as much (decided); the same risk is no safer. Worth is bits by minutes and risk."""
    assert _safer_and_as_much(proposed(0, 0.98), proposed(1, 1.0))
    assert not _safer_and_as_much(proposed(0, 0.97), proposed(1, 1.0))
    assert not _safer_and_as_much(proposed(1, 2.0), proposed(1, 1.0))
    assert _worth(proposed(2, 1.0)) == pytest.approx(1 / (10 + 15))


def test_what_was_done_is_not_asked_again() -> None:
    """A figure once, what is seen twice, at high-voltage parts once (decided); known-good vehicles do not count; a step needs its
    coupler, where the couplers are known.
    """
    steps = bench_declared().steps
    fine = parse_reading("lock_cycles", bench_declared().answers["lock_cycles"].answers[0])
    high = parse_reading("cp_high_v", "9", state="B2")

    def is_open(step: str, *readings: Reading, couplers: tuple[str, ...] = ()) -> bool:
        return _open(steps[step], Case(PRIOR, readings, couplers))

    assert is_open("lock_cycles", fine)
    assert not is_open("lock_cycles", fine, fine)
    assert not is_open("high_b", high)
    assert is_open("high_c", high)
    assert is_open("high_b", replace(high, note="known-good van"))
    asked = bench_declared().answers["charger_procedure"].answers[0]
    assert not is_open("charger_procedure", parse_reading("charger_procedure", asked))
    assert is_open("proximity")
    assert is_open("proximity", couplers=("cType1", "cType2"))
    assert not is_open("proximity", couplers=("cType2",))


def test_the_best_step_comes_first() -> None:
    """By bits for minutes and risk, safer first, then by name; what tells less than 2 hundredths of a bit is not proposed (decided)."""
    found = proposals(Case(PRIOR), weighed_of())
    order = [(-_worth(p), p.step.risk, p.name) for p in found]
    assert order == sorted(order)
    assert len(found) > 5
    assert min(p.bits for p in found) >= 0.02
    assert all(p.because == "" for p in found)
    fine = parse_reading("lock_cycles", bench_declared().answers["lock_cycles"].answers[0])
    step = bench_declared().steps["lock_cycles"]
    asked, first = (
        Proposal("lock_cycles", step, 1.0, 1.0, "", w) for w in (weighed_of(fine), weighed_of())
    )
    question = bench_declared().answers["lock_cycles"].question
    assert (first.question, asked.question) == (
        question,
        question + " Once more, by another pair of eyes.",
    )
    assert "by another pair" not in {p.name: p for p in found}["trouble_codes"].question


def test_the_wave_of_a_vehicle_is_what_was_read_in_that_state() -> None:
    """Levels and duty of the state drawn, the last of each; without a positive level there is nothing to draw."""
    rows = [parse_reading(k, v, state=s) for k, v, s in (
        ("cp_high_v", "8", "B2"), ("cp_high_v", "9", "B2"), ("cp_low_v", "-12", "B2"), ("cp_duty_pct", "25", "B2"),
        ("cp_high_v", "6", "C2"),
    )]  # fmt: skip
    assert _observed(Case(PRIOR, tuple(rows)), "B2") == Wave(9.0, -12.0, 25.0)
    assert _observed(Case(PRIOR, tuple(rows)), "C2") == Wave(6.0, None, None)
    assert _observed(Case(PRIOR, tuple(rows[2:4])), "B2") is None


def test_a_case_says_by_what_it_was_weighed() -> None:
    """The standards as far as they are known here, the share of stray readings, and instruments by name, each once."""
    case = Case(PRIOR, (parse_reading("cp_high_v", "9", state="B2"),))
    seen = [Meaning(parse_reading("cp_low_v", "1", instrument=i), "", "") for i in ("b", "a", "b", "")]  # fmt: skip
    assert _rests_on(assess(case), seen)[:2] == [
        "4 readings at the vehicle, with: a, b.",
        (
            "How parts within their tolerance would read, by IEC 61851-1 and SAE J1772 as given by secondary sources; one reading in a "
            "hundred is taken to mean nothing."
        ),
    ]
    page = case_data(case, assess(case), None, AT)
    leader = assess(case).leader
    assert page["circuit"] == circuit_svg(leader, PAPER)
    part = bench_declared().suspects[leader].part
    assert page["drawing_note"] == (
        f"Expected of: {part}. Nominal levels by IEC 61851-1 Annex A, as given by secondary sources."
    )
    assert page["foot"] == (
        "Readings were taken by the people named; the probabilities are computed from them. The maker's procedure, local codes and "
        "licensed practice come before this page. Times are UTC."
    )


def test_a_week_that_names_nothing_shares_out_as_without_logs() -> None:
    """What is unclear goes to the faults as often as they are met without logs; the vehicle's own share of nothing wrong is the week's
    (derived); none starts below .002 before the sum is made 1 again.
    """
    found = prior_from_week(0.6, {})
    faults = {n: p for n, p in PRIOR.items() if n != "no_fault"}
    assert found["no_fault"] == pytest.approx(0.4)
    for name, p in faults.items():
        assert found[name] == pytest.approx(0.6 * p / sum(faults.values()))
    sure = prior_from_week(1.0, {"pilot_open": 1.0})
    floor = 0.002 / (1 + 0.002 * (len(PRIOR) - 1))
    assert {round(p, 12) for n, p in sure.items() if n != "pilot_open"} == {round(floor, 12)}


def test_what_is_drawn_covers_its_range_by_its_law() -> None:
    """Evenly about a value, by the logarithm between two, one of several; two fifths of odd resistors are too low (decided)."""
    u = np.array([0.0, 0.5, 1.0])
    assert _about(u, 0.03).tolist() == pytest.approx([0.97, 1.0, 1.03])
    assert _log_between(u, 1e2, 1e4).tolist() == pytest.approx([1e2, 1e3, 1e4])
    assert _one_of(np.array([5.0, 10.0]), np.array([0.0, 0.49, 0.5, 0.99])).tolist() == [5, 5, 10, 10]  # fmt: skip
    assert _factor(u, np.array([0.39, 0.4, 1.0])).tolist() == pytest.approx([0.35, 1.25 * 3.2**0.5, 4.0])  # fmt: skip


def test_a_shorted_diode_has_nothing_more_to_tell() -> None:
    """How large, which resistor, and whether it dries belong to other suspects."""
    rows = (parse_reading(k, "2.74 kΩ") for k in ("cp_pe_forward_ohm", "cp_pe_reverse_ohm"))
    settled = assess(Case(PRIOR, tuple(rows)))
    assert (settled.leader, settled.detail) == ("pilot_diode_shorted", "")


def test_a_stretch_within_the_tolerances_ends_its_sentence() -> None:
    """State, time and level; nothing is said of a PWM that is not there."""
    text = "\n".join(["time (s),volts (V)", *(f"{n / 500_000:.7f},12.0" for n in range(15_000))])
    assert trace_readings(text, where="t.csv")[1] == (
        "A1 0.000 to 0.029 s: high 12.00 V (12.00 to 12.00)."
    )


def test_a_long_trace_is_told_by_its_first_six_stretches() -> None:
    """Six stretches are told, and the longest is read wherever it stands (decided)."""
    rate, high = 500_000, [12.0, 9.0] * 5
    long = 0.03
    volts = [v for n, v in enumerate(high) for _ in range(int(rate * (long if n == 8 else 0.02)))]
    text = "\n".join(["time (s),volts (V)", *(f"{n / rate:.7f},{v}" for n, v in enumerate(volts))])
    found, said = trace_readings(text, where="t.csv")
    assert said.count(" s: high 12.00 V") == 3
    assert said.count(" s: high 9.00 V") == 3
    assert next((r.kind, r.quantity and r.quantity.value) for r in found) == ("cp_high_v", 12.0)


def test_an_instrument_that_is_not_named_is_the_first_one() -> None:
    """Readings of one instrument share its errors; each further name is another, in the order they come (decided)."""
    rows = [
        parse_reading("cp_low_v", "-12", state="B2", instrument=i)
        for i in ("", "a", "b", "", "a", "c")
    ]
    assert [one.instrument for one in placed(Case(PRIOR, tuple(rows)))] == [0, 0, 1, 0, 0, 2]
    assert [one.instrument for one in placed(Case(PRIOR, tuple(rows[1:3])))] == [0, 1]


def test_what_came_before_drying_is_of_the_wet_inlet() -> None:
    """Drying is no reading of its own; a known-good vehicle's are left out, and the ohm pair where it tells nothing."""
    low = parse_reading("cp_low_v", "-12", state="B2")
    good, pair = replace(low, note="known-good"), parse_reading("cp_pe_reverse_ohm", "OL")
    case = Case(PRIOR, (low, good, pair, parse_reading("dried", ""), low))
    assert [(one.reading, one.dried) for one in placed(case)] == [
        (low, False),
        (pair, False),
        (low, True),
    ]
    assert [one.reading for one in placed(case, without_pair=True)] == [low, low]


def test_a_trace_that_cannot_be_read_names_its_file() -> None:
    """The message says where."""
    with pytest.raises(TraceError) as told_why:
        trace_readings("nothing", where="van7.csv")
    assert told_why.value.where == "van7.csv"
