"""Logs of a site's own, read by a mapping entry: blocks → lines of our envelope, chatter counted."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
import polars as pl
import pyarrow as pa

from pipeline.core.line_numbers import FILE_STEP
from pipeline.doorway.frame_lines import FrameReader, Read
from pipeline.doorway.frames_entry import FramesEntry
from pipeline.ingest.lines import Block, good_and_bad
from pipeline.ingest.records import data_rows
from pipeline.ingest.sink import Sink

# Lines kept of each file to say how far a pattern fits where it fits none.
_KEPT = 100


class MisfitError(Exception):
    """An entry finds no frame in some files: by their name, how far it fits."""

    def __init__(self, files: dict[str, str]) -> None:
        super().__init__("; ".join(files.values()))
        self.files = files


@dataclass
class MappedLines:
    """The lines of files read by one entry, in one go."""

    sink: Sink
    entry: FramesEntry
    stations: Sequence[str]
    found: tuple[str, ...]
    _first: dict[int, list[str]] = field(default_factory=dict)
    _met: set[int] = field(default_factory=set)

    def parts(self, blocks: Iterator[Block]) -> Iterator[tuple[pa.Table, pl.DataFrame]]:
        """Good and bad lines of each block, as `frames.read_frames` takes them; chatter is counted here.

        Raises MisfitError at the end where some of the files hold no frame at all.
        """
        reader = FrameReader(self.entry, self.stations, self.sink)
        for read in self._table(reader, blocks) if self.entry.cells else self._text(reader, blocks):
            quiet = read.quiet.to_numpy()
            self.sink.count("used", quiet)
            self.sink.count("chatter", quiet)
            self._met |= set(np.unique(read.heads.to_numpy() // FILE_STEP).tolist())
            yield read.good.to_arrow(), read.bad
        missed = sorted(set(self._first) - self._met)
        if missed:
            raise MisfitError({self.sink.files[place]: self._misfit(place) for place in missed})

    def _text(self, reader: FrameReader, blocks: Iterator[Block]) -> Iterator[Read]:
        before: Block | None = None
        for block in blocks:
            if before is not None:
                yield self._block(reader, before, last=False)
            before = block
        if before is not None:
            yield self._block(reader, before, last=True)

    def _block(self, reader: FrameReader, block: Block, *, last: bool) -> Read:
        good, bad = good_and_bad(block, blanks=False)
        self.sink.reject(bad)
        self._note(good)
        return reader.lines(good, last=last)

    def _table(self, reader: FrameReader, blocks: Iterator[Block]) -> Iterator[Read]:
        until = self.found if self.entry.skip_until_header else None
        for rows in data_rows(self.sink, blocks, self.entry.delimiter, until):
            self._note(rows)
            yield reader.rows(rows, self.found)

    def _note(self, rows: pa.Table) -> None:
        """Keep the first lines of each file."""
        texts = pl.DataFrame(rows.select(["line", "text"])).filter(
            pl.col("text").str.contains(r"\S")
        )
        kept = texts.group_by(pl.col("line") // FILE_STEP, maintain_order=True).head(_KEPT)
        by_file = kept.group_by(pl.col("line").alias("place"), maintain_order=True).agg("text")
        for place, text in by_file.iter_rows():
            held = self._first.setdefault(place, [])
            held += text[: _KEPT - len(held)]

    def _misfit(self, place: int) -> str:
        """How far the entry fits a file's lines, in words."""
        first = self._first[place]
        if self.entry.line is not None:
            return f"line fits no line of it: {self.entry.pattern.fitted(first)}"
        way, parts = ("json", self.entry.json_) if self.entry.json_ else ("cells", self.entry.cells)
        named = ", ".join(f"{ours}: {theirs}" for ours, theirs in (parts or {}).items())
        return f"{way} finds no frame in it ({named}); its first line: {first[0].strip()[:160]!r}"
