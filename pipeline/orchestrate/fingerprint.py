"""What a result was made from, as one hash: code, declarations, and the rows a step reads."""

from __future__ import annotations

import hashlib
import pickle
from collections.abc import Iterable
from functools import cache
from pathlib import Path

import duckdb

from pipeline.registry import SCHEMAS, registry
from pipeline.storage.warehouse import Connection

# What differs between two warehouses of the same deliveries: when a file was read, and what runs
# that published left.
_WHEN_READ = {"ingested_at_utc"}
_LEFT_BY_RUNS = ("meta_published_file",)


@cache
def of_code() -> str:
    """SHA-256 over every module and declaration of this installation, so that a changed rule never
    meets an old result.
    """
    digest = hashlib.sha256(duckdb.__version__.encode())
    for root in (Path(__file__).resolve().parents[1], SCHEMAS):
        for path in sorted(
            p for p in root.rglob("*") if p.suffix in {".py", ".sql", ".yaml", ".j2", ".typ"}
        ):
            digest.update(path.relative_to(root.parent).as_posix().encode() + path.read_bytes())
    return digest.hexdigest()


def of_warehouse(con: Connection) -> str:
    """SHA-256 over counts and summed row hashes of what deliveries fill (raw_, core_), whatever the
    order of rows.

    Two warehouses with the same rows agree; DuckDB's 64-bit row hash is summed, so equal rows do
    not cancel.
    """
    tables = sorted(name for name in registry().tables if name.startswith(("raw_", "core_")))
    return of_tables(con, [name for name in tables if not name.startswith(_LEFT_BY_RUNS)])


def of_tables(con: Connection, tables: Iterable[str]) -> str:
    """SHA-256 over counts and summed row hashes of some tables."""
    digest = hashlib.sha256()
    for table in tables:
        columns = ", ".join(
            f'"{c}"' for c in registry().table(table).column_names if c not in _WHEN_READ
        )
        found = con.execute(
            f'SELECT count(*), sum(CAST(hash({columns}) AS HUGEINT)) FROM "{table}"'
        ).fetchall()
        digest.update(f"{table} {found}\n".encode())
    return digest.hexdigest()


def of_objects(*parts: object) -> str:
    """SHA-256 over the pickled parts (settings, decisions).

    A difference only costs a recalculation.
    """
    return hashlib.sha256(pickle.dumps(parts, protocol=5)).hexdigest()
