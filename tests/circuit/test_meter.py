"""What a hand-held meter shows at the inlet."""

from __future__ import annotations

import pytest

from pipeline.circuit import meter
from pipeline.circuit.meter import diode_forward_v, meter_table, proximity_v


@pytest.mark.parametrize(
    ("amps", "vf", "terminal_v", "shown_ohm"),
    [
        (1e-3, 0.58, 3.32, 3.3e3),
        (5e-4, 0.55, 1.92, 3.8e3),
        (1e-4, 0.48, 0.75, 7.5e3),
        (1e-5, 0.38, 0.40, 40e3),
        (1e-6, 0.27, 0.27, 274e3),
    ],
)
def test_forward_reading_depends_on_the_test_current(
    amps: float, vf: float, terminal_v: float, shown_ohm: float
) -> None:
    """R = (Vf + 2740 I) / I with a common silicon diode (n = 1.75, Is = 2.5 nA): derived."""
    assert diode_forward_v(amps) == pytest.approx(vf, abs=0.01)
    row = next(r for r in meter_table() if r.current_a == amps)
    assert amps * row.sound_forward_ohm == pytest.approx(terminal_v, abs=0.01)
    assert row.sound_forward_ohm == pytest.approx(shown_ohm, rel=0.02)


def test_diode_stand_in_fits_its_data_sheet() -> None:
    """The stand-in's data sheet (second-hand): at most 1 V at 10 mA."""
    assert diode_forward_v(10e-3) < 1.0


def test_diode_range_misleads_across_the_inlet() -> None:
    """At 1 mA the resistor alone drops 2.74 V, with a diode more: beyond a 2 V full scale (derived)."""
    row = next(r for r in meter_table() if r.current_a == 1e-3)
    assert row.current_a * row.sound_forward_ohm > 2.74


@pytest.mark.parametrize(
    ("handle_ohm", "derived_v", "seen_v"),
    [(None, 4.46, 4.46), (480.0, 2.76, 2.77), (150.0, 1.51, 1.53)],
)
def test_proximity_of_a_type_1_inlet(
    handle_ohm: float | None, derived_v: float, seen_v: float
) -> None:
    """5 V behind 330 ohm onto 2.7 kohm and the plug.

    Derived to 10 mV, and as printed by a secondary source to 30 mV.
    """
    assert proximity_v(handle_ohm) == pytest.approx(derived_v, abs=0.006)
    assert proximity_v(handle_ohm) == pytest.approx(seen_v, abs=0.03)


def test_proximity_parts_are_those_of_the_coupler() -> None:
    """5 V, 330 ohm, 2.7 kohm; handle 150 ohm latched, 480 (150 + 330) pressed.

    SAE J1772, as given by secondary sources.
    """
    supply = (meter.PROXIMITY_SUPPLY_V, meter.PROXIMITY_PULL_UP_OHM, meter.PROXIMITY_EV_OHM)
    assert supply == (5.0, 330.0, 2700.0)
    assert (meter.PROXIMITY_LATCHED_OHM, meter.PROXIMITY_PRESSED_OHM) == (150.0, 150.0 + 330.0)
