"""A trace cut into cycles: edges by a threshold with hysteresis that follows the signal, then plateaus clear of the edges."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, median_filter, minimum_filter1d, uniform_filter1d

from pipeline.circuit.waveform.read import Trace

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

PERIOD_S = 1e-3
PERIOD_SPREAD = 0.2
"""A cycle counts as one of the pilot's where its period is within 20 % of 1 ms: 2 % are allowed, an export's clock may be off."""
SETTLE_S = 20e-6
"""Left out after an edge: IEC 61851-1 allows rises of 7 to 13 us (as given by a secondary source), ringing lasts some more."""
SLOWEST_EDGE_S = 100e-6
"""An edge that takes longer is none."""
GLITCH_S = 10e-6
"""A pulse shorter than this is no half of a cycle: the shortest that means anything (3 %) lasts 30 us."""
LEAST_SWING_V = 1.5
"""Smaller swings are no PWM: the smallest one, a shorted diode with ventilation asked for, swings 4.3 V (derived)."""
HYSTERESIS = 0.12
"""Share of the swing to either side of the threshold."""
SMOOTH_S = 2e-6
"""Where samples are closer, spikes shorter than this are taken out before edges are looked for."""


@dataclass(frozen=True)
class Cycles:
    """One row a cycle, times in s: rise to next rise, the fall between, and the plateaus' medians in V."""

    start_s: Floats
    fall_s: Floats
    end_s: Floats
    high_v: Floats
    low_v: Floats

    @property
    def duty_pct(self) -> Floats:
        """Share of the positive level, %."""
        return 100 * (self.fall_s - self.start_s) / (self.end_s - self.start_s)


def edges(trace: Trace) -> tuple[Floats, NDArray[np.bool_]]:
    """Crossing times in s, and True for those that rise; glitches left out, rises and falls alternate."""
    step = 1 / trace.rate_hz
    width = round(SMOOTH_S / step)
    volts = median_filter(trace.volts, size=2 * width + 1) if width > 1 else trace.volts
    middle, swing = _envelope(volts, step)
    reach = HYSTERESIS * swing
    side = np.where(volts > middle + reach, 1, np.where(volts < middle - reach, -1, 0))
    side[swing < LEAST_SWING_V] = 0
    at = np.flatnonzero(side)
    if at.size < 2:
        return np.empty(0), np.empty(0, dtype=bool)
    turns = np.flatnonzero(np.diff(side[at]))
    before, after = at[turns], at[turns + 1]
    times, rises = _cross(trace, volts, middle, before, after), side[after] > 0
    return _without_glitches(times, rises)


def _envelope(volts: Floats, step_s: float) -> tuple[Floats, Floats]:
    """Middle and swing of the signal about each sample, over two and a half periods."""
    size = max(3, round(2.5 * PERIOD_S / step_s) | 1)
    quiet = median_filter(volts, size=3) if step_s < GLITCH_S else volts
    high, low = maximum_filter1d(quiet, size), minimum_filter1d(quiet, size)
    return uniform_filter1d((high + low) / 2, size), high - low


def _cross(trace: Trace, volts: Floats, middle: Floats, before: Ints, after: Ints) -> Floats:
    """When the signal passed the middle, by the straight line between the last sample of one side and the first of the other."""
    gap, most = after - before, int(SLOWEST_EDGE_S * trace.rate_hz) + 2
    near = after - 1
    use = np.where(gap > 1, _nearest_side(volts, middle, before, after, most), near)
    v0, v1 = volts[use] - middle[use], volts[use + 1] - middle[use]
    share = np.clip(np.divide(v0, v0 - v1, out=np.full(v0.shape, 0.5), where=v0 != v1), 0.0, 1.0)
    return np.asarray(trace.time_s[use] + share * (trace.time_s[use + 1] - trace.time_s[use]))


def _nearest_side(volts: Floats, middle: Floats, before: Ints, after: Ints, most: int) -> Ints:
    """The last sample before the middle is passed for good, looked for backwards from `after`."""
    found = after - 1
    rising = volts[after] > middle[after]
    for _ in range(most):
        beyond = (volts[found] > middle[found]) == rising
        moving = beyond & (found > before)
        if not moving.any():
            break
        found = np.where(moving, found - 1, found)
    return found


def _without_glitches(times: Floats, rises: NDArray[np.bool_]) -> tuple[Floats, NDArray[np.bool_]]:
    short = np.flatnonzero(np.diff(times) < GLITCH_S)
    keep = np.ones(times.size, dtype=bool)
    keep[short] = False
    keep[short + 1] = False
    times, rises = times[keep], rises[keep]
    alternate = np.ones(times.size, dtype=bool)
    alternate[1:] = np.diff(rises.astype(np.int8)) != 0
    return times[alternate], rises[alternate]


def cycles(trace: Trace) -> Cycles:
    """The PWM's whole cycles, in order; empty where the pilot is steady."""
    times, rises = edges(trace)
    up = np.flatnonzero(rises)
    up = up[up + 2 < times.size]
    start, fall, end = times[up], times[up + 1], times[up + 2]
    good = np.abs(end - start - PERIOD_S) < PERIOD_SPREAD * PERIOD_S
    start, fall, end = start[good], fall[good], end[good]
    high = _plateau(trace, start, fall)
    low = _plateau(trace, fall, end)
    seen = np.isfinite(high) & np.isfinite(low)
    return Cycles(start[seen], fall[seen], end[seen], high[seen], low[seen])


def _plateau(trace: Trace, start_s: Floats, end_s: Floats) -> Floats:
    """Median of the samples of each half, clear of its edges as far as its width and the sampling allow; NaN without any."""
    if start_s.size == 0:
        return np.empty(0)
    step = 1 / trace.rate_hz
    width = end_s - start_s
    settle = np.minimum(SETTLE_S, np.maximum(0.0, width - 1.5 * step) * 0.8)
    guard = np.minimum(0.5 * step, 0.1 * width)
    first = np.searchsorted(trace.time_s, start_s + settle)
    last = np.maximum(np.searchsorted(trace.time_s, end_s - guard), first)
    last = np.where(
        last == first, np.minimum(np.searchsorted(trace.time_s, end_s), first + 1), last
    )
    count = last - first
    owner = np.repeat(np.arange(start_s.size), count)
    offset = np.arange(owner.size) - np.repeat(np.cumsum(count) - count, count)
    frame = pl.DataFrame({"cycle": owner, "v": trace.volts[np.repeat(first, count) + offset]})
    medians = frame.group_by("cycle").agg(pl.col("v").median())
    out = np.full(start_s.size, np.nan)
    out[medians["cycle"].to_numpy()] = medians["v"].to_numpy()
    return out
