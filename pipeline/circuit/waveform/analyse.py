"""A trace analysed: spans of one state, each with its levels, frequency, duty and edges, and what happened between them."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from pipeline.circuit.waveform.current import Offer, offered_current
from pipeline.circuit.waveform.cycles import PERIOD_S, Cycles, cycles
from pipeline.circuit.waveform.edge_times import edge_time_us
from pipeline.circuit.waveform.read import Trace
from pipeline.circuit.waveform.state import PilotState, letter, pilot_state

Floats = NDArray[np.float64]

SPREAD = (2.5, 97.5)
"""Percentiles of the cycles' levels that an interval reaches over: drift and noise show in it."""
LEAST_UNITS = 3
"""Cycles (or steady milliseconds) that make a span; fewer are a step caught half way."""
COARSEST_STEP_V = 0.5
"""8 bits over 128 V (derived). Values farther apart are two levels of a signal without noise, no step of an instrument."""
FREQUENCY_HZ = (980.0, 1020.0)
"""Accepted, as given by a secondary source for IEC 61851-1."""
RISE_LIMIT_US, FALL_LIMIT_US = {"B": 10.0, "C": 7.0}, 13.0
"""IEC 61851-1, as given by a secondary source."""


@dataclass(frozen=True)
class Level:
    """A quantity's usual value and the ends between which it lay (or, for duty, may lie)."""

    value: float
    lo: float
    hi: float


@dataclass(frozen=True)
class PilotSpan:
    """A stretch in one state. Without PWM `low`, `frequency_hz`, `duty`, `offer` and the edge times are None.

    Levels in V, duty in %, edges in us (10 to 90 %; None where the sampling cannot tell).
    """

    start_s: float
    end_s: float
    state: PilotState
    high: Level
    low: Level | None
    frequency_hz: float | None
    duty: Level | None
    offer: Offer | None
    rise_us: float | None
    fall_us: float | None


@dataclass(frozen=True)
class Pilot:
    """What a trace shows: its spans in order, the events between them as (second, words), and doubts about the instrument."""

    spans: tuple[PilotSpan, ...]
    events: tuple[tuple[float, str], ...]
    doubts: tuple[str, ...]

    @property
    def longest(self) -> PilotSpan | None:
        """The span that lasted longest, with PWM rather than without."""
        return max(self.spans, key=lambda s: (s.low is not None, s.end_s - s.start_s), default=None)


@dataclass(frozen=True)
class _Units:
    """Cycles and steady milliseconds in order of time; `low_v` and `duty_pct` NaN where steady."""

    start_s: Floats
    end_s: Floats
    high_v: Floats
    low_v: Floats
    duty_pct: Floats


def analyse(trace: Trace) -> Pilot:
    """Spans, events and doubts of a trace."""
    units = _units(trace, cycles(trace))
    names = _names(units)
    step_v = _step_v(trace)
    spans = tuple(_span(trace, units, part, step_v) for part in _runs(names))
    events = tuple(
        (b.start_s, _event(a, b)) for a, b in pairwise(spans) if a.state.name != b.state.name
    )
    return Pilot(spans, events, _doubts(trace, spans))


def _units(trace: Trace, found: Cycles) -> _Units:
    ends = np.concatenate([[trace.time_s[0]], found.end_s])
    starts = np.concatenate([found.start_s, [trace.time_s[-1]]])
    blocks = [
        np.arange(a, b - PERIOD_S, PERIOD_S)
        for a, b in zip(ends, starts, strict=True)
        if b - a > 2 * PERIOD_S
    ]  # a gap without cycles
    steady = np.concatenate(blocks) if blocks else np.empty(0)
    level, flat = _steady_levels(trace, steady)
    steady, level = steady[flat], level[flat]
    nothing = np.full(steady.size, np.nan)
    start = np.concatenate([found.start_s, steady])
    order = np.argsort(start, kind="stable")
    return _Units(
        start[order],
        np.concatenate([found.end_s, steady + PERIOD_S])[order],
        np.concatenate([found.high_v, level])[order],
        np.concatenate([found.low_v, nothing])[order],
        np.concatenate([found.duty_pct, nothing])[order],
    )


def _steady_levels(trace: Trace, starts: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Median of each millisecond, and whether it stayed level (a step or a lone pulse in it says no)."""
    bounds = np.searchsorted(trace.time_s, np.stack([starts, starts + PERIOD_S])).T
    parts = [trace.volts[a:b] for a, b in bounds]
    level = np.array([np.median(p) if p.size else np.nan for p in parts])
    wide = np.array([np.subtract(*np.percentile(p, [90, 10])) if p.size else np.inf for p in parts])
    return level, (wide < 2.0) if parts else np.empty(0, dtype=bool)


def _names(units: _Units) -> list[str]:
    pwm = np.isfinite(units.low_v)
    calm = (
        median_filter(units.high_v, size=3, mode="nearest") if units.high_v.size else units.high_v
    )
    return [letter(high) + ("2" if on else "1") for high, on in zip(calm, pwm, strict=True)]


def _runs(names: list[str]) -> list[slice]:
    """Runs of one name, short ones left out, neighbours of one name joined."""
    bounds = [0, *(i for i in range(1, len(names)) if names[i] != names[i - 1]), len(names)]
    runs = [slice(a, b) for a, b in pairwise(bounds) if b - a >= LEAST_UNITS]
    joined: list[slice] = []
    for run in runs:
        if joined and names[joined[-1].start] == names[run.start]:
            joined[-1] = slice(joined[-1].start, run.stop)
        else:
            joined.append(run)
    return joined


def _span(trace: Trace, units: _Units, part: slice, step_v: float) -> PilotSpan:
    pwm = np.isfinite(units.low_v[part])
    high = _level(units.high_v[part], step_v)
    start, end = float(units.start_s[part][0]), float(units.end_s[part][-1])
    if not pwm.all():
        return PilotSpan(
            start, end, pilot_state((high.value, high.lo, high.hi), None), high, *[None] * 6
        )
    low = _level(units.low_v[part], step_v)
    starts, period = units.start_s[part], _period(units.start_s[part], units.end_s[part])
    duty = _duty(units.duty_pct[part], starts, period, 1 / trace.rate_hz)
    falls = starts + units.duty_pct[part] / 100 * (units.end_s[part] - starts)
    return PilotSpan(
        start, end, pilot_state((high.value, high.lo, high.hi), (low.value, low.lo, low.hi)), high, low,
        frequency_hz=1 / period, duty=duty, offer=offered_current(min(max(duty.value, 0.0), 100.0)),
        rise_us=edge_time_us(trace, starts, low.value, high.value, rising=True),
        fall_us=edge_time_us(trace, falls, low.value, high.value, rising=False),
    )  # fmt: skip


def _level(values: Floats, step_v: float) -> Level:
    lo, hi = np.percentile(values, SPREAD)
    return Level(float(np.median(values)), float(lo) - step_v / 2, float(hi) + step_v / 2)


def _period(start_s: Floats, end_s: Floats) -> float:
    """Period in s by a straight line through the rises, each with its number; gaps between runs do no harm."""
    usual = float(np.median(end_s - start_s))
    if start_s.size < LEAST_UNITS:
        return usual
    number = np.concatenate([[0.0], np.cumsum(np.round(np.diff(start_s) / usual))])
    return float(np.polyfit(number, start_s, 1)[0])


def _duty(each_pct: Floats, start_s: Floats, period_s: float, step_s: float) -> Level:
    """Mean duty; its interval holds the scatter and what sampling in step with the PWM cannot see between two samples."""
    mean = float(np.mean(each_pct))
    scatter = 2 * float(np.std(each_pct)) / np.sqrt(each_pct.size)
    phase = np.sort(np.mod(np.arange(start_s.size) * period_s / step_s, 1.0))
    unseen = float(np.max(np.diff(np.concatenate([phase, [phase[0] + 1]]))))
    reach = float(scatter) + 100 * unseen * step_s / period_s
    return Level(mean, max(0.0, mean - reach), min(100.0, mean + reach))


def _step_v(trace: Trace) -> float:
    """The instrument's step of resolution in V: the smallest difference between two of its values, 0 where none tells it."""
    gaps = np.diff(np.unique(np.round(trace.volts, 6)))
    steps = gaps[gaps <= COARSEST_STEP_V]
    return float(np.min(steps)) if steps.size else 0.0


def _event(before: PilotSpan, after: PilotSpan) -> str:
    a, b = before.state.name, after.state.name
    same = a[0] == b[0]
    words = {("1", "2"): "PWM on", ("2", "1"): "PWM off"}
    if same and (a[-1], b[-1]) in words:
        return f"{words[a[-1], b[-1]]} ({a} to {b})"
    steps = {
        ("B", "C"): "the vehicle asks",
        ("C", "B"): "the vehicle lets go",
        ("A", "B"): "plugged in",
        ("B", "A"): "unplugged",
    }
    said = steps.get((a[0], b[0]))
    return f"{a} to {b}" + (f": {said}" if said else "")


def _doubts(trace: Trace, spans: tuple[PilotSpan, ...]) -> tuple[str, ...]:
    out = []
    if trace.probe_factor != 1:
        out.append(
            f"The file's volts were taken times {trace.probe_factor:g}: set the probe's factor on the oscilloscope."
        )
    if not spans:
        out.append("No stretch of the trace is a pilot that holds one state for three cycles.")
    for span in spans:
        if span.frequency_hz and not FREQUENCY_HZ[0] <= span.frequency_hz <= FREQUENCY_HZ[1]:
            out.append(f"{span.state.name}: {span.frequency_hz:.0f} Hz; 980 to 1020 Hz are usual.")
        limit = RISE_LIMIT_US.get(span.state.name[0])
        if span.rise_us and limit and span.rise_us > limit:
            out.append(
                f"{span.state.name}: rises in {span.rise_us:.1f} µs; the limit is {limit:g} µs."
            )
        if span.fall_us and span.fall_us > FALL_LIMIT_US:
            out.append(
                f"{span.state.name}: falls in {span.fall_us:.1f} µs; the limit is {FALL_LIMIT_US:g} µs."
            )
    return tuple(dict.fromkeys(out))
