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
LINE_SCHEMA = pl.Schema({name: RECORD_SCHEMA[name] for name in ("line", "byte_offset", "text")})
_BLANKS = " \t\r\n"
_AT_ONCE = 100_000  # records handed on together: bounds memory
_ALL_BLANKS = _BLANKS + "\v\f"


@dataclass(frozen=True)
class Records:
    """Records of a block (`rows`, RECORD_SCHEMA) and the lines that could not be read (`bad`, lines.REJECT_SCHEMA).

    `blanks` says whether blanks may stand around a value.
    """

    rows: pl.DataFrame
    bad: pl.DataFrame
    blanks: bool = True


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
        for piece in part.rows.iter_slices(_AT_ONCE):
            line = piece["line"].to_numpy()
            file = line // FILE_STEP
            header = np.diff(file, prepend=last_file) > 0
            last_file = int(file[-1])
            sink.count("used", line[header], piece["span"].to_numpy()[header])
            rows = piece.filter(pl.Series(~header)) if header.any() else piece
            if rows.height:
                yield _as_rows(rows, stripped=stripped and part.blanks)


def _rows_after(
    sink: Sink, blocks: Iterator[Block], delimiter: str, header: tuple[str, ...]
) -> Iterator[pa.Table]:
    """As `data_rows`, after a header that need not come first."""
    begun = pl.DataFrame(schema={"file": pl.Int64(), "begun": pl.Boolean()})
    for part in records(blocks, delimiter, sink.settings):
        sink.reject(part.bad)
        names = pl.col("cells").list.eval(pl.element().str.strip_chars(f"{_BLANKS}\ufeff"))
        rows = part.rows.with_columns(
            file=pl.col("line") // FILE_STEP, names=names.list.join("\0")
        ).join(begun, on="file", how="left", maintain_order="left")
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


def _as_rows(rows: pl.DataFrame, *, stripped: bool) -> pa.Table:
    """Records as Arrow's. Stripped here: the warehouse takes ten times as long to trim a set of signs."""
    if stripped:
        rows = rows.with_columns(pl.col("cells").list.eval(pl.element().str.strip_chars(_BLANKS)))
    return rows.to_arrow()


def one_a_line(bad: pl.DataFrame) -> pl.DataFrame:
    """Rejected records of several lines as one row a line (lines.REJECT_SCHEMA)."""
    each = pl.int_ranges(pl.col("line"), pl.col("line") + pl.col("span")).alias("line")
    return bad.with_columns(each).explode("line").select(REJECT_SCHEMA.names())


def records(blocks: Iterator[Block], delimiter: str, settings: IngestSettings) -> Iterator[Records]:
    """Records of a stream of blocks; only lines with a quote, and those between two, are looked at one by one."""
    held = pl.DataFrame(schema=LINE_SCHEMA)
    for block in blocks:
        if held.is_empty() and b'"' not in block.data:
            good, bad = good_and_bad(block)
            span = pl.lit(1, pl.Int64)
            rows = pl.DataFrame(good).with_columns(span=span, cells=plain_cells(delimiter))
            yield Records(rows, bad, any(sign in block.data for sign in (b" ", b"\t", b"\r")))
            continue
        good, bad = good_and_bad(block, blanks=False)
        lines = pl.concat([held, pl.DataFrame(good).select(LINE_SCHEMA.names())])
        whole, held = _joined(lines, settings.record_lines_cap)
        rows, empty = _cut(whole, delimiter)
        yield Records(rows, pl.concat([bad, empty]))
    if held.height:  # a quote never closed
        rows, empty = _cut(held.with_columns(span=pl.lit(1, pl.Int64)), delimiter)
        yield Records(rows, empty)


def _joined(lines: pl.DataFrame, cap: int) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Lines joined to records with their `span`, and the lines of a record that is not closed yet.

    A rejected line between ends a record.
    """
    quotes = lines["text"].str.count_matches('"', literal=True).to_numpy()
    odd = np.flatnonzero(quotes % 2).tolist()
    number = lines["line"].to_list() if len(odd) else []
    first, end = np.arange(lines.height), lines.height
    k = 0
    while k < len(odd):
        begin, last = odd[k], lines.height - 1
        closed = k + 1 < len(odd)
        until = odd[k + 1] if closed else last
        near = until - begin < (cap if closed else cap - 1)
        if not near or number[until] - number[begin] != until - begin:
            k += 1  # never closed: a record of its own
        elif closed:
            first[begin : until + 1] = begin
            k += 2
        else:
            end = begin
            break
    span = np.bincount(first[:end], minlength=end)
    whole = lines.head(end).with_columns(span=pl.Series(span, dtype=pl.Int64))
    if end and (span != 1).any():
        groups = whole.group_by(pl.Series("first", first[:end]), maintain_order=True)
        text = groups.agg(pl.col("text").str.join(""))["text"]
        whole = whole.filter(pl.col("span") > 0).with_columns(text)
    return whole, lines.slice(end)


def _cut(whole: pl.DataFrame, delimiter: str) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Records with their cells (RECORD_SCHEMA), and empty lines among them (lines.REJECT_SCHEMA)."""
    blank = whole["text"].str.strip_chars(_ALL_BLANKS) == ""
    empty = whole.filter(blank).with_columns(reject_reason=pl.lit(EMPTY))
    rows = whole.filter(~blank)
    quoted = rows["text"].str.contains('"', literal=True)
    by_quotes = pa.array(
        [cells_of(text, delimiter) for text in rows["text"].filter(quoted).to_list()],
        pa.list_(pa.string()),
    )
    cells = plain_cells(delimiter)
    if len(by_quotes):
        place = pl.Series(quoted.cast(pl.Int64).cum_sum() - 1)
        cut = pl.Series(pl.from_arrow(by_quotes), dtype=pl.List(pl.String))
        cells = pl.when(quoted).then(cut.gather(place.clip(0))).otherwise(cells)
    return (
        rows.with_columns(cells=cells).select(RECORD_SCHEMA.names()),
        empty.select(REJECT_SCHEMA.names()),
    )


def plain_cells(delimiter: str) -> pl.Expr:
    """Values of a record without quotes."""
    return pl.col("text").str.strip_chars_end("\r\n").str.split(delimiter)


def cells_of(text: str, delimiter: str) -> list[str] | None:
    """Values of a record with quotes; None where its quoting is broken."""
    try:
        read = list(csv.reader([text.rstrip("\r\n")], delimiter=delimiter, strict=True))
    except csv.Error:
        return None
    return read[0] if len(read) == 1 else None
