"""The simulated pilot circuit against the published windows."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from sample_logs.generator import World, circuit

# IEC 61851-1 Annex A component limits, as given by secondary sources; Vf and EV tolerances from
# memory.
CORNERS = list(
    itertools.product((11.4, 12.6), (970.0, 1030.0), (0.97, 1.03), (0.97, 1.03), (0.55, 0.85))
)


def corners(r3_ohm: float | None) -> np.ndarray:
    """Positive level at every corner of tolerance, with R3 in parallel if given."""
    out = []
    for vg, r1, k2, k3, vf in CORNERS:
        load = 2740.0 * k2 if r3_ohm is None else circuit.parallel(2740.0 * k2, r3_ohm * k3)
        out.append(
            circuit.high_side(np.array([vg]), np.array([r1]), np.array([load]), np.array([vf]))[0]
        )
    return np.array(out)


@pytest.mark.parametrize(
    ("r3_ohm", "low_v", "high_v"),
    [(None, 8.37, 9.59), (1300.0, 5.47, 6.53), (270.0, 2.59, 3.28)],
)
def test_worst_case_of_the_circuit_is_the_published_window(
    r3_ohm: float | None, low_v: float, high_v: float
) -> None:
    """States B, C, D: the corners span the windows of IEC 61851-1 Table A.3 (from memory.

    Derived here).
    """
    levels = corners(r3_ohm)
    assert levels.min() == pytest.approx(low_v, abs=0.01)
    assert levels.max() == pytest.approx(high_v, abs=0.01)


@pytest.mark.parametrize(("load_ohm", "level_v"), [(2740.0, -8.79), (881.7, -5.62), (245.8, -2.37)])
def test_shorted_diode_mirrors_the_divider(load_ohm: float, level_v: float) -> None:
    """A shorted diode puts the negative level at -12*R/(R1+R) (derived); a sound one leaves -12 V."""
    one, r1, load = np.array([12.0]), np.array([1000.0]), np.array([load_ohm])
    assert circuit.low_side(one, r1, load, np.zeros(1))[0] == pytest.approx(level_v, abs=0.01)
    sound = circuit.low_side(one, r1, load, np.array([circuit.HEALTHY_LEAK_OHM]))[0]
    assert sound == pytest.approx(-12.0, abs=0.001)


# Laws of duty 0.6 and 2.5: IEC 61851-1 Table A.8 / SAE J1772, as given by secondary sources; worked
# by hand.
DUTY = [
    *(
        (10.0, 6.0),
        (16.0, 9.6),
        (16.67, 10.0),
        (25.0, 15.0),
        (26.67, 16.0),
        (33.33, 20.0),
        (40.0, 24.0),
    ),
    *(
        (50.0, 30.0),
        (53.33, 32.0),
        (66.67, 40.0),
        (80.0, 48.0),
        (85.0, 51.0),
        (86.0, 55.0),
        (90.0, 65.0),
    ),
    *(
        (89.2, 63.0),
        (92.0, 70.0),
        (96.0, 80.0),
        (96.5, 80.0),
        (97.5, 0.0),
        (7.5, 0.0),
        (5.0, 0.0),
        (9.0, 6.0),
    ),
]


@pytest.mark.parametrize(("duty_pct", "current_a"), DUTY)
def test_duty_law(duty_pct: float, current_a: float) -> None:
    """Worked examples of duty cycle to current."""
    assert circuit.available_current(np.array([duty_pct]))[0] == pytest.approx(current_a, abs=0.01)


def test_duty_law_inverts() -> None:
    """The duty written for a current offers that current."""
    amps = np.array([6.0, 10.0, 13.0, 16.0, 20.0, 32.0, 48.0, 55.0, 63.0, 80.0])
    assert circuit.available_current(circuit.duty_for(amps)) == pytest.approx(amps)


def test_levels_of_worlds_stay_in_the_windows(worlds: list[World]) -> None:
    """Healthy attempts read B and C inside the windows, give or take the EVSE's own meter error."""
    meter_v = 0.05 * 5 + 0.06 * 5
    for world in worlds:
        a = world.attempts.filter(
            (world.attempts["evse_fault"].ne_missing("pilot_generator"))
            & (world.attempts["leak_ohm"] > 1e9)
        )
        assert a["high_b_v"].is_between(8.37 - meter_v, 9.59 + meter_v).all()
        assert a["high_c_v"].is_between(5.47 - meter_v, 6.53 + meter_v).all()
        assert a["low_b_v"].is_between(-12.6 - 0.7, -11.4 + 0.7).all()


def test_shorted_vehicles_read_between_the_published_limits(worlds: list[World]) -> None:
    """Negative level in B2 with a shorted diode.

    -9.38 to -8.22 V (derived), at healthy EVSEs, plus meter error.
    """
    seen = 0
    for world in worlds:
        a = world.attempts
        shorted = a.filter(
            (a["vehicle_fault"].eq_missing("pilot_diode_shorted"))
            & a["evse_fault"].ne_missing("pilot_generator")
        )
        seen += shorted.height
        assert shorted["low_b_v"].is_between(-9.38 - 0.7, -8.22 + 0.7).all()
        if shorted.height:
            median = shorted["low_b_v"].median()
            assert isinstance(median, float)
            assert -9.38 < median < -8.22
    assert seen > 100
