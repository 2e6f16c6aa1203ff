"""Lines of a CSV joined to records: a quoted value may hold line ends.

Accounting: a record of k lines counts as k lines used, or k rejected; its `line` is the first of
them. A quote that is not closed within `record_lines_cap` lines is taken as never closed: its line
is a record of its own.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import polars as pl
import pyarrow as pa

from pipeline.core.line_numbers import FILE_STEP
from pipeline.ingest.lines import EMPTY, REJECT_SCHEMA, Block, good_and_bad
from pipeline.ingest.sink import Sink
from pipeline.settings.ingest import IngestSettings

RECORD_SCHEMA = pl.Schema(
    {
        "line": pl.Int64(),
        "byte_offset": pl.Int64(),
        "text": pl.String(),
        "span": pl.Int64(),
        "cells": pl.List(pl.String()),
    }
)
_BLANKS = " \t\r\n"
_RECORD_TYPES = (pa.int64(), pa.int64(), pa.string(), pa.int64(), pa.list_(pa.string()))


@dataclass(frozen=True)
class Records:
    """Records of a block: `rows` (RECORD_SCHEMA, cells already cut) or, where no quote stands in
    it, its `plain` lines.

    `bad` are the lines that could not be read (lines.REJECT_SCHEMA).
    """

    rows: pl.DataFrame
    plain: pa.Table | None
    bad: pl.DataFrame


_Line = tuple[int, int, str]


def data_rows(
    sink: Sink, blocks: Iterator[Block], delimiter: str, until: tuple[str, ...] | None = None,
    *, stripped: bool = False,
) -> Iterator[pa.Table]:  # fmt: skip
    """Records (RECORD_SCHEMA) after each file's header, which counts as used; what cannot be read
    is rejected. A block without any gives no rows. The header is the first record, or, where one is given, the first like it:
    what stands before it is used too. `stripped` takes the blanks around each value off.
    """
    if until is not None:
        yield from _rows_after(sink, blocks, delimiter, until)
        return
    last_file = -1
    for part in records(blocks, delimiter, sink.settings):
        sink.reject(part.bad)
        rows = _as_rows(part, delimiter, stripped=stripped)
        line = rows["line"].to_numpy()
        file = line // FILE_STEP
        header = np.diff(file, prepend=last_file) > 0
        last_file = int(file[-1]) if len(file) else last_file
        sink.count("used", line[header], rows["span"].to_numpy()[header])
        rows = rows.filter(pa.array(~header)) if header.any() else rows
        if rows.num_rows:
            yield rows


def _rows_after(
    sink: Sink, blocks: Iterator[Block], delimiter: str, header: tuple[str, ...]
) -> Iterator[pa.Table]:
    """As `data_rows`, after a header that need not come first."""
    begun = pl.DataFrame(schema={"file": pl.Int64(), "begun": pl.Boolean()})
    for part in records(blocks, delimiter, sink.settings):
        sink.reject(part.bad)
        names = pl.col("cells").list.eval(pl.element().str.strip_chars(f"{_BLANKS}\ufeff"))
        rows = (
            pl.DataFrame(_as_rows(part, delimiter))
            .with_columns(file=pl.col("line") // FILE_STEP, names=names.list.join("\0"))
            .join(begun, on="file", how="left", maintain_order="left")
        )
        here = (pl.col("names") == "\0".join(header)).fill_null(value=False)
        told = here.cum_max().over("file") | pl.col("begun").fill_null(value=False)
        rows = rows.with_columns(told=told)
        before = pl.col("told").shift(1).over("file")
        rows = rows.with_columns(after=pl.coalesce(before, "begun").fill_null(value=False))
        begun = pl.concat([begun, rows.filter("told").select("file", begun="told")]).unique("file")
        skipped = rows.filter(~pl.col("after"))
        sink.count("used", skipped["line"].to_numpy(), skipped["span"].to_numpy())
        rest = rows.filter("after").select(RECORD_SCHEMA.names())
        if rest.height:
            yield rest.to_arrow()


def _as_rows(part: Records, delimiter: str, *, stripped: bool = False) -> pa.Table:
    """Records as RECORD_SCHEMA; plain lines get their cells by a vectorised split.

    Stripped here: the warehouse takes ten times as long to trim a set of signs.
    """
    rows = part.rows
    if part.plain is not None:
        cells = pl.col("text").str.strip_chars_end("\r\n").str.split(delimiter)
        rows = pl.DataFrame(part.plain).with_columns(span=pl.lit(1, pl.Int64), cells=cells)
    if stripped:
        rows = rows.with_columns(pl.col("cells").list.eval(pl.element().str.strip_chars(_BLANKS)))
    return rows.to_arrow()


def one_a_line(bad: pl.DataFrame) -> pl.DataFrame:
    """Rejected records of several lines as one row a line (lines.REJECT_SCHEMA)."""
    each = pl.int_ranges(pl.col("line"), pl.col("line") + pl.col("span")).alias("line")
    return bad.with_columns(each).explode("line").select(REJECT_SCHEMA.names())


def records(blocks: Iterator[Block], delimiter: str, settings: IngestSettings) -> Iterator[Records]:
    """Records of a stream of blocks; only blocks with quotes are walked line by line."""
    open_lines: list[_Line] = []
    for block in blocks:
        if not open_lines and b'"' not in block.data:
            good, bad = good_and_bad(block)
            yield Records(pl.DataFrame(schema=RECORD_SCHEMA), good, bad)
            continue
        good, bad = good_and_bad(block, blanks=False)
        whole, open_lines = _joined(
            open_lines + pl.DataFrame(good).rows(), settings.record_lines_cap
        )
        rows, empty = _cut(whole, delimiter)
        yield Records(rows, None, pl.concat([bad, empty]))
    while open_lines:  # a quote never closed
        whole, open_lines = _joined(open_lines, 1)
        rows, empty = _cut(whole, delimiter)
        yield Records(rows, None, empty)


def _joined(lines: list[_Line], cap: int) -> tuple[list[list[_Line]], list[_Line]]:
    """Lines grouped to records, and the lines of a record that is not closed yet.

    A rejected line between ends a record.
    """
    whole: list[list[_Line]] = []
    i = 0
    while i < len(lines):
        quotes, end, follows = 0, i, True
        while end < len(lines) and end - i < cap and follows:
            quotes += lines[end][2].count('"')
            end += 1
            if quotes % 2 == 0:
                break
            follows = end == len(lines) or lines[end][0] == lines[end - 1][0] + 1
        if quotes % 2 and end - i < cap and follows:
            return whole, lines[i:]
        end = i + 1 if quotes % 2 else end
        whole.append(lines[i:end])
        i = end
    return whole, []


def _cut(whole: list[list[_Line]], delimiter: str) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Records with their cells (RECORD_SCHEMA), and empty lines among them (lines.REJECT_SCHEMA)."""
    rows, empty = [], []
    for lines in whole:
        number, offset, _ = lines[0]
        text = "".join(line[2] for line in lines)
        if text.strip():
            rows.append((number, offset, text, len(lines), cells_of(text, delimiter)))
        else:
            empty.append((number, offset, EMPTY, text))
    columns = zip(*rows, strict=True) if rows else ([] for _ in RECORD_SCHEMA)
    # by Arrow: a list column row by row makes a series of each row
    built = pa.table(
        [pa.array(list(column), kind) for column, kind in zip(columns, _RECORD_TYPES, strict=True)],
        names=list(RECORD_SCHEMA),
    )
    return pl.DataFrame(pl.from_arrow(built), schema=RECORD_SCHEMA), pl.DataFrame(
        empty, schema=REJECT_SCHEMA, orient="row"
    )


def cells_of(text: str, delimiter: str) -> list[str] | None:
    """Values of a record; None where its quoting is broken."""
    if '"' not in text:  # as plain lines are split
        return text.rstrip("\r\n").split(delimiter)
    try:
        read = list(csv.reader([text.rstrip("\r\n")], delimiter=delimiter, strict=True))
    except csv.Error:
        return None
    return read[0] if len(read) == 1 else None
