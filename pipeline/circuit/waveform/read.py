"""An oscilloscope's CSV export, whatever its header, as time and volts.

Instruments write a preamble of their own, then rows of figures. The rows that hold figures in as many
columns as the middle of the file are the data; the lines before them may say units, the sampling interval, and which
column is which.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.errors import WhichsideError

Floats = NDArray[np.float64]

LEAST_RATE_HZ = 20_000.0
"""20 samples a period of the 1 kHz pilot: what a level and a duty cycle need (decided)."""
LEAST_SAMPLES = 200
"""Ten periods at the least rate."""
PILOT_V = (1.9, 13.5)
"""Where the pilot's larger level lies: 2.14 V (ventilated state with a shorted diode, derived) to 12.6 V and a little."""
LEAST_FACTORED_V = 5.0
"""A probe's factor is supplied only where it gives a common level: at least that of a shorted diode in C (derived)."""
QUIET_V = 0.2
"""Below this the pilot is at earth, whatever the probe."""
STEADY_SHARE = 0.2
"""Largest spread of the sampling interval about its median: beyond it the rows are no trace."""
_DELIMITERS = (";", "\t", ",", None)
_LOOKED_AT = 40
_FIGURE = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$")
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


class TraceError(WhichsideError):
    """A file is no trace we can use."""

    exit_code = 3


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


@dataclass(frozen=True)
class _Block:
    head: list[str]
    names: list[str]
    figures: Floats


def read_trace(
    text: str,
    *,
    where: str = "the trace",
    column: str | None = None,
    probe_factor: float | None = None,
) -> Trace:
    """Read an export from its text; `where` names it in messages.

    `column` names the column with the pilot (without it, the one that looks most like a pilot); volts are multiplied by
    `probe_factor` (without it 1, or 10 or 0.1 where only that gives the levels of a pilot). Raises TraceError where rows
    of figures are missing, too slow, too few, or reach no level of a pilot.
    """
    block = _block(text, where)
    time_s, others = _time(block, where)
    volts = _volts(block, others, where, column)
    keep = np.isfinite(time_s) & np.isfinite(volts)
    time_s, volts = time_s[keep], volts[keep]
    _check(time_s, where)
    factor = _factor(volts, where) if probe_factor is None else probe_factor
    return Trace(time_s - time_s[0], volts * factor, factor)


def _block(text: str, where: str) -> _Block:
    lines = text.lstrip("\ufeff").splitlines()
    delimiter, width = _shape(lines)
    start = next((n for n, line in enumerate(lines) if _is_row(line, delimiter, width)), len(lines))
    figures = _figures(lines[start:], delimiter, width)
    if len(figures) < LEAST_SAMPLES:
        raise TraceError(
            f"no trace: {len(figures)} rows of figures", where=where,
            next_step=f"export at least {LEAST_SAMPLES} samples as CSV, time and volts",
        )  # fmt: skip
    head = lines[:start]
    over = [c for line in reversed(head) if len(c := _cells(line, delimiter)) == width and any(c)][
        :2
    ]
    names = (
        [" ".join(parts) for parts in zip(*reversed(over), strict=True)] if over else [""] * width
    )
    return _Block(head, names, figures)


def _shape(lines: list[str]) -> tuple[str | None, int]:
    """Delimiter (None: blanks) and number of columns of the rows about the middle and end of the file."""
    looked = [
        line
        for line in (*lines[len(lines) // 2 :][:_LOOKED_AT], *lines[-_LOOKED_AT:])
        if line.strip()
    ]
    best: tuple[int, int, str | None] = (0, 0, None)
    for delimiter in _DELIMITERS:
        widths = [
            len(c) for line in looked if _all_figures(c := _cells(line, delimiter), delimiter)
        ]
        if widths and (len(widths), max(widths)) > best[:2]:
            best = (len(widths), max(set(widths), key=widths.count), delimiter)
    return best[2], best[1]


def _cells(line: str, delimiter: str | None) -> list[str]:
    cells = [
        cell.strip().strip('"').strip()
        for cell in (line.split(delimiter) if delimiter else line.split())
    ]
    while len(cells) > 1 and not cells[-1]:
        cells.pop()
    return cells


def _all_figures(cells: list[str], delimiter: str | None) -> bool:
    comma = delimiter != ","
    return all(
        _FIGURE.match(cell.replace(",", ".", 1) if comma and "." not in cell else cell)
        for cell in cells
    )


def _is_row(line: str, delimiter: str | None, width: int) -> bool:
    cells = _cells(line, delimiter)
    return len(cells) == width and _all_figures(cells, delimiter)


def _figures(lines: list[str], delimiter: str | None, width: int) -> Floats:
    """Rows with a figure in every column; a decimal comma where the comma parts no columns."""
    if not width:
        return np.empty((0, 0))
    column = pl.col("line").str.strip_chars().str.replace_all('"', "")
    column = column.str.replace_all(r"[ \t]+", "\t") if delimiter is None else column
    parts = column.str.splitn(delimiter or "\t", width + 1).struct.rename_fields(
        [str(i) for i in range(width + 1)]
    )
    frame = (
        pl.DataFrame({"line": lines})
        .select(parts)
        .unnest("line")
        .select(str(i) for i in range(width))
    )
    cells = pl.all().str.strip_chars()
    cells = cells if delimiter == "," else cells.str.replace(",", ".", literal=True)
    numbers = frame.select(cells.cast(pl.Float64, strict=False)).drop_nulls()
    return numbers.to_numpy()


def _unit(name: str, units: dict[str, float]) -> float | None:
    words = re.findall(r"[A-Za-zµμ]+", name)
    return next((units[word.lower()] for word in reversed(words) if word.lower() in units), None)


def _time(block: _Block, where: str) -> tuple[Floats, list[int]]:
    """The time column in s and the columns left, or time from a sampling interval or rate that the preamble states."""
    width = block.figures.shape[1]
    stated = _stated_interval(block)
    for i in range(width):
        values: Floats = block.figures[:, i]
        steps = np.diff(values)
        rising = bool(steps.size) and bool(np.all(steps > 0))
        if not rising:
            continue
        rest = [j for j in range(width) if j != i]
        counts = bool(np.all(steps == 1)) and stated is not None
        if counts and stated is not None:
            return np.multiply(values, stated), rest
        return np.multiply(values, _time_scale(block, i)), rest
    if stated is None:
        raise TraceError(
            "no column of the trace is a time that rises, and no sampling interval is stated", where=where,
            next_step="export with a time column, or keep the instrument's preamble",
        )  # fmt: skip
    return np.arange(block.figures.shape[0], dtype=np.float64) * stated, list(range(width))


def _time_scale(block: _Block, column: int) -> float:
    named = _unit(block.names[column], _SECONDS)
    return 1.0 if named is None else named


def _stated_interval(block: _Block) -> float | None:
    """A sampling interval in s (or the inverse of a rate) named in the preamble, in a line or over a column of it."""
    for number, line in enumerate(block.head):
        found = _INTERVAL.search(line) or _RATE.search(line)
        if not found:
            continue
        value = re.search(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", line[found.end() :])
        if value is None and number + 1 < len(block.head):
            column = line[: found.start()].count(",")
            cells = block.head[number + 1].split(",")
            value = (
                re.search(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", cells[column])
                if column < len(cells)
                else None
            )
        if value is None or float(value[0]) <= 0:
            continue
        if _INTERVAL.search(line):
            unit = _unit(line[found.end() :], _SECONDS)
            return float(value[0]) * (1.0 if unit is None else unit)
        return 1.0 / float(value[0])
    return None


def _volts(block: _Block, columns: list[int], where: str, wanted: str | None) -> Floats:
    if wanted is not None:
        chosen = [j for j in columns if wanted.strip().lower() in block.names[j].lower()]
        if not chosen:
            known = ", ".join(block.names[j] or f"column {j + 1}" for j in columns)
            raise TraceError(f"no column {wanted!r}", where=where, next_step=f"choose of {known}")
    else:
        chosen = sorted(columns, key=lambda j: -_swing(block.figures[:, j]))
    if not chosen:
        raise TraceError(
            "the trace has a time but no volts",
            where=where,
            next_step="export the channel with the pilot",
        )
    scale = _unit(block.names[chosen[0]], _VOLTS)
    return np.asarray(block.figures[:, chosen[0]] * (1.0 if scale is None else scale))


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
        next_step="choose the channel with the pilot, or give the probe factor",
    )  # fmt: skip
