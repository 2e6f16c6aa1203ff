"""Every cause's levels and meter readings, against the arithmetic of the published circuit."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.circuit.causes import (
    BESIDE_OHM,
    CONTACT_OHM,
    DIODE_LEAK_OHM,
    LEAK_OHM,
    RESISTOR_FACTOR,
    VARIANTS,
    PilotCircuit,
    State,
    beside,
    circuit_of,
    contact,
    leaky,
    open_line,
    r2_off,
    r3_off,
    shorted,
)
from pipeline.circuit.pilot import LOAD_OHM, R2_OHM, high_v, low_v

STATES: tuple[State, ...] = ("B", "C", "D")
ohms = st.floats(1e3, 1e6)


@pytest.mark.parametrize(
    ("circuit", "state", "high", "low"),
    [
        pytest.param(PilotCircuit(), "A", 12.0, -12.0, id="sound A"),
        pytest.param(PilotCircuit(), "B", 8.98, -12.0, id="sound B"),
        pytest.param(PilotCircuit(), "C", 6.00, -12.0, id="sound C"),
        pytest.param(shorted(), "B", 8.79, -8.79, id="short B"),
        pytest.param(shorted(), "C", 5.62, -5.62, id="short C"),
        pytest.param(shorted(), "D", 2.37, -2.37, id="short D"),
        pytest.param(beside(10e3), "A", 10.9, -10.9, id="10 kohm beside A"),
        pytest.param(beside(10e3), "B", 8.4, -10.9, id="10 kohm beside B"),
        pytest.param(beside(10e3), "C", 5.7, -10.9, id="10 kohm beside C"),
        pytest.param(contact(300.0), "C", 6.8, -12.0, id="300 ohm contact C"),
        pytest.param(open_line(), "B", 12.0, -12.0, id="open"),
    ],
)
def test_levels_are_those_of_the_circuit(
    circuit: PilotCircuit, state: State, high: float, low: float
) -> None:
    """The figures of the healthy and shorted pilot, of a path beside the diode and of a contact resistance (derived)."""
    got = circuit.levels(state)
    assert float(got[0]) == pytest.approx(high, abs=0.06)
    assert float(got[1]) == pytest.approx(low, abs=0.02)


@given(ohms)
def test_a_leak_leaves_the_highs_and_parts_the_lows(leak_ohm: float) -> None:
    """In series with the load: -12 (R + load) / (1000 + R + load), so C2 reads higher than B2; the highs stay (derived)."""
    for state in STATES:
        high, low = leaky(leak_ohm).levels(state)
        assert float(high) == pytest.approx(float(PilotCircuit().levels(state)[0]))
        assert float(low) == pytest.approx(low_v(leak_ohm + LOAD_OHM[state]))
    assert leaky(leak_ohm).levels("C")[1] > leaky(leak_ohm).levels("B")[1]


@given(ohms)
def test_a_path_beside_the_diode_lowers_the_highs_and_keeps_the_lows_alike(path_ohm: float) -> None:
    """Low = -12 R / (1000 + R) in every state, but for the good diode's own leak; highs fall (derived)."""
    lows = [float(beside(path_ohm).levels(state)[1]) for state in STATES]
    assert lows == pytest.approx([low_v(path_ohm)] * 3, abs=2e-3)
    for state in STATES:
        assert beside(path_ohm).levels(state)[0] < PilotCircuit().levels(state)[0]


@pytest.mark.parametrize(
    "circuit", [r2_off(1.5), r3_off(0.7), contact(200.0)], ids=["R2", "R3", "contact"]
)
def test_resistors_move_the_highs_only(circuit: PilotCircuit) -> None:
    """The negative level meets the blocking diode whatever the resistors are (derived)."""
    for state in STATES:
        assert float(circuit.levels(state)[1]) == pytest.approx(-12.0, abs=1e-3)
    assert abs(float(circuit.levels("C")[0]) - float(PilotCircuit().levels("C")[0])) > 0.1


def test_r3_off_shows_in_c_alone_and_contact_in_both() -> None:
    """R3 is not in the loop in B."""
    assert float(r3_off(1.5).levels("B")[0]) == pytest.approx(float(PilotCircuit().levels("B")[0]))
    assert float(contact(300.0).levels("B")[0]) > float(PilotCircuit().levels("B")[0]) + 0.2


def test_the_pair_of_meter_readings_tells_the_causes() -> None:
    """Forward at 1 mA, reverse: sound 3.3 kohm, over range; short 2.74 both; leak R + 2.74 reverse; beside below R2 forward."""
    sound = PilotCircuit()
    assert float(sound.forward_reading_ohm(1e-3)) == pytest.approx(3.3e3, rel=0.01)
    assert float(sound.reverse_reading_ohm()) > 40e6
    assert float(shorted().forward_reading_ohm(1e-3)) == pytest.approx(R2_OHM)
    assert float(shorted().reverse_reading_ohm()) == pytest.approx(R2_OHM)
    assert float(leaky(20e3).reverse_reading_ohm()) == pytest.approx(22_740.0)
    assert R2_OHM < float(leaky(20e3).forward_reading_ohm(1e-3)) < 3.35e3
    wet = beside(4e3)
    assert float(wet.reverse_reading_ohm()) == pytest.approx(4e3, rel=1e-3)
    assert float(wet.forward_reading_ohm(1e-3)) < R2_OHM
    assert float(open_line().forward_reading_ohm(1e-3)) == np.inf
    assert float(open_line().reverse_reading_ohm()) == np.inf


def test_four_kilohm_beside_reads_as_two_currents_in_parallel() -> None:
    """At 1 mA: Vf + 2740 I1 = 4000 (1 mA - I1), Vf 0.55 V: 1.95 kohm (derived)."""
    shown = float(beside(4e3).forward_reading_ohm(1e-3))
    assert shown == pytest.approx(1.95e3, rel=0.01)
    through = 1e-3 - shown * 1e-3 / 4e3
    assert 0.5 < shown * 1e-3 - through * R2_OHM < 0.6


@given(st.floats(1e3, 1e7))
def test_a_leaking_diode_never_reads_below_r2_forward(leak_ohm: float) -> None:
    """Whatever the leak, R2 is in series with it; a path beside the diode is not."""
    for current in (1e-3, 1e-5):
        assert float(leaky(leak_ohm).forward_reading_ohm(current)) >= R2_OHM


def test_a_grid_is_one_circuit() -> None:
    """Arrays go through elementwise: the same levels and readings as one value at a time."""
    for build, grid in ((leaky, LEAK_OHM), (beside, BESIDE_OHM)):
        together = build(grid)
        assert together.levels("C")[1].shape == grid.shape
        assert together.forward_reading_ohm(1e-3)[5] == pytest.approx(
            float(build(grid[5]).forward_reading_ohm(1e-3))
        )
        assert together.reverse_reading_ohm()[5] == pytest.approx(
            float(build(grid[5]).reverse_reading_ohm())
        )


def test_suspects_that_are_not_of_the_pilot_leave_it_sound() -> None:
    """A carried cable, the charger or the lock change no level."""
    for suspect in ("carried_cable", "charger_input", "inlet_lock", "charger_leakage"):
        assert circuit_of(suspect).levels("C") == PilotCircuit().levels("C")
    assert float(circuit_of("pilot_leakage", 4e3).levels("B")[1]) == pytest.approx(
        low_v(4e3), abs=1e-3
    )
    assert float(circuit_of("pilot_diode_shorted").levels("B")[0]) == pytest.approx(
        float(high_v(R2_OHM, diode_v=0.0))
    )
    assert float(PilotCircuit().leak_ohm) == DIODE_LEAK_OHM


def test_whole_ohms_are_taken_as_any_others() -> None:
    """A value typed without a point is a figure like another: every part is held as a float."""
    built = (leaky(5000).leak_ohm, beside(4000).beside_ohm, contact(300).contact_ohm, r2_off(2).r2_ohm, r3_off(2).r3_ohm)  # fmt: skip
    assert {part.dtype for part in built} == {np.dtype(np.float64)}
    assert [float(part) for part in built] == [5000, 4000, 300, 5480, 2600]


def test_r2_off_by_half_lifts_b() -> None:
    """(12 - 0.7) 4110 / 5110 + 0.7 = 9.79 V in B; half of R2 gives (12 - 0.7) 1370 / 2370 + 0.7 = 7.23 V (derived)."""
    assert float(r2_off(1.5).levels("B")[0]) == pytest.approx(9.79, abs=0.005)
    assert float(r2_off(0.5).levels("B")[0]) == pytest.approx(7.23, abs=0.005)


def test_the_values_of_each_cause_span_what_occurs() -> None:
    """From the worst to what hardly shows; a resistor counts from three times its tolerance of 3 % on (decided)."""
    spans = {
        "leak": LEAK_OHM,
        "beside": BESIDE_OHM,
        "contact": CONTACT_OHM,
        "factor": RESISTOR_FACTOR,
    }
    assert {name: (values.min(), values.max()) for name, values in spans.items()} == {
        "leak": (pytest.approx(300.0), pytest.approx(1e6)),
        "beside": (pytest.approx(1.5e3), pytest.approx(300e3)),
        "contact": (pytest.approx(60.0), pytest.approx(2e3)),
        "factor": (pytest.approx(0.5), pytest.approx(3.0)),
    }
    assert np.abs(RESISTOR_FACTOR - 1).min() >= 0.09
    assert [v.unit for variants in VARIANTS.values() for v in variants].count("ohm") == 5
    assert {v.unit for variants in VARIANTS.values() for v in variants} == {"ohm", "of its value"}


def test_a_contact_before_a_shorted_diode_is_one_divider() -> None:
    """Derived from Ohm's law: both levels are the generator's, divided by R1 against contact and R2 together; the EVSE measures
    behind R1.
    """
    high, low = PilotCircuit(contact_ohm=np.array([500.0]), leak_ohm=np.array([0.0])).levels("B")
    expected = 12 * (500 + 2740) / (1000 + 500 + 2740)
    assert (float(high[0]), float(low[0])) == (
        pytest.approx(expected, abs=1e-6),
        pytest.approx(-expected, abs=1e-6),
    )
