"""The warehouse and the decisions: whether they open, what is in them, what a stopped run left."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import fields
from pathlib import Path

from filelock import FileLock, Timeout

from pipeline.core.errors import WhichsideError
from pipeline.orchestrate import fingerprint
from pipeline.orchestrate.doctor.checks import Check
from pipeline.registry import registry
from pipeline.storage.decisions import file_of, open_decisions
from pipeline.storage.tables import SCHEMA_VERSION
from pipeline.storage.warehouse import Connection, reading


def _being_written(store: Path) -> bool:
    lock = Path(f"{store}.lock")
    if not lock.exists():
        return False
    try:
        with FileLock(lock, timeout=0):
            return False
    except Timeout:
        return True


def warehouse(store: Path, *, deep: bool) -> Iterator[Check]:
    """Schema, rows, what is pending; `deep` reads every row. Raises StoreError where it does not open."""
    if _being_written(store):
        yield Check(
            "warehouse", "note", f"{store}: a run is writing it", "look again when it has ended"
        )
        return
    with reading(store) as con:
        yield _schema(con, store)
        present = {
            name for (name,) in con.execute("SELECT table_name FROM duckdb_tables()").fetchall()
        }
        counts = {t: _count(con, t) for t in registry().tables if t in present}
        yield Check(
            "warehouse: rows",
            "good",
            ", ".join(f"{t} {n:,}" for t, n in counts.items() if n) or "none",
        )
        yield _pending(con, present)
        if deep:
            yield _every_row(con, store)


def _count(con: Connection, table: str) -> int:
    [(rows,)] = con.execute(f'SELECT count(*) FROM "{table}"').fetchall()
    return int(rows)


def _schema(con: Connection, store: Path) -> Check:
    rows = con.execute("SELECT value FROM store_meta WHERE name = 'schema_version'").fetchall()
    found = int(rows[0][0]) if rows else 0
    size = f"{store}: {store.stat().st_size / 1e6:,.1f} MB, schema {found}"
    if found > SCHEMA_VERSION:
        return Check(
            "warehouse",
            "trouble",
            f"{size}, later than this version's {SCHEMA_VERSION}",
            "update whichside",
        )
    later = "" if found == SCHEMA_VERSION else f"; the next run brings it to {SCHEMA_VERSION}"
    return Check("warehouse", "good", size + later)


def _pending(con: Connection, present: set[str]) -> Check:
    """What a stopped run left for the next.

    Files read and not built from, derived tables to be made again.
    """
    words = (
        ["derived tables"]
        if con.execute("SELECT 1 FROM store_meta WHERE name = 'rebuild'").fetchall()
        else []
    )
    if {"raw_file", "meta_normalised_file"} <= present:
        [(unseen,)] = con.execute(
            "SELECT count(*) FROM raw_file ANTI JOIN meta_normalised_file USING (file_id)"
        ).fetchall()
        words += [f"{unseen:,} files"] * bool(unseen)
    if not words:
        return Check("warehouse: pending", "good", "none")
    return Check(
        "warehouse: pending",
        "note",
        f"not built from yet: {', '.join(words)}",
        "the next run finishes it",
    )


def _every_row(con: Connection, store: Path) -> Check:
    try:
        mark = fingerprint.of_warehouse(con)
    except Exception as error:  # noqa: BLE001  # DuckDB raises several kinds for a damaged block; each is the finding
        return Check(
            "warehouse: blocks",
            "trouble",
            f"{store}: {error}",
            "remove it and run all deliveries again",
        )
    return Check("warehouse: blocks", "good", f"every row read; contents {mark[:16]}")


def decisions(where: str | Path) -> Iterator[Check]:
    """The store's file, its rows and who may read it. Raises StoreError where a server does not answer."""
    path = file_of(where)
    if path is None:
        yield from _decision_rows(where)
        return
    if not path.is_file():
        yield Check("decisions", "note", f"{path}: none yet")
        return
    cure = "put back a copy with `whichside backup --restore`"
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as con:
            verdict = con.execute("PRAGMA quick_check").fetchone()[0]
    except sqlite3.DatabaseError as error:
        verdict = str(error)
    if verdict != "ok":
        yield Check("decisions", "trouble", f"{path}: {verdict}", cure)
        return
    try:
        yield from _decision_rows(where)
    except WhichsideError as error:
        yield Check("decisions", "trouble", error.what, error.next_step or cure)
    if path.stat().st_mode & 0o077:
        yield Check("decisions", "note", f"{path}: others may read it", f"chmod 600 {path}")


def _decision_rows(where: str | Path) -> Iterator[Check]:
    """Every row read as a run would read it."""
    with closing(open_decisions(where)) as store:
        kept = store.frames()
    frames = {f.name: getattr(kept, f.name) for f in fields(kept) if f.name != "unreadable"}
    counts = ", ".join(f"{name} {frame.height:,}" for name, frame in frames.items())
    yield Check("decisions", "good", f"{store.where}: {counts}")
    for fault in kept.unreadable:
        yield Check(
            "decisions",
            "trouble",
            f"{store.where}: {fault}",
            "runs leave that row out; enter the decision again",
        )
