"""Copies of the decisions store, taken while it is in use, and put back without losing what is
there.

A copy carries a seal: SHA-256 over every row it holds. A copy that was changed, or is no copy of
ours, is refused. The photos and traces of the bench go with it, in a folder beside it, each checked
against its SHA-256. SQLite only; a store on PostgreSQL is backed up with that database's own tools.
"""

from __future__ import annotations

import hashlib
import os
import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from pipeline.core.errors import StoreError
from pipeline.storage.backup_files import copy_files, in_words, lacking
from pipeline.storage.decisions.bench_store import files_beside
from pipeline.storage.decisions.tables import FIRST_TABLES, TABLES
from pipeline.storage.files import make_private, sync_folder

_SEAL = "copy_seal"
_ANOTHER = "name another copy"


def backup_decisions(decisions: Path, target: Path) -> Path:
    """Copy the decisions store as it stands at one moment, writers going on meanwhile. A target
    that exists is replaced whole.

    Raises StoreError when the store is not there or not ours, the store or the copy is damaged, the
    disk is full, or (all else being copied) files of the bench are missing or damaged.
    """
    _check(decisions)
    _copy(decisions, target, sealed=True)
    lost = copy_files(decisions, target)  # after the rows: a file is kept before its row is
    if lost:
        raise StoreError(
            f"all is copied but {len(lost)} files of the bench that are missing or damaged: {in_words(lost)}",
            where=str(files_beside(decisions)),
            next_step="put them back from an earlier copy's folder, then back up again",
        )
    return target


def check_copy(copy: Path, *, unsealed: bool = False) -> None:
    """Raise StoreError when a copy is damaged, changed or no copy of ours."""
    _check(copy)
    _check_seal(copy, unsealed=unsealed)


def restore_decisions(copy: Path, decisions: Path, *, unsealed: bool = False) -> Path | None:
    """Put a copy in the place of the decisions store; give where the former store was kept, None
    when there was none.

    `unsealed` takes a copy without a seal, as versions before 0.2 made them, and one whose files of
    the bench are not all there. Raises StoreError when the copy is damaged, changed or not of a
    decisions store, or when pages or a run hold the store; the store is then as it was.
    """
    check_copy(copy, unsealed=unsealed)
    lost = [] if unsealed else lacking(copy, decisions)
    if lost:
        raise StoreError(
            f"the copy tells of {len(lost)} files of the bench that are missing or damaged: {in_words(lost)}",
            where=str(files_beside(copy)),
            next_step=f"{_ANOTHER}; `--unsealed` takes it without them",
        )
    kept = None
    if decisions.exists():
        stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%fZ")
        kept = decisions.with_name(f"{decisions.name}.before-{stamp}")
        _take_out_of_use(decisions)
        _keep(decisions, kept)
    for left in ("-wal", "-shm"):
        decisions.with_name(decisions.name + left).unlink(missing_ok=True)
    copy_files(copy, decisions)  # before the rows that tell of them
    _copy(copy, decisions, sealed=False)
    return kept


def _check(path: Path) -> None:
    """Raise StoreError when a file is not a sound decisions store."""
    if not path.is_file():
        raise StoreError("there is no decisions store here", where=str(path), next_step=_ANOTHER)
    try:
        with closing(_reading(path)) as con:
            verdict = con.execute("PRAGMA integrity_check").fetchone()[0]
            tables = {
                name
                for (name,) in con.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
            }
    except sqlite3.DatabaseError as error:
        raise StoreError(
            f"the decisions store is damaged: {error}", where=str(path), next_step=_ANOTHER
        ) from error
    if verdict != "ok":
        raise StoreError(
            f"the decisions store is damaged: {verdict}", where=str(path), next_step=_ANOTHER
        )
    missing = [name for name in FIRST_TABLES if name not in tables]
    if missing:
        raise StoreError(
            f"a database, but no decisions store: it has no table {', '.join(missing)}",
            where=str(path),
            next_step=_ANOTHER,
        )


def _reading(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)


def seal_of(con: sqlite3.Connection) -> str:
    """SHA-256 over every row of every table of decisions, in the order they were written."""
    digest = hashlib.sha256()
    made = {name for (name,) in con.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    # tables added since a copy was made are not in its seal
    for name in (name for name in TABLES if name in made):
        digest.update(name.encode())
        for row in con.execute(f"SELECT * FROM {name} ORDER BY number"):
            digest.update(repr(row).encode())
    return digest.hexdigest()


def _check_seal(copy: Path, *, unsealed: bool) -> None:
    with closing(_reading(copy)) as con:
        if not con.execute("SELECT 1 FROM sqlite_master WHERE name = ?", [_SEAL]).fetchone():
            if unsealed:
                return
            raise StoreError(
                "the copy has no seal that says it is unchanged",
                where=str(copy),
                next_step="name a copy made by `whichside backup`; `--unsealed` takes it unchecked",
            )
        said = con.execute(f"SELECT sha256 FROM {_SEAL}").fetchone()
        if said is None or said[0] != seal_of(con):
            raise StoreError(
                "the copy is not as it was written: its seal does not fit its rows",
                where=str(copy),
                next_step=_ANOTHER,
            )


def _copy(source: Path, target: Path, *, sealed: bool) -> None:
    """Copy a database through SQLite's online backup to a file beside the target, check it, force
    it to disk, then name it. Nothing is left beside it.
    """
    partial = target.with_name(f".{target.name}.partial")
    target.parent.mkdir(parents=True, exist_ok=True)
    partial.unlink(missing_ok=True)
    try:
        make_private(partial)
        with closing(sqlite3.connect(source)) as here, closing(sqlite3.connect(partial)) as there:
            here.backup(there)
            there.execute("PRAGMA journal_mode = DELETE")  # no -wal beside a copy
            there.execute(f"DROP TABLE IF EXISTS {_SEAL}")
            if sealed:
                there.execute(f"CREATE TABLE {_SEAL} (sha256 TEXT NOT NULL)")
                there.execute(f"INSERT INTO {_SEAL} VALUES (?)", [seal_of(there)])
            there.commit()
        _check(partial)
        handle = os.open(partial, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
        partial.replace(target)
        sync_folder(target.parent)
    except (sqlite3.Error, OSError) as error:
        raise StoreError(
            f"the copy failed: {error}", where=str(target), next_step="free disk space, then again"
        ) from error
    finally:
        for left in ("", "-journal", "-wal", "-shm"):
            partial.with_name(partial.name + left).unlink(missing_ok=True)


def _take_out_of_use(decisions: Path) -> None:
    """Refuse while anybody has the store open: what they keep from now on would be lost.

    SQLite leaves the write-ahead log only for one who has the database alone. A store too damaged
    to answer is held by nobody who could still write.
    """
    try:
        with closing(sqlite3.connect(decisions, timeout=0.5)) as con:
            con.execute("PRAGMA journal_mode = DELETE")
    except sqlite3.OperationalError as error:
        if "locked" in str(error) or "busy" in str(error):
            raise StoreError(
                "pages or a run have this store open",
                where=str(decisions),
                next_step="stop `whichside serve` and runs, then restore",
            ) from error
    except sqlite3.DatabaseError:
        return


def _keep(decisions: Path, kept: Path) -> None:
    """Keep the present store: as a sound copy where it can be read, else its files as they are.

    Files of the bench stay where they are: nothing takes them away.
    """
    try:
        _check(decisions)
        _copy(decisions, kept, sealed=True)
    except StoreError:
        for tail in ("-wal", "-shm", ""):
            part = decisions.with_name(decisions.name + tail)
            if part.exists():
                part.replace(kept.with_name(kept.name + tail))
