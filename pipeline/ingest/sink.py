"""Where the rows of a file go, and the account of its lines.

Small files go together: a line of the file at `place` i then carries the number i * FILE_STEP +
line until it is put.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

import polars as pl
import pyarrow as pa

from pipeline.ingest.lines import printable
from pipeline.settings.ingest import IngestSettings
from pipeline.storage.warehouse import Connection, append, query

# Above any line number.
FILE_STEP = 1 << 40

# Rows of a record batch: one batch is one task for DuckDB's threads.
_BATCH_ROWS = 1 << 14


@dataclass(frozen=True)
class Account:
    """The lines of one file so far, each in one of three places, and the stations it touched
    (report.TOUCHED_SCHEMA).
    """

    used: int = 0
    rejected: int = 0
    duplicates: int = 0
    unknown_columns: tuple[str, ...] = ()
    touched: tuple[pl.DataFrame, ...] = field(default=(), repr=False)

    @property
    def lines(self) -> int:
        """All lines."""
        return self.used + self.rejected + self.duplicates

    def plus(
        self,
        *,
        used: int = 0,
        rejected: int = 0,
        duplicates: int = 0,
        touched: pl.DataFrame | None = None,
    ) -> Account:
        """The account with more lines."""
        return replace(
            self,
            used=self.used + used,
            rejected=self.rejected + rejected,
            duplicates=self.duplicates + duplicates,
            touched=self.touched if touched is None else (*self.touched, touched),
        )


@dataclass
class _Slot:
    """A name in the warehouse behind which tables come and go.

    A table registered by itself would be held, with all its memory, until the transaction ends; one
    slot a name is not.
    """

    rows: pa.Table | None

    def __arrow_c_stream__(self, requested_schema: object = None) -> object:
        """The rows of the moment (Arrow's PyCapsule protocol)."""
        if self.rows is None:
            raise LookupError("no rows stand behind this name now")
        return self.rows.__arrow_c_stream__(requested_schema)


@dataclass(frozen=True)
class Sink:
    """The warehouse as a file, or small files together, see it."""

    con: Connection
    file_ids: tuple[str, ...]
    files: tuple[str, ...]
    settings: IngestSettings
    _slots: dict[str, _Slot] = field(default_factory=dict, repr=False)

    @property
    def file_id(self) -> str:
        """The id of the only file."""
        (file_id,) = self.file_ids
        return file_id

    @property
    def file(self) -> str:
        """The name of the only file."""
        (file,) = self.files
        return file

    def reject(self, lines: pl.DataFrame) -> int:
        """Keep rejected lines (`lines.REJECT_SCHEMA`) with place and reason, and give their number."""
        if lines.is_empty():
            return 0
        place = lines["line"] // FILE_STEP
        append(self.con, "raw_rejected", lines.with_columns(
            printable(pl.col("text")), pl.col("line") % FILE_STEP,
            pl.Series("file_id", self.file_ids).gather(place), pl.Series("file", self.files).gather(place),
        ))  # fmt: skip
        return lines.height

    @contextmanager
    def seeing(self, **tables: pa.Table) -> Iterator[None]:
        """Queries within see the tables under their names."""
        for name, rows in tables.items():
            if name not in self._slots:
                self._slots[name] = _Slot(rows)
                self.con.register(name, self._slots[name])
            self._slots[name].rows = rows
        yield
        for name in tables:
            self._slots[name].rows = None

    def table(self, select: str, given: Mapping[str, object] | None = None) -> pa.Table:
        """The rows of a query. They stay outside the warehouse.

        A passing table there would hold its memory until the commit.
        """
        return self.con.sql(select, params=dict(given or {})).to_arrow_table(_BATCH_ROWS)

    def frame(self, select: str) -> pl.DataFrame:
        """The rows of a query as a frame."""
        return query(self.con, select)
