"""A log of a site's own, a block at a time: its lines → lines of our envelope.

Three ways a frame may stand (a pattern, JSON, cells of a table) give the same parts; from these the envelope is made. Lines
without a frame are chatter: they are used, and counted.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from typing import Protocol

import polars as pl
import pyarrow as pa

from pipeline.core.line_numbers import ANSWER_STEP, FILE_STEP
from pipeline.doorway import times
from pipeline.doorway.directions import Directions
from pipeline.doorway.envelope_queries import (
    composed_query,
    envelope_query,
    frame_heads_query,
    payload_time_query,
)
from pipeline.doorway.frame_times import FrameTimes
from pipeline.doorway.frames_entry import FramesEntry
from pipeline.doorway.multi_line import NEVER_CLOSES, joined
from pipeline.doorway.part_queries import INDENTS, cells_query, heads_query, json_query
from pipeline.doorway.unfit_lines import unfit_lines

# Lines a frame may go on over: a meter's readings, printed one a line, come to some hundreds; practice.
FRAME_LINES_CAP = 2000

OUT_SCHEMA = pl.Schema(
    {
        "line": pl.Int64(),
        "byte_offset": pl.Int64(),
        "text": pl.String(),
        "envelope": pl.String(),
        "lines": pl.List(pl.Int64()),
    }
)
BAD_SCHEMA = pl.Schema(
    {
        "line": pl.Int64(),
        "byte_offset": pl.Int64(),
        "reject_reason": pl.String(),
        "text": pl.String(),
    }
)
_LINE = ["line", "byte_offset", "text"]


class Tables(Protocol):
    """Where queries are asked: Arrow tables under names, rows out."""

    def seeing(self, **tables: pa.Table) -> AbstractContextManager[None]:
        """Queries within see the tables under their names."""
        ...

    def table(self, select: str, given: Mapping[str, object] | None = None) -> pa.Table:
        """The rows of a query."""
        ...


@dataclass(frozen=True)
class Read:
    """What a block came to.

    Lines with our envelope (OUT_SCHEMA), rejected lines (BAD_SCHEMA), the numbers of lines that hold no frame, and of those that
    were taken for the beginning of one.
    """

    good: pl.DataFrame
    bad: pl.DataFrame
    quiet: pl.Series
    heads: pl.Series


@dataclass
class FrameReader:
    """Reads files by their entry, block by block; what a block leaves open is kept for the next.

    `stations` are told by the files' names, in the order of their places in the line numbers.
    """

    entry: FramesEntry
    stations: Sequence[str]
    tables: Tables
    _open: pl.DataFrame | None = None
    _directions: Directions = field(default_factory=Directions)
    _indents: pl.DataFrame | None = None

    def __post_init__(self) -> None:
        """Begin with no time told."""
        self._times = FrameTimes(self.entry)

    def lines(self, good: pa.Table, *, last: bool) -> Read:
        """The lines of a block (`line, byte_offset, text`) of logs or of JSON."""
        parts, cut, chatter = self._text_parts(good, last=last)
        return self._settled(parts, cut, chatter)

    def rows(self, records: pa.Table, found: tuple[str, ...]) -> Read:
        """The rows of a block of a table (`line, byte_offset, text, span, cells`) with the header `found`."""
        with self.tables.seeing(_records=records):
            parts = pl.DataFrame(self.tables.table(cells_query(self.entry, found)))
        none = parts.head(0).select(_LINE)
        return self._settled(parts, none, none)

    def _text_parts(
        self, good: pa.Table, *, last: bool
    ) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
        rows = self._heads(good)
        if self._open is not None:
            rows = pl.concat([self._open, rows], how="vertical")
        self._open = None
        heads = rows.filter(pl.col("body").is_not_null())
        whole = heads.select(pl.col("closed").all()).item() if heads.height else True
        if whole and self.entry.onward is None:
            parts = heads.with_columns(lines=pl.lit(None, pl.List(pl.Int64)))
            parts, none = self._from_json(parts), rows.head(0).select(_LINE)
            broken = self.entry.json_ is not None and parts["broken"].any()
            if not broken:
                return parts, none, rows.filter(pl.col("body").is_null())
            # what ends with a brace is not always a whole object: these may go on over further lines
            open_ended = pl.col("line").is_in(parts.filter("broken")["line"].implode())
            rows = rows.with_columns(closed=pl.col("closed") & ~open_ended)
        return self._joined(rows, last=last)

    def _heads(self, good: pa.Table) -> pl.DataFrame:
        """The lines of a block with the parts before the frame of each that begins one."""
        query = heads_query(self.entry, coloured=_coloured(good))
        with self.tables.seeing(_lines=good):
            if self.entry.json_ is None:
                return pl.DataFrame(self.tables.table(query))
            met = pl.DataFrame(self.tables.table(INDENTS))
            known = met if self._indents is None else pl.concat([self._indents, met])
            self._indents = known.unique("file", keep="first", maintain_order=True)
            with self.tables.seeing(_indents=self._indents.to_arrow()):
                return pl.DataFrame(self.tables.table(query))

    def _joined(
        self, rows: pl.DataFrame, *, last: bool
    ) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
        head = pl.col("body").is_not_null()
        onward = self.entry.onward
        goes_on = pl.col("more") if onward else pl.col("text").str.strip_chars_end("\r\n")
        station = pl.lit("")
        if onward and "station_id" in onward.named:
            station = pl.when(head).then("station_id").otherwise("more_station").fill_null("")
        asked = rows.with_columns(
            is_head=head,
            piece=pl.when(head).then(pl.col("body").str.strip_chars_end()).otherwise(goes_on),
            thread=pl.struct(pl.col("line") // FILE_STEP, station.alias("station")),
            closed=(pl.col("closed") & pl.lit(onward is None)) | pl.col("whole"),
        )
        told = joined(asked, FRAME_LINES_CAP, last=last)
        if told.open.height:
            self._open = told.open.select(rows.columns)
        kept = [c for c in rows.columns if c != "body"]
        parts = told.whole.select(*kept, "body", "lines")
        return self._from_json(parts), told.cut.select(_LINE), told.chatter

    def _from_json(self, parts: pl.DataFrame) -> pl.DataFrame:
        if self.entry.json_ is None:
            return parts
        with self.tables.seeing(_objects=parts.to_arrow()):
            return pl.DataFrame(self.tables.table(json_query(self.entry)))

    def _settled(self, parts: pl.DataFrame, cut: pl.DataFrame, chatter: pl.DataFrame) -> Read:
        query = composed_query(self.entry, set(parts.columns), self.stations)
        with self.tables.seeing(_parts=parts.to_arrow()):
            rows = pl.DataFrame(self.tables.table(query))
        holds = pl.col("frame").is_not_null() | pl.col("reason").is_not_null()
        without, rows = rows.filter(~holds), rows.filter(holds)
        rows = self._times.told(self._inside(self._directed(rows)))
        good, bad = (
            rows.filter(pl.col("reason").is_null()),
            rows.filter(pl.col("reason").is_not_null()),
        )
        unfit = unfit_lines(self.entry, chatter, good)
        rejected = pl.concat(
            [
                _each_line(bad).select(*_LINE, reject_reason="reason"),
                cut.select(*_LINE, reject_reason=pl.lit(NEVER_CLOSES)),
                unfit,
            ]
        ).unique("line", keep="first", maintain_order=True)
        with self.tables.seeing(_framed=good.to_arrow()):
            made = pl.DataFrame(self.tables.table(envelope_query(self.entry)))
        lone = without.filter((pl.col("line") & ANSWER_STEP) == 0)
        quiet = chatter.join(unfit, on="line", how="anti")["line"]
        return Read(
            made,
            rejected.select(pl.col(name).cast(kind) for name, kind in BAD_SCHEMA.items()),
            pl.concat([quiet, _each_line(lone)["line"]]),
            pl.concat([rows["line"], cut["line"]]),
        )

    def _directed(self, rows: pl.DataFrame) -> pl.DataFrame:
        """Rows with their `way`, where no word told it."""
        unsaid = pl.col("way").is_null() & pl.col("reason").is_null()
        if not rows.select(unsaid.any()).item():
            return rows
        with self.tables.seeing(
            _framed=rows.select("line", "station_id", "way", "frame").to_arrow()
        ):
            heads = pl.DataFrame(self.tables.table(frame_heads_query()))
        return rows.with_columns(self._directions.told(heads))

    def _inside(self, rows: pl.DataFrame) -> pl.DataFrame:
        """Rows with the time inside their payload (`inside_utc, inside_local`), where it is asked for."""
        dated = all(times.has_year(form) for form in self.entry.forms)
        if not self.entry.by_payload and dated and self.entry.written_by == "central":
            return rows
        with self.tables.seeing(_framed=rows.select("line", "frame").to_arrow()):
            told = pl.DataFrame(self.tables.table(payload_time_query()))
        return rows.join(told, on="line", how="left", maintain_order="left")


def _coloured(good: pa.Table) -> bool:
    """Whether some of the first or last lines of a block hold a terminal's colours."""
    ends = (good["text"].slice(0, 50), good["text"].slice(max(0, len(good) - 50)))
    return any("\x1b[" in line for part in ends for line in part.to_pylist())


def _each_line(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows that stand on several lines as one row a line."""
    own = pl.concat_list(pl.col("line") - (pl.col("line") & ANSWER_STEP))
    return rows.with_columns(line=pl.coalesce("lines", own)).explode("line")
