"""The warehouse's tables as declared; a warehouse of an earlier version is brought up to date."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from duckdb import DuckDBPyConnection as Connection

from pipeline.core.errors import StoreError
from pipeline.registry import Table, ddl, registry

# Raised when a table's meaning changes in a way the comparison of columns below cannot see.
SCHEMA_VERSION = 2


def create_tables(con: Connection) -> None:
    """Every raw_, core_ and out_ table as declared; a warehouse of an earlier version is brought up
    to date. The caller's transaction makes it all or nothing.

    Raises StoreError when the warehouse was written by a later version.
    """
    con.execute(
        "CREATE TABLE IF NOT EXISTS store_meta (name VARCHAR PRIMARY KEY, value VARCHAR NOT NULL)"
    )
    found = con.execute("SELECT value FROM store_meta WHERE name = 'schema_version'").fetchall()
    if found and int(found[0][0]) > SCHEMA_VERSION:
        raise StoreError(
            f"a later version wrote this warehouse (schema {found[0][0]})",
            next_step="update whichside",
        )
    present = _present_columns(con)
    for name in sorted(present.keys() - registry().tables.keys()):
        if name.startswith(("core_", "out_", "meta_")):  # derived, of an earlier version
            con.execute(f'DROP TABLE "{name}"')
    for table in registry().tables.values():
        if not table.name.startswith(("input_", "decision_")):
            _bring_up_to_date(con, table, present.get(table.name))
    con.execute(
        "INSERT OR REPLACE INTO store_meta VALUES ('schema_version', ?)", [str(SCHEMA_VERSION)]
    )


def rebuild_next(con: Connection) -> None:
    """Have the derived tables made whole by the next run.

    Rows they were made from were taken back.
    """
    con.execute("INSERT OR REPLACE INTO store_meta VALUES ('rebuild', 'yes')")


@contextmanager
def rebuilding(con: Connection) -> Iterator[bool]:
    """Whether derived tables must be made whole, as after an update of the warehouse.

    Noted as done when the block ends well.
    """
    yield bool(con.execute("SELECT 1 FROM store_meta WHERE name = 'rebuild'").fetchall())
    con.execute("DELETE FROM store_meta WHERE name = 'rebuild'")


def _present_columns(con: Connection) -> dict[str, list[str]]:
    rows = con.execute(
        "SELECT table_name, list(column_name ORDER BY column_index) FROM duckdb_columns() WHERE NOT internal GROUP BY 1"
    ).fetchall()
    return dict(rows)


def _bring_up_to_date(con: Connection, table: Table, present: list[str] | None) -> None:
    """Make a table as declared: raw rows are kept and gain empty columns.

    What is derived is dropped to be made again.
    """
    if present == table.column_names:
        return
    if present is not None and not table.name.startswith("raw_"):
        con.execute(f'DROP TABLE "{table.name}"')
        rebuild_next(con)
        present = None
    if present is None:
        con.execute(ddl(table.name))
        return
    kept = [c for c in table.columns if c.name in present]
    lost = [c.name for c in table.columns if c.name not in present and not c.nullable]
    if lost:
        cure = "remove it and run all deliveries again"
        raise StoreError(
            f"rows of {table.name} lack {', '.join(lost)}, which cannot be empty", next_step=cure
        )
    con.execute(f'ALTER TABLE "{table.name}" RENAME TO _earlier')
    con.execute(ddl(table.name))
    names = ", ".join(f'"{c.name}"' for c in kept)
    con.execute(f'INSERT INTO "{table.name}" ({names}) SELECT {names} FROM _earlier')
    con.execute("DROP TABLE _earlier")
