"""The parts of the bench by themselves, against figures worked out by hand and sentences whole."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from pipeline.circuit.pilot import DIODE_HI_V, DIODE_LO_V
from pipeline.core.quantities import Quantity, QuantityError
from pipeline.refer.bench import Case, Reading, assess, bench_declared, parse_reading
from pipeline.refer.bench.assess import _between, _dried, _stop
from pipeline.refer.bench.case import (
    plain,
    prior_without_logs,
    reading_of_row,
    row_of_reading,
)
from pipeline.refer.bench.declared import Answer, Declared, Step
from pipeline.refer.bench.finding import FOUND_WORDS, finding_doubts
from pipeline.refer.bench.next_reading import _which_is_told
from pipeline.refer.bench.outcomes import _information, entropy, figure, range_words
from pipeline.refer.bench.particles import particles
from pipeline.refer.bench.predict import Predicted, log_likelihood, predicted, proximity_likelihood
from pipeline.refer.bench.proximity import CODING_OHM, OPEN_OHM, proximity_draws
from pipeline.refer.bench.weigh import Weighed
from pipeline.registry import load_folder

INF = float("inf")


def case(*readings: Reading) -> Case:
    """A vehicle with a Type 2 inlet of which no log tells."""
    return Case(prior_without_logs(), readings, ("cType2",))


@pytest.mark.parametrize(
    ("p", "bits"), [(0.5, 1.0), (0.25, 0.811278), (0.75, 0.811278), (0.0, 0.0), (1.0, 0.0)]
)
def test_entropy_of_a_yes_or_no(p: float, bits: float) -> None:
    """-p log2 p - (1 - p) log2 (1 - p); a quarter has 2 - 0.75 log2 3 bits (derived)."""
    assert entropy(p) == pytest.approx(bits, abs=1e-6)


@pytest.mark.parametrize(
    ("joint", "bits"),
    [
        ([[0.5, 0.0], [0.0, 0.5]], 1.0), ([[0.25, 0.25], [0.25, 0.25]], 0.0), ([[0.25, 0.25], [0.0, 0.5]], 0.311278),
    ],
)  # fmt: skip
def test_information_of_a_step(joint: list[list[float]], bits: float) -> None:
    """H(Y) - H(Y | X): all, nothing, and 0.811278 - 0.5 (derived)."""
    assert _information(np.array(joint)) == pytest.approx(bits, abs=1e-6)


@pytest.mark.parametrize(
    ("value", "unit", "words"),
    [
        (np.arange(1.0, 11.0) * 1e3, "ohm", "1 kΩ to 10 kΩ"),
        (np.full(10, 2740.0), "ohm", "2.74 kΩ"),
        (np.array([*[1e3] * 9, INF]), "ohm", "1 kΩ, or over range (10 %)"),
        (np.array([*[1e6] * 5, *[5e8] * 5]), "ohm", "1 MΩ and more"),
        (np.full(10, INF), "ohm", "over range"),
        (np.array([*[1e3], *[INF] * 30]), "ohm", "over range"),
        (-np.arange(1.0, 11.0), "V", "-10.0 V to -1.0 V"),
    ],
)  # fmt: skip
def test_expected_values_in_words(value: Any, unit: str, words: str) -> None:
    """The middle nine tenths of draws that weigh alike; what a meter cannot show is told with its share (derived)."""
    assert range_words(value, np.full(value.size, 1 / value.size), unit) == words


def test_draws_that_weigh_nothing_are_not_told() -> None:
    """Only 2 kΩ has weight (derived)."""
    assert range_words(np.array([1e3, 2e3, INF]), np.array([0.0, 1.0, 0.0]), "ohm") == "2 kΩ"


@pytest.mark.parametrize(
    ("value", "unit", "words"),
    [(9.04, "V", "9.0 V"), (-99.94, "V", "-99.9 V"), (100.2, "V", "100 V"), (26.67, "%", "26.7 %"), (2740.0, "ohm", "2.74 kΩ")],
)  # fmt: skip
def test_a_figure_has_three_digits_and_its_unit(value: float, unit: str, words: str) -> None:
    """As an instrument would show it (decided)."""
    assert figure(value, unit) == words


@pytest.mark.parametrize(
    ("said", "current_a", "range_ohm"),
    [
        ("bench meter, 0.5 mA", 5e-4, None), ("1,5 mA", 1.5e-3, None), ("10 µA", 1e-5, None), ("10 uA", 1e-5, None),
        ("100 nA", 1e-7, None), ("40 kΩ range", None, 4e4), ("2 MΩ, 1 mA", 1e-3, 2e6), ("600 ohm", None, 600.0),
        ("6 K\u2126", None, 6e3), ("hand meter 3", None, None), ("0 mA, 0 kΩ", None, None),
    ],
)  # fmt: skip
def test_what_an_instrument_says_of_its_range(
    said: str, current_a: float | None, range_ohm: float | None
) -> None:
    """Test current and range in A and Ω, whatever their prefix; none where the words name none or nothing."""
    meter = Reading("cp_pe_forward_ohm", Quantity(1.0), instrument=said).meter
    assert meter.test_current_a == (None if current_a is None else pytest.approx(current_a))
    assert meter.range_ohm == range_ohm


@pytest.mark.parametrize(
    ("kind", "typed", "kept"),
    [
        ("cp_pe_reverse_ohm", "2.74 kΩ", "2740"), ("cp_pe_forward_ohm", "OL", "OL"), ("cp_pe_forward_ohm", "> 40 MΩ", "> 40000000 Ω"),
        ("cp_low_v", "-8.8", "-8.8"), ("cp_duty_pct", "100", "100"), ("lock_cycles", "fails", "fails"), ("dried", "", "yes"),
    ],
)  # fmt: skip
def test_a_reading_comes_back_from_the_store_as_it_was(kind: str, typed: str, kept: str) -> None:
    """Kept in the unit itself; read again it is the same reading, with its spread."""
    first = parse_reading(kind, typed, state="B2", instrument="x", note="n", coupler="cType2")
    assert plain(first) == kept
    row = {
        "reading": kind, "reading_value": kept, "pilot_state": "B2", "coupler": "cType2", "instrument": "x", "note": "n", "at_utc": None,
    }  # fmt: skip
    written = row_of_reading("V", first)
    assert {name: written[name] for name in row} == row
    assert (written["vehicle_id"], written["reading_spread"]) == ("V", None)
    assert reading_of_row(row) == first
    assert reading_of_row({**row, "reading_spread": 0.2}).spread == 0.2


@pytest.mark.parametrize("state", ["A1", "A2", "B1", "B2", "C1", "C2", "D1", "D2", "E", "F"])
def test_each_state_of_the_pilot_may_be_told(state: str) -> None:
    """A1 to D2, E and F: IEC 61851-1 Annex A, as given by secondary sources."""
    assert parse_reading("cp_high_v", "9", state=state).state == state


@pytest.mark.parametrize(
    ("kind", "least", "most", "beyond"),
    [("cp_duty_pct", "0", "100", "100.5"), ("pp_pe_v", "-150", "150", "151"), ("pp_pe_ohm", "0", "1000 MΩ", "1001 MΩ")],
)  # fmt: skip
def test_bounds_are_readings_and_what_lies_beyond_is_none(
    kind: str, least: str, most: str, beyond: str
) -> None:
    """The bounds belong to them (decided); the message names the reading."""
    for value in (least, most):
        assert parse_reading(kind, value).quantity is not None
    with pytest.raises(QuantityError, match=f"^{kind}: "):
        parse_reading(kind, beyond)


YES_OR_NO: dict[str, Any] = {
    "asked": "step", "question": "Is it?", "answers": ("yes", "no"), "words": ("yes", "no"), "source": "judgement",
}  # fmt: skip


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"words": ("yes",)}, "words and answers differ in number"),
        ({"rows": {"else": (0.5, 0.4)}}, "row else: one share above 0 an answer, together 1"),
        ({"rows": {"else": (1.0,)}}, "row else"),
        ({"rows": {"else": (0.3, 0.3, 0.4)}}, "row else"),
        ({"rows": {"else": (1.0, 0.0)}}, "row else"),
        ({"rwos": {"else": (1.0, 0.0)}}, "rwos"),
    ],
)  # fmt: skip
def test_an_answer_declared_wrongly_is_refused(changed: dict[str, Any], said: str) -> None:
    """Each row is a distribution over the answers, none of them impossible."""
    assert Answer(**YES_OR_NO, rows={"else": (0.5, 0.5)})
    with pytest.raises(ValidationError, match=said):
        Answer(**{**YES_OR_NO, "rows": {"else": (0.5, 0.5)}, **changed})


def declared_with(changed: Mapping[str, Any]) -> Declared:
    """Our declarations with one part another."""
    found = load_folder("bench")
    top = {key: found.pop(key) for key in ("suspects", "setups", "risk_minutes", "steps")}
    return Declared.model_validate({**top, "answers": found, **changed})


STEP = {
    "kind": "pp_pe_v",
    "setup": "any",
    "minutes": 1,
    "risk": 0,
    "tool": "t",
    "leads": "l",
    "when_to_stop": "w",
}


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"answers": {"it": {**YES_OR_NO, "rows": {"else": (0.5, 0.5), "ghost": (0.5, 0.5)}}}}, r"it: rows of \['ghost'\]"),
        ({"answers": {"it": {**YES_OR_NO, "rows": {"no_fault": (0.5, 0.5)}}}}, "it: rows of .'carried_cable', 'charger_input'"),
        ({"steps": {"s": {**STEP, "kind": "ghost"}}}, "s: no such reading or answer: ghost"),
        ({"steps": {"s": {**STEP, "setup": "ghost"}}}, "s: no such setup or risk"),
        ({"steps": {"s": {**STEP, "risk": -1}}}, "s: no such setup or risk"),
        ({"steps": {"s": {**STEP, "risk": len(bench_declared().risk_minutes)}}}, "s: no such setup or risk"),
    ],
)  # fmt: skip
def test_declarations_that_name_what_is_not_there_are_refused(
    changed: dict[str, Any], said: str
) -> None:
    """Rows cover all suspects and no others; steps read what there is, in a setup and at a risk that are declared."""
    risk = len(bench_declared().risk_minutes) - 1
    assert declared_with({"steps": {"s": {**STEP, "risk": risk}}}).steps["s"] == Step(
        **{**STEP, "risk": risk}
    )  # type: ignore[arg-type]
    with pytest.raises(ValidationError, match=said):
        declared_with(changed)


SHORTED = {"cp_pe_forward_ohm": Quantity(2750.0), "cp_pe_reverse_ohm": Quantity(2740.0)}


def test_a_finding_that_its_readings_bear_out_is_kept_without_a_question() -> None:
    """The same both ways is a shorted diode; nothing measured asks nothing."""
    assert finding_doubts("diode_shorted", SHORTED) == ()
    assert finding_doubts("no_fault_found", {}) == ()
    assert finding_doubts("no_fault_found", {}, (parse_reading("lock_cycles", "fails"),)) == ()


@pytest.mark.parametrize("chosen", [word for word in FOUND_WORDS if word != "diode_shorted"])
def test_a_finding_that_its_readings_speak_against_is_asked_back(chosen: str) -> None:
    """What was read, what that is, and what was chosen."""
    [said] = finding_doubts(chosen, SHORTED)
    words = {
        "diode_leaky": "a leaking diode", "diode_open": "an open diode", "charger_other": "another fault of the charger",
        "inlet_or_wiring": "inlet or wiring", "no_fault_found": "no fault",
    }  # fmt: skip
    assert (
        said
        == f"forward 2.75 kΩ; reverse 2.74 kΩ: that is a shorted diode, and you chose {words[chosen]}. Sure?"
    )


def test_a_finding_stands_for_its_best_suspect() -> None:
    """A path beside the diode is inlet or wiring, though the other suspects of that finding have next to nothing."""
    wet = {"cp_pe_forward_ohm": Quantity(1500.0), "cp_pe_reverse_ohm": Quantity(2000.0)}
    assert finding_doubts("inlet_or_wiring", wet) == ()


def test_what_was_read_at_the_bench_counts_with_the_finding() -> None:
    """Levels of a shorted diode speak for themselves; what was entered with the finding stands in place of the same reading."""
    levels = tuple(
        parse_reading(k, v, state="B2") for k, v in (("cp_high_v", "8.8"), ("cp_low_v", "-8.8"))
    )
    [said] = finding_doubts("no_fault_found", {}, levels)
    assert said.startswith(
        "Pilot's positive level in B2: 8.8 V; Pilot's negative level in B2: -8.8 V: that is a shorted diode"
    )
    assert (
        finding_doubts("diode_shorted", SHORTED, (parse_reading("cp_pe_reverse_ohm", "OL"),)) == ()
    )


def test_a_settled_case_stops_with_nothing_next() -> None:
    """Both ways alike: the part, how sure, no contradiction, no step."""
    told = assess(case(*(parse_reading(k, "2.74 kΩ") for k in SHORTED)))
    assert told.stop == "Stop: shorted pilot diode, over 99 %. Nothing more needs measuring."
    assert (told.next, told.contradictions, told.finding) == ((), (), "diode_shorted")
    assert _stop("pilot_open", 0.6, ()) == (
        "Stop: no step here tells more. The most probable is open pilot diode or wire, 60 %; go on by the maker's procedure."
    )


@pytest.mark.parametrize(
    ("first", "other"), [("cp_pe_forward_ohm", "cp_pe_reverse_ohm"), ("cp_pe_reverse_ohm", "cp_pe_forward_ohm")]
)  # fmt: skip
def test_one_half_of_the_pair_calls_for_the_other(first: str, other: str) -> None:
    """No part is named by one resistance: whichever was read, the other comes next (common practice)."""
    told = assess(
        case(parse_reading("ac_reach", "stops_before_asking"), parse_reading(first, "2.74 kΩ"))
    )
    assert (told.leader, told.stop, told.next[0].step.kind) == ("pilot_diode_shorted", None, other)
    assert (
        told.next[0].because
        == "The pair decides, not one reading: same leads exchanged, same range, at once."
    )


def test_forward_above_reverse_says_so() -> None:
    """No circuit does that (derived); exchanged it would be a leaking diode, and the sentence says where red belongs."""
    told = assess(
        case(parse_reading("cp_pe_reverse_ohm", "3.8 kΩ"), parse_reading("cp_pe_forward_ohm", "OL"))
    )
    assert told.contradictions[0] == (
        "Forward is above reverse: a diode from CP to PE cannot do that. With the leads exchanged it would fit: red belongs on CP "
        "for forward."
    )


def test_how_large_a_leak_is_by_its_draws() -> None:
    """Weights 0.5, 0.3, 0.2 at 1, 2, 3 kΩ: the twentieth lies at 1 kΩ, 0.95 three quarters from 2 to 3 (derived)."""
    assert _between(np.array([3e3, 1e3, 2e3]), np.array([0.2, 0.5, 0.3])) == "1 kΩ to 2.75 kΩ"


def test_what_goes_when_dry_condemns_nothing() -> None:
    """More probably gone than not: no part; else the harness."""
    assert _dried(0.51).startswith(" It went when the inlet was dried: no part is condemned;")
    assert _dried(0.5) == " It stays when dry: look along the harness."


def test_proximity_of_a_sound_inlet_and_cable() -> None:
    """5 V ±5 % over 330 Ω and 2.7 kΩ ±10 % (SAE J1772, as given by a secondary source): 4.46 V, within 4.13 and 4.75; a coding within 3 %
    of one of the table's (IEC 61851-1 Table B.2, as given by a secondary source).
    """
    volts = proximity_draws("pp_pe_v", "no_fault")
    assert float(np.median(volts)) == pytest.approx(5 * 2700 / 3030, abs=0.03)
    least, most = 4.75 * 2430 / (2430 + 363), 5.25 * 2970 / (2970 + 297)
    assert least <= volts.min() <= least + 0.1
    assert most - 0.1 <= volts.max() <= most
    ohms = proximity_draws("pp_pe_ohm", "no_fault")
    nearest = np.abs(ohms[:, None] / CODING_OHM - 1).min(axis=1)
    assert 0.0299 < nearest.max() <= 0.03
    assert (
        np.unique(np.abs(ohms[:, None] / CODING_OHM - 1).argmin(axis=1), return_counts=True)[
            1
        ].tolist()
        == [1024] * 4
    )


def test_proximity_that_is_off() -> None:
    """Two fifths of faults of the lock show, anywhere from earth to the supply; half of bad cables, half of those open, the rest from 5 Ω
    to 5 kΩ (judgement; the shares are the settings').
    """
    volts = proximity_draws("pp_pe_v", "inlet_lock")
    assert float((volts < 4.0).mean()) == pytest.approx(0.4 * 4 / 5, abs=0.03)
    assert volts.min() < 0.05
    ohms = proximity_draws("pp_pe_ohm", "carried_cable")
    assert float((ohms == OPEN_OHM).mean()) == pytest.approx(0.25, abs=0.02)
    wrong = ohms[(np.abs(ohms[:, None] / CODING_OHM - 1).min(axis=1) > 0.03) & (ohms < OPEN_OHM)]
    assert 5.0 <= wrong.min() < 5.5
    assert 4500 < wrong.max() <= 5000


def predictions(kind: str, state: str | None = None, condition: str = "healthy") -> Predicted:
    """What each drawn circuit of a condition would give."""
    return predicted(Reading(kind, state=state), condition, dried=False)


def test_the_mean_is_that_of_the_levels_by_their_time() -> None:
    """D high + (1 - D) low, seen through the multimeter, where the levels are seen through the oscilloscope (derived)."""
    drawn = particles("healthy").drawn
    high, low = (
        predictions(k, "B2").value / drawn["scope_gain"] for k in ("cp_high_v", "cp_low_v")
    )
    duty = drawn["duty_pct"] / 100
    mean = predictions("cp_mean_v", "B2")
    assert mean.value == pytest.approx(drawn["meter_gain"] * (duty * high + (1 - duty) * low))
    assert (mean.unit, mean.sd) == ("V", 0.06)
    told = predictions("cp_duty_pct")
    assert (told.unit, told.sd, told.value.tolist()) == ("%", 0.7, drawn["duty_pct"].tolist())


def test_a_shorted_diode_is_measured_as_a_resistor() -> None:
    """Both ways R2, with no more doubt than an ohmmeter's; a healthy diode adds its own forwards, a leak its own in reverse."""
    for kind in ("cp_pe_forward_ohm", "cp_pe_reverse_ohm"):
        shorted = predictions(kind, condition="pilot_diode_shorted")
        assert np.unique(shorted.sd).tolist() == [0.015]
        shown = shorted.value[np.isfinite(shorted.value)]
        assert np.abs(shown / 2740 - 1).max() <= 0.03 + 1e-9
    forward = predictions("cp_pe_forward_ohm")
    assert (np.asarray(forward.sd)[np.isfinite(forward.value)] > 0.025).all()
    assert np.isinf(predictions("cp_pe_reverse_ohm").value).mean() > 0.2


@pytest.mark.parametrize(
    ("kind", "value", "density"), [("cp_duty_pct", 50.0, 1 / 100), ("cp_high_v", 9.0, 1 / 30), ("cp_low_v", -9.0, 1 / 30)]
)  # fmt: skip
def test_a_stray_reading_may_lie_anywhere_on_its_scale(
    kind: str, value: float, density: float
) -> None:
    """Even over 0 to 100 %, and over the 30 V from -15 to 15 (decided)."""
    _, stray = log_likelihood(Reading(kind, Quantity(value), state="B2"), "healthy", dried=False)
    assert stray == pytest.approx(np.log(density))


@pytest.mark.parametrize(
    ("kind", "value", "suspect"), [("pp_pe_v", 1.0, "inlet_lock"), ("pp_pe_ohm", 900.0, "carried_cable")]
)  # fmt: skip
def test_proximity_far_from_its_table_speaks_for_one_suspect(
    kind: str, value: float, suspect: str
) -> None:
    """What no sound inlet or cable gives is the lock's or the cable's; all other suspects make it alike."""
    shares = {
        n: proximity_likelihood(Reading(kind, Quantity(value)), n) for n in bench_declared().names
    }
    own = shares.pop(suspect)
    assert len(set(shares.values())) == 1
    assert own > max(shares.values()) + 1


def test_the_codings_of_a_cable() -> None:
    """13, 20, 32 and 63 A: IEC 61851-1 Table B.2, as given by a secondary source."""
    assert CODING_OHM.tolist() == [1500.0, 680.0, 220.0, 100.0]


def test_what_is_drawn_lies_where_it_is_said_to_lie() -> None:
    """Parts within 3 %, the diode's drop and leaks within their ranges, one fault a condition (tolerances: IEC 61851-1 Table A.6 and SAE
    J1772, as given by secondary sources; ranges of faults decided).
    """
    healthy = particles("healthy")
    circuit = healthy.circuit
    assert np.abs(np.asarray(circuit.r2_ohm) / 2740 - 1).max() <= 0.03
    assert np.abs(np.asarray(circuit.r3_ohm) / 1300 - 1).max() <= 0.03
    diode = np.asarray(circuit.diode_v)
    assert DIODE_LO_V <= diode.min() < diode.max() <= DIODE_HI_V
    leak = np.asarray(circuit.leak_ohm)
    assert (leak.min() >= 0.1e6, leak.max() <= 2e9) == (True, True)
    assert float((leak >= 20e6).mean()) == pytest.approx(0.8, abs=0.01)
    assert healthy.drawn["generator_high_v"].min() >= 11.4
    assert healthy.drawn["generator_low_v"].max() <= 12.6
    halves = healthy.drawn["generator_low_v"] - healthy.drawn["generator_high_v"]
    assert float(halves.std()) == pytest.approx(0.08, abs=0.01)
    assert sorted(set(healthy.drawn["meter_counts"])) == [2.0, 4.0, 6.0]
    assert sorted(set(healthy.drawn["meter_decades"])) == [4.0, 5.0]
    assert float((healthy.drawn["fixed_decade"] > 0).mean()) == pytest.approx(0.25, abs=0.01)
    leaky = np.asarray(particles("pilot_diode_leaky").circuit.leak_ohm)
    assert (300 <= leaky.min() < 310, 58e3 < leaky.max() <= 60e3) == (True, True)
    wet = particles("pilot_leakage")
    beside = np.asarray(wet.circuit.beside_ohm)
    assert (1500 <= beside.min() < 1510, 59e3 < beside.max() <= 60e3) == (True, True)
    gone = np.asarray(wet.dry_circuit.beside_ohm) > 1e9
    assert (gone == (wet.drawn["dries"] > 0)).all()
    assert float(gone.mean()) == pytest.approx(0.6, abs=0.01)
    assert np.unique(particles("silent").circuit.r3_ohm).tolist() == [1e12]


def test_one_resistor_is_off_at_a_time() -> None:
    """A third each: a contact of 200 Ω to 3 kΩ in series, R2 or R3 at .35 to .8 or 1.25 to 4 times its value (decided)."""
    made = particles("pilot_resistor")
    variant = made.drawn["variant"]
    off = np.stack(
        [
            np.asarray(made.circuit.contact_ohm) >= 200,
            np.abs(np.asarray(made.circuit.r2_ohm) / 2740 - 1) > 0.15,
            np.abs(np.asarray(made.circuit.r3_ohm) / 1300 - 1) > 0.15,
        ]
    )
    assert (off.sum(axis=0) == 1).all()
    assert (off.argmax(axis=0) == variant).all()
    assert np.bincount(variant.astype(int)) / variant.size == pytest.approx([1 / 3] * 3, abs=0.01)


@pytest.mark.parametrize(("weight_of", "told"), [((1,), True), ((0, 1, 2), False)])
def test_which_resistor_is_told_where_one_has_nine_tenths(
    weight_of: tuple[int, ...], *, told: bool
) -> None:
    """All weight on R2 tells it; a third on each tells nothing, until the level that would has been read."""
    variant = particles("pilot_resistor").drawn["variant"]
    weights = np.isin(variant, weight_of).astype(float)
    within = {"pilot_resistor": weights / weights.sum()}
    weighed = Weighed(np.array([]), within, 0.0, {})
    step = bench_declared().steps["high_b"]
    assert _which_is_told(weighed, [], step) == told
    assert _which_is_told(weighed, [parse_reading(step.kind, "9", state=step.state)], step)
