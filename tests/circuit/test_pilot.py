"""The pilot's levels against the published tables, as far as they could be seen, and against arithmetic."""

from __future__ import annotations

import math

import pytest

from pipeline.circuit.pilot import LOAD_OHM, duty_average_v, high_v, high_window, low_v, low_window


@pytest.mark.parametrize(("state", "ohm"), [("B", 2740.0), ("C", 882.0), ("D", 246.0)])
def test_equivalent_loads(state: str, ohm: float) -> None:
    """2740, 882 and 246 ohm: IEC 61851-1 Annex A, as given by a secondary source (makers' manuals)."""
    assert LOAD_OHM[state] == pytest.approx(ohm, abs=0.5)


@pytest.mark.parametrize(("state", "sound", "shorted"), [("B", 8.98, 8.79), ("C", 6.00, 5.62), ("D", 2.93, 2.37)])
def test_nominal_levels(state: str, sound: float, shorted: float) -> None:
    """High half sound and shorted, and low half of a shorted diode: derived by the divider, to 10 mV."""
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
def test_windows_of_the_high_half(state: str, lo: float, hi: float, sae_lo: float, sae_hi: float) -> None:
    """Corners of the tolerances give IEC 61851-1 Table A.3 to 10 mV; SAE J1772 Table 4 agrees to 45 mV (both from memory)."""
    window = high_window(state)
    assert (window.lo_v, window.hi_v) == pytest.approx((lo, hi), abs=0.006)
    assert (window.lo_v, window.hi_v) == pytest.approx((sae_lo, sae_hi), abs=0.045)


@pytest.mark.parametrize(("state", "lo", "hi"), [("B", 8.22, 9.38), ("C", 5.17, 6.09), ("D", 2.14, 2.61)])
def test_window_of_a_shorted_low_half(state: str, lo: float, hi: float) -> None:
    """|low side| of a shorted diode over tolerance: derived; no limit between -9.4 and -11.4 V confuses it with a sound one."""
    window = low_window(state, shorted=True)
    assert (-window.hi_v, -window.lo_v) == pytest.approx((lo, hi), abs=0.006)
    sound = low_window(state)
    assert (sound.lo_v, sound.hi_v) == pytest.approx((-12.6, -11.4))
    assert window.lo_v > -9.4
    assert sound.hi_v == pytest.approx(-11.4)


def test_a_sound_diode_leaves_the_low_side_at_the_generator() -> None:
    """No reverse path, no drop: -12 V whatever the load (derived)."""
    assert low_v(math.inf) == -12.0
    assert low_v(2740.0 + 50e6) == pytest.approx(-12.0, abs=1e-3)


@pytest.mark.parametrize(
    ("duty", "b_ok", "b_short", "c_ok", "c_short"),
    [(10.0, -9.90, -7.03, -10.20, -4.50), (26.67, -6.40, -4.10, -7.20, -2.62), (53.33, -0.81, 0.59, -2.40, 0.37)],
)
def test_what_a_multimeter_averages(duty: float, b_ok: float, b_short: float, c_ok: float, c_short: float) -> None:
    """DC average of the PWM at 6, 16 and 32 A: derived from the levels above."""
    b, c = LOAD_OHM["B"], LOAD_OHM["C"]
    shown = (
        duty_average_v(duty, high_v(b), -12.0), duty_average_v(duty, -low_v(b), low_v(b)),
        duty_average_v(duty, high_v(c), -12.0), duty_average_v(duty, -low_v(c), low_v(c)),
    )  # fmt: skip
    assert shown == pytest.approx((b_ok, b_short, c_ok, c_short), abs=0.012)
