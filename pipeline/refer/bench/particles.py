"""What each suspect may look like: many circuits with their tolerances drawn, one set of draws for all suspects.

Tolerances and laws are those of `pipeline.circuit`; what is drawn beside them (how much a diode leaks, how wet an inlet is, which
meter a workshop owns) is judgement, said at each line. A fixed seed: the same case gives the same answer.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from pipeline.circuit.causes import PilotCircuit
from pipeline.circuit.pilot import (
    DIODE_HI_V,
    DIODE_LO_V,
    EV_TOLERANCE,
    GENERATOR_TOLERANCE,
    GENERATOR_V,
    R1_OHM,
    R1_TOLERANCE,
    R2_OHM,
    R3_OHM,
)  # fmt: skip

Floats = NDArray[np.float64]
Draw = Callable[[], Floats]

SIZES = {
    "healthy": 8192, "silent": 8192, "pilot_diode_shorted": 2048, "pilot_diode_leaky": 24576,
    "pilot_leakage": 24576, "pilot_resistor": 16384, "pilot_open": 1024,
}  # fmt: skip
"""Conditions of the pilot, and circuits drawn of each: more where a reading picks out few of them. `silent`: healthy, but S2
never closes."""
HEALTHY_LEAK_OHM, FILTERED_OHM, FILTERED_SHARE = (20e6, 2e9), (0.1e6, 20e6), 0.2
"""A healthy vehicle's CP–PE reverse resistance: the diode's leak, tens of megohm and up (derived); in some, filters and suppressors make it
less (from memory; how many is judgement). From 0.1 Mohm up the negative level moves by 0.1 V at most."""
LEAK_OHM, BESIDE_OHM = (300.0, 60e3), (1.5e3, 60e3)
"""Leaks that stop a charge, or soon will: 60 kohm lifts the negative level by 0.2 V, a tenth of that to the check's limit."""
CONTACT_OHM, OFF_LOW, OFF_HIGH = (200.0, 3e3), (0.35, 0.8), (1.25, 4.0)
"""Contacts in series and factors of R2 or R3 that leave the window of tolerances in B or C; less stops no charge (derived)."""
FIXED_RANGE_SHARE = 0.25
"""Forward readings taken on one range, set by hand, that may never open the diode; judgement."""
SATURATION_A = (1e-10, 2.5e-8)
"""Small silicon diodes: 0.48 to 0.73 V at 1 mA with the ideality of the bench stand-in (derived)."""
METER_FULL_SCALE_V = (0.2, 5.0)
"""Voltage at full scale of hand-held ohmmeters: under 0.7 V to 3.2 V, as given by makers' data, and some beyond either end."""
METER_COUNTS = np.array([2.0, 4.0, 6.0])
DUTIES_PCT = np.array([5.0, 10.0, 16.67, 20.0, 25.0, 26.67, 33.33, 41.67, 50.0, 53.33])
"""Duty cycles in use: digital, 6 to 32 A."""
GENERATOR_SD_V, HALVES_SD_V = 0.2, 0.08
"""How generators vary within their 5 %, and how little their halves differ; judgement."""
SCOPE_SD, METER_SD = 0.015, 0.008
"""Gain errors of oscilloscopes (3 % limits) and multimeters on volts (1.5 %), common practice."""
DRIES_SHARE = 0.6
"""Paths beside the diode that go when the inlet is dried; judgement."""
NOTHING_OHM = 1e12
_SEED = 20261127


@dataclass(frozen=True)
class Particles:
    """The draws of one condition, arrays of one shape: circuits (wet and dry) and instruments."""

    circuit: PilotCircuit
    dry_circuit: PilotCircuit
    drawn: Mapping[str, Floats]
    """dries, variant, generator_high_v, generator_low_v, r1_ohm, duty_pct, meter_full_scale_v, meter_counts, meter_decades,
    fixed_decade, scope_gain, meter_gain"""


CONTACT, R2_OFF, R3_OFF = 0, 1, 2
VARIANT_WORDS = ("a contact in series", "R2", "R3")


def condition_of(suspect: str) -> str:
    """The condition in which a suspect leaves the pilot."""
    return suspect if suspect in SIZES else "silent" if suspect == "never_requests" else "healthy"


@cache
def particles(condition: str) -> Particles:
    """The draws of a condition, made once a process."""
    rng, size = np.random.default_rng(_SEED), SIZES[condition]

    def draw() -> Floats:
        # a Latin hypercube: every draw covers its range evenly
        return np.asarray((rng.permutation(size) + 0.5) / size)

    joined = {**_circuit(condition, draw), **_instruments(draw)}
    r2, r3, leak, beside, contact, saturation, diode_v = (joined.pop(key) for key in _CIRCUIT)
    circuit = PilotCircuit(r2, r3, leak, beside, contact, saturation_a=saturation, diode_v=diode_v)
    dry = replace(
        circuit, beside_ohm=np.where(joined["dries"] > 0, NOTHING_OHM, circuit.beside_ohm)
    )
    return Particles(circuit, dry, joined)


_CIRCUIT = ("r2_ohm", "r3_ohm", "leak_ohm", "beside_ohm", "contact_ohm", "saturation_a", "diode_v")


def _circuit(name: str, draw: Draw) -> dict[str, Floats]:
    variant = np.floor(3 * draw()) if name == "pilot_resistor" else np.full(draw().size, -1.0)
    factor, amount = _factor(draw(), draw()), draw()
    r2 = R2_OHM * _about(draw(), EV_TOLERANCE) * np.where(variant == R2_OFF, factor, 1.0)
    r3 = R3_OHM * _about(draw(), EV_TOLERANCE) * np.where(variant == R3_OFF, factor, 1.0)
    healthy, filtered = draw(), draw() < FILTERED_SHARE
    leak = np.where(
        filtered, _log_between(healthy, *FILTERED_OHM), _log_between(healthy, *HEALTHY_LEAK_OHM)
    )
    nothing = np.full(amount.size, NOTHING_OHM)
    leaks = {
        "pilot_diode_shorted": np.zeros(amount.size),
        "pilot_diode_leaky": _log_between(amount, *LEAK_OHM),
    }
    beside = _log_between(amount, *BESIDE_OHM) if name == "pilot_leakage" else nothing
    contact = np.where(variant == CONTACT, _log_between(amount, *CONTACT_OHM), 0.0)
    dries = (draw() < DRIES_SHARE) & (name == "pilot_leakage")
    opened = name == "pilot_open"
    return {
        "r2_ohm": nothing if opened else r2, "r3_ohm": nothing if opened or name == "silent" else r3,
        "leak_ohm": leaks.get(name, leak), "beside_ohm": beside, "contact_ohm": contact,
        "saturation_a": _log_between(draw(), *SATURATION_A), "diode_v": DIODE_LO_V + (DIODE_HI_V - DIODE_LO_V) * draw(),
        "dries": dries.astype(np.float64), "variant": variant,
    }  # fmt: skip


def _instruments(draw: Draw) -> dict[str, Floats]:
    limit = GENERATOR_V * GENERATOR_TOLERANCE
    high = np.clip(GENERATOR_SD_V * ndtri(draw()), -limit, limit)
    halves = HALVES_SD_V * ndtri(draw())
    return {
        "generator_high_v": GENERATOR_V + high, "generator_low_v": GENERATOR_V + np.clip(high + halves, -limit, limit),
        "r1_ohm": R1_OHM * _about(draw(), R1_TOLERANCE), "duty_pct": _one_of(DUTIES_PCT, draw()),
        "meter_full_scale_v": _log_between(draw(), *METER_FULL_SCALE_V), "meter_counts": _one_of(METER_COUNTS, draw()),
        "meter_decades": np.where(draw() < 0.5, 4.0, 5.0),
        "fixed_decade": np.where(draw() < FIXED_RANGE_SHARE, 1 + np.floor(3 * draw()), 0.0),
        "scope_gain": 1 + SCOPE_SD * ndtri(draw()), "meter_gain": 1 + METER_SD * ndtri(draw()),
    }  # fmt: skip


def _one_of(values: Floats, u: Floats) -> Floats:
    return np.asarray(values[(u * values.size).astype(np.int64)])


def _about(u: Floats, tolerance: float) -> Floats:
    """Evenly within the tolerance."""
    return np.asarray(1 + tolerance * (2 * u - 1))


def _log_between(u: Floats, low: float, high: float) -> Floats:
    return np.asarray(low * (high / low) ** u)


def _factor(u: Floats, side: Floats) -> Floats:
    return np.where(side < 0.4, _log_between(u, *OFF_LOW), _log_between(u, *OFF_HIGH))
