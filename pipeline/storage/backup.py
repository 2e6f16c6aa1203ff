"""Copies of the decisions store, taken while it is in use, and put back without losing what is
there.

SQLite only. A store on PostgreSQL is backed up with that database's own tools.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from pipeline.core.errors import StoreError


def _check(path: Path) -> None:
    """Raise StoreError when a file is not a sound SQLite database with at least one table."""
    cure = "name another copy"
    if not path.is_file():
        raise StoreError("there is no decisions store here", where=str(path), next_step=cure)
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as con:
            verdict = con.execute("PRAGMA integrity_check").fetchone()[0]
            tables = con.execute(
                "SELECT count(*) FROM sqlite_master WHERE type = 'table'"
            ).fetchone()[0]
    except sqlite3.DatabaseError as error:
        raise StoreError(
            f"the decisions store is damaged: {error}", where=str(path), next_step=cure
        ) from error
    if verdict != "ok" or not tables:
        raise StoreError(
            f"the decisions store is damaged: {verdict}, {tables} tables",
            where=str(path),
            next_step=cure,
        )


def _copy(source: Path, target: Path) -> None:
    """Copy a database through SQLite's online backup to a file beside the target, check it, force
    it to disk, then name it.
    """
    partial = target.with_name(f".{target.name}.partial")
    target.parent.mkdir(parents=True, exist_ok=True)
    partial.unlink(missing_ok=True)
    try:
        with closing(sqlite3.connect(source)) as here, closing(sqlite3.connect(partial)) as there:
            here.backup(there)
        _check(partial)
        handle = os.open(partial, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
        partial.replace(target)
    except (sqlite3.Error, OSError) as error:
        raise StoreError(
            f"the copy failed: {error}", where=str(target), next_step="free disk space, then again"
        ) from error
    finally:
        partial.unlink(missing_ok=True)


def backup_decisions(decisions: Path, target: Path) -> Path:
    """Copy the decisions store as it stands at one moment, writers going on meanwhile. A target
    that exists is replaced whole.

    Raises StoreError when the store is not there, the store or the copy is damaged, or the disk is
    full.
    """
    _check(decisions)
    _copy(decisions, target)
    return target


def restore_decisions(copy: Path, decisions: Path) -> Path | None:
    """Put a copy in the place of the decisions store; give where the former store was kept, None
    when there was none.

    Stop the pages and runs first. Raises StoreError when the copy is damaged; the store is then as
    it was.
    """
    _check(copy)
    kept = None
    if decisions.exists():
        stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%fZ")
        kept = decisions.with_name(f"{decisions.name}.before-{stamp}")
        _keep(decisions, kept)
    for left in ("-wal", "-shm"):
        decisions.with_name(decisions.name + left).unlink(missing_ok=True)
    _copy(copy, decisions)
    return kept


def _keep(decisions: Path, kept: Path) -> None:
    """Keep the present store: as a sound copy where it can be read, else its files as they are."""
    try:
        backup_decisions(decisions, kept)
    except StoreError:
        for tail in ("-wal", "-shm", ""):
            part = decisions.with_name(decisions.name + tail)
            if part.exists():
                part.replace(kept.with_name(kept.name + tail))
