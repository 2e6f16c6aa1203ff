"""An oscilloscope's CSV export as time and volts.

Instruments write a preamble of their own, then rows of figures; the preamble may say units, the sampling interval, and which
column is which.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from pipeline.circuit.waveform.rows import (
    FIGURE,
    LEAST_SAMPLES,
    Block,
    Floats,
    TraceError,
    block_of,
)

LEAST_RATE_HZ = 20_000.0
"""20 samples a period of the 1 kHz pilot: what a level and a duty cycle need (decided)."""
PILOT_V = (1.9, 13.5)
"""Where the pilot's larger level lies: 2.14 V (ventilated state with a shorted diode, derived) to 12.6 V and a little."""
LEAST_FACTORED_V = 5.0
"""A probe's factor is supplied only where it gives a common level: at least that of a shorted diode in C (derived)."""
QUIET_V = 0.2
"""Below this the pilot is at earth, whatever the probe."""
STEADY_SHARE = 0.2
"""Largest spread of the sampling interval about its median: beyond it the rows are no trace."""
_SECONDS = {
    "s": 1.0,
    "sec": 1.0,
    "second": 1.0,
    "seconds": 1.0,
    "ms": 1e-3,
    "us": 1e-6,
    "µs": 1e-6,
    "μs": 1e-6,
    "ns": 1e-9,
}
_VOLTS = {"v": 1.0, "volt": 1.0, "volts": 1.0, "mv": 1e-3, "µv": 1e-6, "uv": 1e-6}
_INTERVAL = re.compile(
    r"(?i)interval|increment|\bx?incr?\b|\bdt\b|delta\s*t|sampl\w*\s+(period|time)"
)
_RATE = re.compile(r"(?i)sampl\w*\s*(rate|freq)|\bfs\b")


@dataclass(frozen=True)
class Trace:
    """A trace: seconds from its start, volts at the pilot, and the factor by which the file's volts were multiplied."""

    time_s: Floats
    volts: Floats
    probe_factor: float

    @property
    def rate_hz(self) -> float:
        """Samples a second."""
        return 1.0 / float(np.median(np.diff(self.time_s)))


def read_trace(text: str, *, where: str = "the trace") -> Trace:
    """Read an export from its text; `where` names it in messages.

    Of several channels the one that looks most like a pilot is read; volts are taken times 10 or 0.1 where only that gives the
    levels of a pilot. Raises TraceError where rows of figures are missing, too slow, too few, or reach no level of a pilot.
    """
    block = block_of(text, where)
    time_s, others = _time(block, where)
    volts = _volts(block, others, where)
    keep = np.isfinite(time_s) & np.isfinite(volts)
    time_s, volts = time_s[keep], volts[keep]
    _check(time_s, where)
    factor = _factor(volts, where)
    return Trace(time_s - time_s[0], volts * factor, factor)


def _scale(name: str, units: dict[str, float]) -> float:
    """Of the last word that is a unit; 1 where none is."""
    words = re.findall(r"[a-zµμ]+", name.lower())
    return next((units[word] for word in reversed(words) if word in units), 1.0)


def _time(block: Block, where: str) -> tuple[Floats, list[int]]:
    """The time column in s and the columns left, or time from a sampling interval or rate that the preamble states."""
    width = block.figures.shape[1]
    stated = _stated_interval(block)
    for i in range(width):
        values: Floats = block.figures[:, i]
        steps = np.diff(values)
        if not np.all(steps > 0):
            continue
        rest = [j for j in range(width) if j != i]
        if stated is not None and np.all(steps == 1):  # it counts the samples
            return np.multiply(values, stated), rest
        return np.multiply(values, _scale(block.names[i], _SECONDS)), rest
    if stated is None:
        raise TraceError(
            "no column of the trace is a time that rises, and no sampling interval is stated", where=where,
            next_step="export with a time column, or keep the instrument's preamble",
        )  # fmt: skip
    return np.arange(block.figures.shape[0], dtype=np.float64) * stated, list(range(width))


def _stated_interval(block: Block) -> float | None:
    """A sampling interval in s (or the inverse of a rate) named in the preamble, in a line or over a column of it."""
    for number, line in enumerate(block.head):
        found = _INTERVAL.search(line) or _RATE.search(line)
        if not found:
            continue
        value = re.search(FIGURE, line[found.end() :])
        if value is None and number + 1 < len(block.head):
            column = line[: found.start()].count(",")
            cells = block.head[number + 1].split(",")
            value = re.search(FIGURE, cells[column]) if column < len(cells) else None
        if value is None or float(value[0]) <= 0:
            continue
        if _INTERVAL.search(line):
            return float(value[0]) * _scale(line[found.end() :], _SECONDS)
        return 1.0 / float(value[0])
    return None


def _volts(block: Block, columns: list[int], where: str) -> Floats:
    if not columns:
        raise TraceError(
            "the trace has a time but no volts",
            where=where,
            next_step="export the channel with the pilot",
        )
    chosen = max(columns, key=lambda j: _swing(block.figures[:, j]))
    return np.asarray(block.figures[:, chosen] * _scale(block.names[chosen], _VOLTS))


def _swing(values: Floats) -> float:
    """How much a column looks like a pilot: its swing, where it swings about zero; else little."""
    low, high = np.nanpercentile(values, [1, 99])
    return float(high - low if low < 0 < high else 0.01 * (high - low))


def _check(time_s: Floats, where: str) -> None:
    if time_s.size < LEAST_SAMPLES:
        raise TraceError(
            "too few samples have both time and volts",
            where=where,
            next_step="export a longer trace",
        )
    steps = np.diff(time_s)
    usual = float(np.median(steps))
    if usual <= 0 or float(np.mean(np.abs(steps - usual) > STEADY_SHARE * usual)) > 0.01:
        raise TraceError(
            "the times of the trace do not step evenly",
            where=where,
            next_step="export the samples as they were taken",
        )
    if 1 / usual < LEAST_RATE_HZ * 0.99:
        raise TraceError(
            f"sampled at {1 / usual:,.0f} a second, too slowly for a 1 kHz pilot", where=where,
            next_step=f"sample at {LEAST_RATE_HZ:,.0f} a second or faster",
        )  # fmt: skip


def _factor(volts: Floats, where: str) -> float:
    low, high = np.percentile(volts, [1, 99])
    largest = float(max(abs(low), abs(high)))
    if PILOT_V[0] <= largest <= PILOT_V[1]:
        return 1.0
    for factor in (10.0, 0.1):
        if LEAST_FACTORED_V <= largest * factor <= PILOT_V[1]:
            return factor
    if largest < QUIET_V:
        return 1.0
    raise TraceError(
        f"the trace's levels reach {largest:.3g} V: no pilot has that, with or without a probe factor of 10", where=where,
        next_step="export the channel with the pilot, the probe's factor set on the oscilloscope",
    )  # fmt: skip
