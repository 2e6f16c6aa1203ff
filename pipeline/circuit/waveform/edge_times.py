"""Rise and fall of the pilot as an oscilloscope sees them: 10 to 90 % of the median profile of many edges."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.circuit.waveform.read import Trace

Floats = NDArray[np.float64]

COARSEST_S = 2.5e-6
"""Sampled more coarsely, rise and fall (7 to 13 us at most, IEC 61851-1 as given by a secondary source) cannot be told."""
_EDGES_USED = 200
_BEFORE_S, _AFTER_S, _STEP_S = 40e-6, 40e-6, 0.1e-6
_LEAST_EDGES = 5


def edge_time_us(
    trace: Trace, crossings_s: Floats, low_v: float, high_v: float, *, rising: bool
) -> float | None:
    """Time from 10 to 90 % of the step, us; None where the sampling is too coarse or edges too few to tell."""
    if 1 / trace.rate_hz > COARSEST_S or high_v - low_v <= 0:
        return None
    inside = crossings_s[(crossings_s > _BEFORE_S) & (crossings_s < trace.time_s[-1] - _AFTER_S)]
    if inside.size < _LEAST_EDGES:
        return None
    used = inside[:: max(1, inside.size // _EDGES_USED)]
    grid = np.arange(-_BEFORE_S, _AFTER_S, _STEP_S)
    profile = np.median(np.interp(used[:, None] + grid, trace.time_s, trace.volts), axis=0)
    share = (profile - low_v) / (high_v - low_v)
    share = share if rising else 1 - share
    middle = int(np.argmin(np.abs(grid)))
    beyond = np.flatnonzero(share[middle:] >= 0.9)
    short = np.flatnonzero(share[: middle + 1] <= 0.1)
    if not beyond.size or not short.size:
        return None
    return float((grid[middle + beyond[0]] - grid[short[-1]]) * 1e6)
