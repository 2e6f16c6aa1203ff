"""The pilot's levels against the published tables, as far as they could be seen, and against
arithmetic.
"""

from __future__ import annotations

import math

import pytest

from pipeline.circuit import pilot
from pipeline.circuit.pilot import LOAD_OHM, high_v, high_window, low_v, low_window


@pytest.mark.parametrize(
    ("part", "nominal", "tolerance"),
    [
        ("GENERATOR", pilot.GENERATOR_V, pilot.GENERATOR_TOLERANCE),
        ("R1", pilot.R1_OHM, pilot.R1_TOLERANCE),
        ("R2", pilot.R2_OHM, pilot.EV_TOLERANCE),
        ("R3", pilot.R3_OHM, pilot.EV_TOLERANCE),
        ("R3 ventilated", pilot.R3_VENTILATED_OHM, pilot.EV_TOLERANCE),
    ],
)
def test_parts_are_those_of_the_standard(part: str, nominal: float, tolerance: float) -> None:
    """Nominal values as given by secondary sources for IEC 61851-1 Annex A and SAE J1772.

    The EV's 3 % from memory.
    """
    printed = {
        "GENERATOR": (12, 5),
        "R1": (1000, 3),
        "R2": (2740, 3),
        "R3": (1300, 3),
        "R3 ventilated": (270, 3),
    }
    assert (nominal, 100 * tolerance) == pytest.approx(printed[part])


@pytest.mark.parametrize(("state", "ohm"), [("B", 2740.0), ("C", 882.0), ("D", 246.0)])
def test_equivalent_loads(state: str, ohm: float) -> None:
    """2740, 882 and 246 ohm.

    IEC 61851-1 Annex A, as given by a secondary source (makers' manuals).
    """
    assert LOAD_OHM[state] == pytest.approx(ohm, abs=0.5)


@pytest.mark.parametrize(
    ("state", "sound", "shorted"), [("B", 8.98, 8.79), ("C", 6.00, 5.62), ("D", 2.93, 2.37)]
)
def test_nominal_levels(state: str, sound: float, shorted: float) -> None:
    """High half sound and shorted, and negative level of a shorted diode.

    Derived by the divider, to 10 mV.
    """
    assert high_v(LOAD_OHM[state]) == pytest.approx(sound, abs=0.006)
    assert high_v(LOAD_OHM[state], diode_v=0.0) == pytest.approx(shorted, abs=0.006)
    assert low_v(LOAD_OHM[state]) == pytest.approx(-shorted, abs=0.006)


@pytest.mark.parametrize(
    ("state", "lo", "hi", "sae_lo", "sae_hi"),
    [
        ("A", 11.4, 12.6, 11.40, 12.60),
        ("B", 8.37, 9.59, 8.36, 9.56),
        ("C", 5.47, 6.53, 5.48, 6.49),
        ("D", 2.59, 3.28, 2.62, 3.25),
    ],
)
def test_windows_of_the_high_half(
    state: str, lo: float, hi: float, sae_lo: float, sae_hi: float
) -> None:
    """Corners of the tolerances give IEC 61851-1 Table A.3 to 10 mV.

    SAE J1772 Table 4 agrees to 45 mV (both from memory).
    """
    window = high_window(state)
    assert (window.lo_v, window.hi_v) == pytest.approx((lo, hi), abs=0.006)
    assert (window.lo_v, window.hi_v) == pytest.approx((sae_lo, sae_hi), abs=0.045)


@pytest.mark.parametrize(
    ("state", "lo", "hi"), [("B", 8.22, 9.38), ("C", 5.17, 6.09), ("D", 2.14, 2.61)]
)
def test_window_of_a_shorted_low_half(state: str, lo: float, hi: float) -> None:
    """|negative level| of a shorted diode over tolerance: derived.

    No limit between -9.4 and -11.4 V confuses it with a sound one.
    """
    window = low_window(state, shorted=True)
    assert (-window.hi_v, -window.lo_v) == pytest.approx((lo, hi), abs=0.006)
    sound = low_window(state)
    assert (sound.lo_v, sound.hi_v) == pytest.approx((-12.6, -11.4))
    assert window.lo_v > -9.4
    high = high_window(state, shorted=True)
    assert (high.lo_v, high.hi_v) == pytest.approx((lo, hi), abs=0.006)


def test_the_ends_of_a_window_are_its_worst_parts() -> None:
    """The least lift of a shorted diode: strong generator, low R1, high R2 and R3; the most.

    The other way (derived).
    """
    window = low_window("C", shorted=True)
    heavy, light = (
        1 / (1 / (2740 * 0.97) + 1 / (1300 * 0.97)),
        1 / (1 / (2740 * 1.03) + 1 / (1300 * 1.03)),
    )
    assert window.lo_v == pytest.approx(-12.6 * light / (970 + light))
    assert window.hi_v == pytest.approx(-11.4 * heavy / (1030 + heavy))


def test_without_a_vehicle_there_is_nothing_to_short() -> None:
    """In state A both halves are the generator's own, whatever the diode of the vehicle that left
    (derived).
    """
    for shorted in (False, True):
        low, high = low_window("A", shorted=shorted), high_window("A", shorted=shorted)
        assert (low.lo_v, low.hi_v, high.lo_v, high.hi_v) == pytest.approx(
            (-12.6, -11.4, 11.4, 12.6)
        )


def test_a_sound_diode_leaves_the_low_side_at_the_generator() -> None:
    """No CP–PE reverse resistance, no drop: -12 V whatever the load (derived)."""
    assert low_v(math.inf) == -12.0
    assert low_v(2740.0 + 50e6) == pytest.approx(-12.0, abs=1e-3)
