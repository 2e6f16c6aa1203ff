"""What a hand-held meter shows between pilot and earth at the inlet, unplugged, and what a
proximity divider gives.

Forward readings depend on the meter's test current, because the diode's voltage does; a shorted
diode reads the bare resistor both ways.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.circuit.pilot import R2_OHM, parallel_ohm

THERMAL_V = 0.02585
"""kT/q at 300 K."""
DIODE_IDEALITY, DIODE_SATURATION_A = 1.75, 2.5e-9
"""A bench stand-in (a common small-signal silicon diode); derived, the diode of a given vehicle is unknown."""
TEST_CURRENTS_A = (1e-3, 5e-4, 1e-4, 1e-5, 1e-6)
"""From diode-test mode down to the highest ohms ranges of hand-held meters, as given by makers' data."""

PROXIMITY_SUPPLY_V, PROXIMITY_PULL_UP_OHM, PROXIMITY_EV_OHM = 5.0, 330.0, 2700.0
PROXIMITY_LATCHED_OHM, PROXIMITY_PRESSED_OHM = 150.0, 480.0
"""Type 1 coupler (SAE J1772), as given by secondary sources; supply +-5 %, resistors +-10 % from memory."""


def diode_forward_v(current_a: float) -> float:
    """Forward voltage of the stand-in diode, V."""
    return float(DIODE_IDEALITY * THERMAL_V * np.log1p(current_a / DIODE_SATURATION_A))


def forward_reading_ohm(current_a: float) -> float:
    """Ohms a meter shows in the direction of a healthy diode with R2 in series: (Vf + I R2) / I."""
    return R2_OHM + diode_forward_v(current_a) / current_a


@dataclass(frozen=True)
class MeterRow:
    """One test current, and what is shown of a healthy diode forwards."""

    current_a: float
    sound_forward_ohm: float


def meter_table() -> tuple[MeterRow, ...]:
    """Readings to expect by test current."""
    return tuple(MeterRow(amps, forward_reading_ohm(amps)) for amps in TEST_CURRENTS_A)


def proximity_v(handle_ohm: float | None) -> float:
    """Proximity to earth at a Type 1 inlet, V; None = unplugged."""
    load = PROXIMITY_EV_OHM if handle_ohm is None else parallel_ohm(PROXIMITY_EV_OHM, handle_ohm)
    return PROXIMITY_SUPPLY_V * load / (PROXIMITY_PULL_UP_OHM + load)
