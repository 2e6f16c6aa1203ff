"""The control pilot as a circuit: the levels an EVSE measures, and the chance that it takes them amiss.

Component values: IEC 61851-1 Annex A and SAE J1772 as given by secondary sources (source resistor 1000 ohm, 2740 ohm in state B,
1300 ohm beside it in state C); the diode's forward voltage from memory; limits of classification from memory. Written from the
contract alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Floats = NDArray[np.float64]

SOURCE_OHM, R2_OHM, R3_OHM = 1000.0, 2740.0, 1300.0
SOUND_OHM = 5e7
"""A sound diode in reverse, and no path beside it."""
DIODE_V = 0.7
AB_LIMIT_V, BC_LIMIT_V, CD_LIMIT_V = 10.5, 7.5, 4.5
"""Between the classes of state: midway between nominal levels (from memory)."""
NOISE_V = 0.06


@dataclass(frozen=True)
class Loop:
    """One pilot loop an element: generator (V), resistances (ohm); `diode_ohm` is the diode's resistance in reverse."""

    generator_v: Floats
    diode_ohm: Floats
    beside_ohm: Floats
    series_ohm: Floats


def levels(loop: Loop, load_ohm: float) -> tuple[Floats, Floats]:
    """High and low level (V) with a load behind the diode. Derived: one source, two dividers."""
    load = load_ohm + loop.series_ohm
    divider = loop.beside_ohm / (SOURCE_OHM + loop.beside_ohm)
    source_ohm = SOURCE_OHM * divider
    open_v = loop.generator_v * divider
    drop = np.where(loop.diode_ohm < 1.0, 0.0, DIODE_V)
    high = (open_v - drop) * load / (source_ohm + load) + drop
    reverse = loop.diode_ohm + load
    return high, -open_v * reverse / (source_ohm + reverse)


def load_b() -> float:
    """State B, ohm."""
    return R2_OHM


def load_c() -> float:
    """State C, ohm: both resistors, one beside the other."""
    return R2_OHM * R3_OHM / (R2_OHM + R3_OHM)


def above(level_v: Floats, limit_v: Floats | float) -> Floats:
    """Chance that a measured level lies above a limit."""
    return np.asarray(ndtr((level_v - limit_v) / NOISE_V), dtype=np.float64)
