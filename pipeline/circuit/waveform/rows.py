"""The rows of figures in an instrument's export, whatever its header, and the lines before them."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.errors import WhichsideError

Floats = NDArray[np.float64]

LEAST_SAMPLES = 200
"""Ten periods at the least rate."""
_DELIMITERS = (";", "\t", ",", None)
_LOOKED_AT = 40
FIGURE = r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?"
_WHOLE_FIGURE = re.compile(FIGURE)


class TraceError(WhichsideError):
    """A file is no trace we can use."""

    exit_code = 3


@dataclass(frozen=True)
class Block:
    """The lines before the rows, the columns' names (empty where none are given), and the rows: shape (rows, columns)."""

    head: list[str]
    names: list[str]
    figures: Floats


def block_of(text: str, where: str) -> Block:
    """The rows of an export's text; raises TraceError where there are too few."""
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
    return Block(head, names, figures)


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
        _WHOLE_FIGURE.fullmatch(cell.replace(",", ".", 1) if comma and "." not in cell else cell)
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
