"""Where the rows of files read in one go are put, and the account of their lines."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import polars as pl
import pyarrow as pa

from pipeline.core.line_numbers import FILE_STEP
from pipeline.ingest.lines import Integers, printable
from pipeline.settings.ingest import IngestSettings
from pipeline.storage.warehouse import Connection, Passing, RowGroups, alongside, append, query

# Rows of a record batch: one batch is one task for DuckDB's threads.
_BATCH_ROWS = 1 << 14
_REJECTED_AT_ONCE = 200_000  # rows: each is put with the name and the digest of its file

Fate = Literal["used", "rejected", "duplicates", "chatter"]


@dataclass(frozen=True)
class Account:
    """The lines of one file, each in one of three places; chatter, lines of a log without a frame, is used."""

    used: int = 0
    rejected: int = 0
    duplicates: int = 0
    chatter: int = 0
    unknown_columns: tuple[str, ...] = ()

    @property
    def lines(self) -> int:
        """All lines."""
        return self.used + self.rejected + self.duplicates


@dataclass(frozen=True)
class Sink:
    """The warehouse as files read in one go see it.

    `touched` grows by the stations with new rows (report.TOUCHED_SCHEMA).
    """

    con: Connection
    file_ids: tuple[str, ...]
    files: tuple[str, ...]
    settings: IngestSettings
    touched: list[pl.DataFrame] = field(default_factory=list, repr=False)
    _counts: dict[Fate, Integers] = field(default_factory=dict, repr=False)
    _slots: dict[str, Passing] = field(default_factory=dict, repr=False)

    def count(self, fate: Fate, line: Integers, span: Integers | None = None) -> None:
        """Add lines to the accounts of their files; `span` says how many each stands for."""
        before = self._counts.get(fate, np.zeros(len(self.files), np.int64))
        add = np.bincount(line // FILE_STEP, weights=span, minlength=len(self.files))
        self._counts[fate] = before + add.astype(np.int64)

    def account(self, place: int = 0, unknown_columns: tuple[str, ...] = ()) -> Account:
        """The account of the file at a place, so far."""
        counts = {fate: int(lines[place]) for fate, lines in self._counts.items()}
        return Account(**counts, unknown_columns=unknown_columns)

    def reject(self, lines: pl.DataFrame) -> None:
        """Keep rejected lines (`lines.REJECT_SCHEMA`) with place and reason, and count them."""
        for part in lines.iter_slices(_REJECTED_AT_ONCE):
            place = part["line"] // FILE_STEP
            append(self.con, "raw_rejected", part.with_columns(
                printable(pl.col("text")), pl.col("line") % FILE_STEP,
                pl.Series("file_id", self.file_ids).gather(place), pl.Series("file", self.files).gather(place),
            ))  # fmt: skip
        self.count("rejected", lines["line"].to_numpy())

    @contextmanager
    def seeing(self, **tables: pa.Table | RowGroups) -> Iterator[None]:
        """Queries within see the tables under their names."""
        for name, rows in tables.items():
            if name not in self._slots:
                self._slots[name] = Passing(rows)
                self.con.register(name, self._slots[name])
            self._slots[name].rows = rows
        yield
        for name in tables:
            self._slots[name].rows = None

    @contextmanager
    def beside(self) -> Iterator[Sink]:
        """A sink for queries over given tables (`seeing`, `table`) in another thread, while this one puts rows."""
        with alongside(self.con) as con:
            yield Sink(con, self.file_ids, self.files, self.settings)

    def table(self, select: str, given: Mapping[str, object] | None = None) -> pa.Table:
        """The rows of a query. They stay outside the warehouse.

        A passing table there would hold its memory until the commit.
        """
        return self.con.sql(select, params=dict(given or {})).to_arrow_table(_BATCH_ROWS)

    def frame(self, select: str) -> pl.DataFrame:
        """The rows of a query as a frame."""
        return query(self.con, select)
