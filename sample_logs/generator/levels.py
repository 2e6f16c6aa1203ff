"""Pilot levels of each attempt: what the circuit gives and what the EVSE reads."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sample_logs.generator import circuit
from sample_logs.generator.faults import Faults, leak_ohm
from sample_logs.generator.fleet import Fleet
from sample_logs.generator.spec import EVSE_FAULTS, WorldSpec
from sample_logs.generator.usage import Visits

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

NOT_YET_OHM = 50e3
"""A leak above this moves the negative level by less than 0.25 V: a refusal then is the generator's doing."""


@dataclass(frozen=True)
class Levels:
    """Levels in V as the EVSE reads them, one row an attempt, in B2 and in C2; leak in ohm."""

    high_b: Floats
    low_b: Floats
    high_c: Floats
    low_c: Floats
    high_a: Floats
    leak: Floats
    diode_refused: Bools


def pilot_levels(
    spec: WorldSpec, fleet: Fleet, faults: Faults, visits: Visits, part: str
) -> Levels:
    """Levels from the parts on both sides, faults included, and whether the diode check refuses."""
    rng = spec.rng(part)
    car, box = visits.vehicle, visits.evse
    ev, se = fleet.pilot_ev, fleet.pilot_evse
    leak = leak_ohm(faults.vehicles, car, visits.start_s)
    plus, minus = _generator(rng, fleet, faults, visits)
    drop = np.where(leak == 0.0, 0.0, ev.vf_v[car])
    path = np.where(np.isinf(leak), circuit.HEALTHY_LEAK_OHM, leak)
    load_b = ev.r2_ohm[car]
    load_c = circuit.parallel(load_b, ev.r3_ohm[car])
    r1 = se.r1_ohm[box]

    def read(level: Floats, offset: Floats) -> Floats:
        return level + offset[box] + se.noise_v[box] * rng.normal(0.0, 1.0, len(car))

    high_b = read(circuit.high_side(plus, r1, load_b, drop), se.offset_high_v)
    low_b = read(circuit.low_side(minus, r1, load_b, path), se.offset_low_v)
    high_c = read(circuit.high_side(plus, r1, load_c, drop), se.offset_high_v)
    low_c = read(circuit.low_side(minus, r1, load_c, path), se.offset_low_v)
    looked_at = np.where(fleet.moment[box] == 1, low_b, low_c)
    refused = (
        (fleet.moment[box] > 0) & (looked_at > fleet.check_limit_v[box]) & (leak < NOT_YET_OHM)
    )
    return Levels(high_b, low_b, high_c, low_c, read(plus, se.offset_high_v), leak, refused)


def _generator(
    rng: np.random.Generator, fleet: Fleet, faults: Faults, visits: Visits
) -> tuple[Floats, Floats]:
    """Generator's two halves in V.

    A failing one sags on the negative level, and on half of them the high.
    """
    box = visits.evse
    sick = faults.evses.active(box, visits.start_s)
    sick &= faults.evses.kind[box] == EVSE_FAULTS.index("pilot_generator")
    depth = 0.04 + 0.2 * faults.evses.severity[box]
    sag = np.where(sick, depth * rng.uniform(0.6, 1.2, len(box)), 0.0)
    both = faults.evses.creep_s[box] % 2.0 < 1.0
    plus = fleet.pilot_evse.plus_v[box] * (1.0 - np.where(both, 0.5 * sag, 0.0))
    return plus, fleet.pilot_evse.minus_v[box] * (1.0 - sag)
