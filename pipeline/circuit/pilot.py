"""The control pilot as a circuit: from the parts to the levels the EVSE measures.

The EVSE's generator gives +-12 V behind R1. In the vehicle a diode in series with R2 (and R3 in
parallel with R2 once S2 closes) loads it to earth. A healthy diode blocks the negative level, so the low
side stays at the generator's -12 V; whatever lets current through backwards lifts it. Values and
tolerances: IEC 61851-1 Annex A and SAE J1772, as given by secondary sources; the EV-side tolerances
and the diode's forward voltage are from memory; the levels are derived.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Number = TypeVar("Number", float, Floats)

GENERATOR_V, GENERATOR_TOLERANCE = 12.0, 0.05
R1_OHM, R1_TOLERANCE = 1000.0, 0.03
R2_OHM, R3_OHM, R3_VENTILATED_OHM, EV_TOLERANCE = 2740.0, 1300.0, 270.0, 0.03
DIODE_V, DIODE_LO_V, DIODE_HI_V = 0.70, 0.55, 0.85
"""Forward voltage of the vehicle's diode over 2.75 to 10 mA and -40 to 85 degC, from memory."""


def parallel_ohm(a_ohm: Number, b_ohm: Number) -> Number:
    """Two resistances in parallel, ohm."""
    return a_ohm * b_ohm / (a_ohm + b_ohm)


LOAD_OHM = {
    "B": R2_OHM,
    "C": parallel_ohm(R2_OHM, R3_OHM),
    "D": parallel_ohm(R2_OHM, R3_VENTILATED_OHM),
}
"""The vehicle's load on the pilot by state, ohm: 2740, 882, 246."""


def high_v(
    load_ohm: Number,
    generator_v: float = GENERATOR_V,
    r1_ohm: float = R1_OHM,
    diode_v: float = DIODE_V,
) -> Number:
    """Positive level, V. `diode_v` is 0 for a shorted diode."""
    return (generator_v - diode_v) * load_ohm / (r1_ohm + load_ohm) + diode_v


def low_v(reverse_ohm: Number, generator_v: float = GENERATOR_V, r1_ohm: float = R1_OHM) -> Number:
    """Negative level, V, for a CP–PE reverse resistance (load and the diode's leak in series) of `reverse_ohm` >
    0; infinite = sound.
    """
    return -generator_v / (1.0 + r1_ohm / reverse_ohm)


@dataclass(frozen=True)
class Window:
    """Lowest and highest level in V that parts within tolerance can give."""

    lo_v: float
    hi_v: float


def high_window(state: str, *, shorted: bool = False) -> Window:
    """Positive level in state A, B, C or D over all corners of the tolerances (derived.

    IEC 61851-1 Table A.3 from memory).
    """
    generators = (GENERATOR_V * (1 - GENERATOR_TOLERANCE), GENERATOR_V * (1 + GENERATOR_TOLERANCE))
    if state == "A":
        return Window(*generators)
    diodes = (0.0,) if shorted else (DIODE_LO_V, DIODE_HI_V)
    levels = [
        high_v(load, vg, r1, vd)
        for vg, (r1, load), vd in product(generators, _corners(state), diodes)
    ]
    return Window(min(levels), max(levels))


def low_window(state: str, *, shorted: bool = False) -> Window:
    """Negative level over all corners of the tolerances.

    The generator's own window while the diode is sound.
    """
    generators = (GENERATOR_V * (1 - GENERATOR_TOLERANCE), GENERATOR_V * (1 + GENERATOR_TOLERANCE))
    if not shorted or state == "A":
        return Window(-generators[1], -generators[0])
    levels = [low_v(load, vg, r1) for vg, (r1, load) in product(generators, _corners(state))]
    return Window(min(levels), max(levels))


def _corners(state: str) -> list[tuple[float, float]]:
    """(R1, load) at the corners of their tolerances.

    The load's parts move together or apart, whichever is wider.
    """
    low, high = 1 - EV_TOLERANCE, 1 + EV_TOLERANCE
    second = {"B": None, "C": R3_OHM, "D": R3_VENTILATED_OHM}[state]
    loads = [
        R2_OHM * a if second is None else parallel_ohm(R2_OHM * a, second * b)
        for a, b in product((low, high), (low, high))
    ]
    return list(product((R1_OHM * (1 - R1_TOLERANCE), R1_OHM * (1 + R1_TOLERANCE)), loads))
