"""The control pilot as a circuit, from the EVSE's generator to the vehicle's resistors.

Generator +-Vg behind R1 at the EVSE; in the vehicle a diode (Vf) and R2 to earth, R3 or R4 in
parallel once S2 closes. Values and tolerances: IEC 61851-1 Annex A and SAE J1772, as given by
secondary sources; Vf and the EV-side tolerances are from memory. Levels are derived.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

VG_V, VG_TOLERANCE = 12.0, 0.05
R1_OHM = 1000.0
R2_OHM, R3_OHM, R3_VENT_OHM = 2740.0, 1300.0, 270.0
R_TOLERANCE = 0.03
VF_LO_V, VF_V, VF_HI_V = 0.55, 0.70, 0.85
HEALTHY_LEAK_OHM = 50e6
"""CP–PE reverse resistance of a sound diode: leakage of 25 nA and less (a data sheet's bench stand-in)."""


@dataclass(frozen=True)
class VehicleCircuit:
    """One row a vehicle: R2, R3 in ohm, diode forward voltage in V."""

    r2_ohm: Floats
    r3_ohm: Floats
    vf_v: Floats


@dataclass(frozen=True)
class EvseCircuit:
    """One row an EVSE.

    Generator halves in V (both positive), R1 in ohm, errors of its meter in V.
    """

    plus_v: Floats
    minus_v: Floats
    r1_ohm: Floats
    offset_high_v: Floats
    offset_low_v: Floats
    noise_v: Floats


def within(rng: np.random.Generator, nominal: float, share: float, n: int) -> Floats:
    """Draw `n` parts around nominal: normal with the tolerance at 3 sd, cut at the tolerance."""
    return nominal * (1.0 + share * np.clip(rng.normal(0.0, 1 / 3, n), -1.0, 1.0))


def draw_vehicles(rng: np.random.Generator, n: int) -> VehicleCircuit:
    """Draw vehicles' parts within tolerance."""
    vf = VF_V + (VF_HI_V - VF_V) * np.clip(rng.normal(0.0, 1 / 3, n), -1.0, 1.0)
    return VehicleCircuit(
        within(rng, R2_OHM, R_TOLERANCE, n), within(rng, R3_OHM, R_TOLERANCE, n), vf
    )


def draw_evses(rng: np.random.Generator, n: int) -> EvseCircuit:
    """Draw EVSEs' parts within tolerance, and the errors of their measuring."""
    return EvseCircuit(
        within(rng, VG_V, VG_TOLERANCE, n),
        within(rng, VG_V, VG_TOLERANCE, n),
        within(rng, R1_OHM, R_TOLERANCE, n),
        rng.normal(0.0, 0.05, n),
        rng.normal(0.0, 0.08, n),
        rng.uniform(0.015, 0.06, n),
    )


def parallel(a_ohm: Floats | float, b_ohm: Floats | float) -> Floats:
    """Resistance of two in parallel, ohm."""
    return np.asarray(a_ohm * b_ohm / (a_ohm + b_ohm), dtype=np.float64)


def high_side(vg_v: Floats, r1_ohm: Floats, load_ohm: Floats, drop_v: Floats) -> Floats:
    """Level of the positive level in V.

    Divider behind a diode that drops `drop_v` (0 if shorted).
    """
    return (vg_v - drop_v) * load_ohm / (r1_ohm + load_ohm) + drop_v


def low_side(vg_v: Floats, r1_ohm: Floats, load_ohm: Floats, leak_ohm: Floats) -> Floats:
    """Level of the negative level in V, with `leak_ohm` the diode's CP–PE reverse resistance (0 if shorted)."""
    path = load_ohm + leak_ohm
    return -vg_v * path / (r1_ohm + path)


def available_current(duty_pct: Floats) -> Floats:
    """Current in A that a duty cycle offers (IEC 61851-1 Table A.8 / SAE J1772, second-hand).

    5 % (3..7) means digital communication only and gives 0 here, as do the forbidden bands.
    """
    d = np.asarray(duty_pct, dtype=np.float64)
    bands = [
        (d >= 8) & (d < 10),
        (d >= 10) & (d <= 85),
        (d > 85) & (d <= 96),
        (d > 96) & (d <= 97),
    ]
    return np.select(bands, [np.full_like(d, 6.0), 0.6 * d, 2.5 * (d - 64), np.full_like(d, 80.0)])


def duty_for(current_a: Floats) -> Floats:
    """Duty cycle in % that offers `current_a` (6 A and up): the inverse of the law above."""
    amps = np.asarray(current_a, dtype=np.float64)
    return np.where(amps <= 51.0, amps / 0.6, amps / 2.5 + 64.0)
