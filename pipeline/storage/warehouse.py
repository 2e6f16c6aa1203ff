"""The warehouse: one DuckDB file, written by one run at a time, read by many."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import duckdb
import polars as pl
import pyarrow as pa
from filelock import FileLock, Timeout

from pipeline.core.errors import HELD, StoreError
from pipeline.registry import conform
from pipeline.storage.files import sync_folder
from pipeline.storage.tables import create_tables

Connection = duckdb.DuckDBPyConnection


# What says that the file is at fault; a failed checksum comes as the bare base class.
_STORE_AT_FAULT = (
    duckdb.IOException,
    duckdb.FatalException,
    duckdb.InternalException,
    duckdb.SerializationException,
)


def _connect(store: Path, *, read_only: bool) -> Connection:
    try:
        con = duckdb.connect(str(store), read_only=read_only)
    except duckdb.OutOfMemoryException as error:
        raise MemoryError(str(error)) from error
    except duckdb.IOException as error:
        cure = (
            "wait for the run to end"
            if "lock" in str(error).lower()
            else "restore a copy, or remove it and run again"
        )
        raise StoreError(
            f"the warehouse cannot be opened: {error}", where=str(store), next_step=cure
        ) from error
    except duckdb.Error as error:
        cure = "name another file, or remove it and run again: everything in it comes from the deliveries"
        raise StoreError(
            f"not a warehouse of ours, or damaged: {error}", where=str(store), next_step=cure
        ) from error
    return _as_ours(con)


def _as_ours(con: Connection) -> Connection:
    con.execute("SET TimeZone = 'UTC'")
    con.execute("SET enable_progress_bar = false")  # it goes to standard output, where results go
    return con


@contextmanager
def alongside(con: Connection) -> Iterator[Connection]:
    """Another connection to an open warehouse, for another thread; it sees what was committed."""
    other = _as_ours(con.cursor())
    try:
        yield other
    finally:
        other.close()


@contextmanager
def _named(store: Path) -> Iterator[None]:
    """Give what DuckDB raises when the file or its disk is at fault, not the question, a name and a
    cure.
    """
    try:
        yield
    except duckdb.Error as error:
        if isinstance(error, duckdb.OutOfMemoryException) or "Out of Memory" in str(error):
            raise MemoryError(str(error)) from error
        if "No space left" in str(error):
            cure = "free disk space, then run again: what was read so far is kept"
            raise StoreError(
                f"the disk is full: {error}", where=str(store), next_step=cure
            ) from error
        if isinstance(error, _STORE_AT_FAULT) or type(error) is duckdb.Error:
            cure = "remove it and run all deliveries again: everything in it comes from them"
            raise StoreError(
                f"the warehouse or its disk is damaged: {error}", where=str(store), next_step=cure
            ) from error
        raise


@contextmanager
def writing(store: Path) -> Iterator[Connection]:
    """The warehouse open for writing, every stored table present.

    StoreError when another run holds it or its folder refuses.
    """
    with _locked(store), _named(store):
        _found(store)
        con = _connect(store, read_only=False)
        try:
            with transaction(con):
                create_tables(con)
            yield con
        finally:
            con.close()


def _found(store: Path) -> None:
    """Make the file where there is none: whole under another name first, so that a disk that fails
    at that moment leaves no file that is no database.
    """
    if store.exists():
        return
    new = store.with_name(f".{store.name}.new")
    try:
        for left in (new, new.with_name(f"{new.name}.wal")):
            left.unlink(missing_ok=True)
        _connect(new, read_only=False).close()
        new.rename(store)
        sync_folder(store.parent)
    except (OSError, duckdb.Error) as error:
        raise StoreError(
            f"the warehouse could not be made: {error}",
            where=str(store),
            next_step="free disk space, or see that the disk serves, and run again",
        ) from error


@contextmanager
def _locked(store: Path) -> Iterator[None]:
    lock = FileLock(f"{store}.lock", timeout=0)
    try:
        store.parent.mkdir(parents=True, exist_ok=True)
        lock.acquire()
    except Timeout as error:
        raise StoreError(
            HELD,
            where=str(store),
            next_step="wait for it to end, then run again",
        ) from error
    except OSError as error:
        cure = f"let the user who runs this write the folder {store.parent}, or name another"
        raise StoreError(
            f"the warehouse cannot be written: {error.strerror}", where=str(store), next_step=cure
        ) from error
    try:
        yield
    finally:
        lock.release()


@contextmanager
def reading(store: Path) -> Iterator[Connection]:
    """A finished warehouse, read only; StoreError when there is none."""
    if not store.is_file():
        raise StoreError(
            "there is no warehouse here",
            where=str(store),
            next_step="make one with `whichside run`",
        )
    con = _connect(store, read_only=True)
    with _named(store):
        try:
            yield con
        finally:
            con.close()


def bound_memory(con: Connection, engine_bytes: int) -> None:
    """Bound DuckDB's buffers as long as the connection lives; beyond, it writes to disk beside the
    warehouse.
    """
    con.execute(f"SET memory_limit = '{engine_bytes >> 20}MiB'")


@contextmanager
def transaction(con: Connection) -> Iterator[None]:
    """All of the block, or nothing of it."""
    con.begin()
    try:
        yield
    except BaseException:
        con.rollback()
        raise
    con.commit()


ROW_GROUP = 122_880
"""Rows that DuckDB stores together: what comes in fewer at once is copied once more to bring so many together."""


@dataclass(frozen=True)
class RowGroups:
    """Rows that come as the warehouse stores them, ROW_GROUP at a time; no more are copied at once."""

    rows: pa.Table

    def __arrow_c_stream__(self, requested_schema: object = None) -> object:
        """The rows (Arrow's PyCapsule protocol)."""
        begins = range(0, self.rows.num_rows, ROW_GROUP)
        groups = (self.rows.slice(i, ROW_GROUP).combine_chunks() for i in begins)
        batches = (batch for group in groups for batch in group.to_batches())
        reader = pa.RecordBatchReader.from_batches(self.rows.schema, batches)
        return reader.__arrow_c_stream__(requested_schema)


@dataclass
class Passing:
    """Rows that stand behind a name in the warehouse for a while.

    DuckDB holds what is registered until the transaction ends: of a table all its memory, of this
    only the empty shell.
    """

    rows: pa.Table | RowGroups | None = None

    def __arrow_c_stream__(self, requested_schema: object = None) -> object:
        """The rows of the moment (Arrow's PyCapsule protocol)."""
        if self.rows is None:
            raise LookupError("no rows stand behind this name now")
        return self.rows.__arrow_c_stream__(requested_schema)


def append(con: Connection, table: str, frame: pl.DataFrame) -> None:
    """Add a frame's rows to a declared table; raises SchemaError when it does not conform."""
    insert(con, table, conform(frame, table))


def insert(con: Connection, table: str, rows: pl.DataFrame | pa.Table) -> None:
    """Add rows to a table, column by name, as they are."""
    told = rows if isinstance(rows, pa.Table) else rows.to_arrow()
    with seeing(con, _rows=RowGroups(told)):
        con.execute(f'INSERT INTO "{table}" BY NAME SELECT * FROM _rows')


def replace(con: Connection, table: str, frame: pl.DataFrame) -> None:
    """Put a frame in place of all rows of a declared table."""
    con.execute(f'DELETE FROM "{table}"')
    append(con, table, frame)


def query(con: Connection, sql: str, values: Mapping[str, object] | None = None) -> pl.DataFrame:
    """The rows of a query, with its named values bound."""
    return pl.DataFrame(con.sql(sql, params=values or None).to_arrow_table())


def statement(module_file: str, name: str) -> str:
    """The text of a statement that stands in the folder `sql` beside a module (its `__file__`), by file name."""
    return Path(module_file).with_name("sql").joinpath(f"{name}.sql").read_text(encoding="utf-8")


@contextmanager
def seeing(con: Connection, **frames: pl.DataFrame | pa.Table | RowGroups) -> Iterator[None]:
    """The frames as tables of these names while the block runs."""
    passing = {
        name: Passing(rows.to_arrow() if isinstance(rows, pl.DataFrame) else rows)
        for name, rows in frames.items()
    }
    for name, rows in passing.items():
        con.register(name, rows)
    try:
        yield
    finally:
        for name, rows in passing.items():
            con.unregister(name)
            rows.rows = None


def read(con: Connection, table: str, where: str = "true", **values: object) -> pl.DataFrame:
    """The rows of a declared table: all, or those for which a condition with named values holds."""
    return conform(query(con, f'SELECT * FROM "{table}" WHERE {where}', values), table)
