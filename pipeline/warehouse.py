"""The warehouse: one DuckDB file, written by one run at a time, read by many."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import duckdb
import polars as pl
from filelock import FileLock, Timeout

from pipeline.errors import StoreError
from pipeline.registry import conform, ddl, registry

Connection = duckdb.DuckDBPyConnection


def _connect(store: Path, *, read_only: bool) -> Connection:
    try:
        con = duckdb.connect(str(store), read_only=read_only)
    except duckdb.IOException as error:
        cure = "wait for the run to end" if "lock" in str(error) else "restore a copy, or remove it and run again"
        raise StoreError(f"the warehouse cannot be opened: {error}", where=str(store), next_step=cure) from error
    except duckdb.Error as error:
        raise StoreError(
            f"not a warehouse of ours: {error}", where=str(store), next_step="name another file, or remove it and run again"
        ) from error
    con.execute("SET TimeZone = 'UTC'")
    return con


@contextmanager
def writing(store: Path) -> Iterator[Connection]:
    """The warehouse open for writing, every stored table present; StoreError when another run holds it."""
    store.parent.mkdir(parents=True, exist_ok=True)
    try:
        with FileLock(f"{store}.lock", timeout=0):
            con = _connect(store, read_only=False)
            try:
                create_tables(con)
                yield con
            finally:
                con.close()
    except Timeout as error:
        raise StoreError(
            "another run is writing this warehouse", where=str(store), next_step="wait for it to end, then run again"
        ) from error


@contextmanager
def reading(store: Path) -> Iterator[Connection]:
    """A finished warehouse, read only; StoreError when there is none."""
    if not store.is_file():
        raise StoreError("there is no warehouse here", where=str(store), next_step="make one with `whichside run`")
    con = _connect(store, read_only=True)
    try:
        yield con
    finally:
        con.close()


def create_tables(con: Connection) -> None:
    """Every raw_, core_ and out_ table, as declared."""
    for name in registry().tables:
        if not name.startswith("input_"):
            con.execute(ddl(name))


def append(con: Connection, table: str, frame: pl.DataFrame) -> None:
    """Add a frame's rows to a declared table; raises SchemaError when it does not conform."""
    rows = conform(frame, table).to_arrow()
    con.register("_rows", rows)
    con.execute(f'INSERT INTO "{table}" SELECT * FROM _rows')
    con.unregister("_rows")


def replace(con: Connection, table: str, frame: pl.DataFrame) -> None:
    """Put a frame in place of all rows of a declared table."""
    con.execute(f'DELETE FROM "{table}"')
    append(con, table, frame)


def read(con: Connection, table: str) -> pl.DataFrame:
    """All rows of a declared table."""
    return conform(pl.DataFrame(con.sql(f'SELECT * FROM "{table}"').to_arrow_table()), table)
