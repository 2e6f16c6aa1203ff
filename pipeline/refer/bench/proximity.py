"""Proximity: what a Type 1 inlet and a cable's coding resistor read, by suspect. The pilot plays no part in it."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
from numpy.typing import NDArray

from pipeline.circuit.meter import PROXIMITY_EV_OHM, PROXIMITY_PULL_UP_OHM, PROXIMITY_SUPPLY_V

Floats = NDArray[np.float64]

PROXIMITY_OFF_SHARE, CODING_OFF_SHARE = 0.4, 0.5
"""Lock and wiring faults that show on proximity; cable faults that show on its resistor; judgement."""
CODING_OHM = np.array([1500.0, 680.0, 220.0, 100.0])
"""IEC 61851-1 Table B.2, as given by a secondary source; +-3 % from memory."""
OPEN_OHM = 1e12
SIZE, _SEED = 4096, 7


@cache
def proximity_draws(kind: str, suspect: str) -> Floats:
    """What would be read (V at the inlet, ohm at the cable's plug), drawn."""
    rng = np.random.default_rng(_SEED)

    def draw() -> Floats:
        return np.asarray((rng.permutation(SIZE) + 0.5) / SIZE)

    return (
        _volts(draw, off=suspect == "inlet_lock")
        if kind == "pp_pe_v"
        else _coding(draw, off=suspect == "carried_cable")
    )


def _volts(draw: Callable[[], Floats], *, off: bool) -> Floats:
    """Type 1 inlet, unplugged: supply 5 V +-5 %, resistors +-10 % (from memory); off: anywhere from earth to the supply."""
    supply = PROXIMITY_SUPPLY_V * (0.95 + 0.1 * draw())
    pull_up, load = (
        PROXIMITY_PULL_UP_OHM * (0.9 + 0.2 * draw()),
        PROXIMITY_EV_OHM * (0.9 + 0.2 * draw()),
    )
    return np.where(
        (draw() < PROXIMITY_OFF_SHARE) & off, supply * draw(), supply * load / (pull_up + load)
    )


def _coding(draw: Callable[[], Floats], *, off: bool) -> Floats:
    """A coding of the table; off: half of them open, the others anywhere from 5 ohm to 5 kohm."""
    coded = CODING_OHM[(draw() * CODING_OHM.size).astype(np.int64)] * (0.97 + 0.06 * draw())
    wrong = np.where(draw() < 0.5, OPEN_OHM, 5.0 * 1e3 ** draw())
    return np.where((draw() < CODING_OFF_SHARE) & off, wrong, coded)
