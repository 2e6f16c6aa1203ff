"""What a file system must be asked for: that a name outlives a power cut, and who may read."""

from __future__ import annotations

import os
from pathlib import Path

OWNER_ONLY = 0o600
"""Decisions, people and copies of them are read by their owner alone."""


def sync_folder(folder: Path) -> None:
    """Force a folder's names to disk: a rename is kept only once its folder is (fsync(2))."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def put_private(path: Path, body: bytes) -> None:
    """Write a file its owner alone can read, whole or not at all; its folder is made, and is the caller's to sync."""
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    draft = path.with_name(f".{path.name}.new")
    handle = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, OWNER_ONLY)
    with os.fdopen(handle, "wb") as out:
        out.write(body)
        out.flush()
        os.fsync(out.fileno())
    draft.replace(path)


def make_private(path: Path) -> None:
    """Make an empty file only its owner can read; one that is there is narrowed to that."""
    os.close(os.open(path, os.O_CREAT | os.O_WRONLY, OWNER_ONLY))
    if path.stat().st_mode & 0o077:
        path.chmod(OWNER_ONLY)
