"""The photos and traces of the bench that lie beside a decisions store, for its copies.

Each file has the SHA-256 of its content for a name and never changes: a copy takes what it lacks, and
every file is read and checked against its name before it counts.
"""

from __future__ import annotations

import hashlib
import sqlite3
from contextlib import closing
from pathlib import Path

from pipeline.core.errors import StoreError
from pipeline.storage.decisions.bench_store import files_beside, kept_name
from pipeline.storage.files import put_private, sync_folder

_NAMED = 5


def copy_files(source: Path, target: Path) -> list[str]:
    """Bring every file that the store `source` tells of beside the store `target`.

    Those that are there and sound stay. Gives the names of those that are missing or not as they
    were kept. Raises StoreError where the disk refuses.
    """
    folder, lost = files_beside(target), []
    names = _told_of(source)
    try:
        for name in names:
            body = _sound(folder, name)
            if body is not None:
                continue
            body = _sound(files_beside(source), name)
            if body is None:
                lost.append(name)
            else:
                put_private(folder / name, body)
        if folder.is_dir():
            sync_folder(folder)
            sync_folder(folder.parent)
    except OSError as error:
        raise StoreError(
            f"the files of the bench could not be copied: {error}",
            where=str(folder),
            next_step="free disk space, then again",
        ) from error
    return lost


def lacking(copy: Path, store: Path) -> list[str]:
    """Files that a copy tells of and that are sound neither beside it nor beside the store it is for."""
    places = (files_beside(copy), files_beside(store))
    return [name for name in _told_of(copy) if all(_sound(place, name) is None for place in places)]


def in_words(names: list[str]) -> str:
    """Names of files, the first few."""
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    return ", ".join(names[:_NAMED]) + more


def _told_of(store: Path) -> list[str]:
    with closing(sqlite3.connect(f"{store.resolve().as_uri()}?mode=ro", uri=True)) as con:
        made = con.execute("SELECT 1 FROM sqlite_master WHERE name = 'decision_attachment'")
        if made.fetchone() is None:  # of a version before there were photos
            return []
        rows = con.execute("SELECT DISTINCT content_sha256, media_type FROM decision_attachment")
        return sorted(kept_name(sha, media) for sha, media in rows)


def _sound(folder: Path, name: str) -> bytes | None:
    """A file's bytes, None where it is missing or its content is not what its name says."""
    try:
        body = (folder / name).read_bytes()
    except FileNotFoundError:
        return None
    return body if hashlib.sha256(body).hexdigest() == name.split(".", maxsplit=1)[0] else None
