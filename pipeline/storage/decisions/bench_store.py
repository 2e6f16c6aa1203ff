"""The bench's side of the store, as the pages and the commands use it: entries, and files kept beside it."""

from __future__ import annotations

import gzip
import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from pipeline.core.errors import DecisionError, StoreError
from pipeline.storage.decisions import entries as kept
from pipeline.storage.decisions.connection import file_of
from pipeline.storage.decisions.entries import Entry
from pipeline.storage.decisions.store import Decisions
from pipeline.storage.files import put_private, sync_folder

MOST_FILES = 60
"""Photos and traces of one vehicle; more is no bench session."""
MOST_BYTES = 8 << 20
"""One file, as kept (decided)."""
_ENDINGS = {"image/jpeg": ".jpg", "text/csv": ".csv.gz"}


@dataclass(frozen=True)
class BenchStore:
    """Entries of a decisions store, and the folder of its photos and traces."""

    store: Decisions
    folder: Path

    def entries(self, table: str, vehicle_id: str) -> tuple[Entry, ...]:
        """See `entries.entries`."""
        return kept.entries(self.store, table, vehicle_id)

    def vehicles(self) -> tuple[tuple[str, datetime], ...]:
        """See `entries.vehicles_at_the_bench`."""
        return kept.vehicles_at_the_bench(self.store)

    def keep_reading(self, row: Mapping[str, Any], decided_by: str) -> int:
        """See `entries.keep_reading`."""
        return kept.keep_reading(self.store, row, decided_by)

    def withdraw(self, table: str, number: int, decided_by: str, reason: str) -> None:
        """See `entries.withdraw`."""
        kept.withdraw(self.store, table, number, decided_by, reason)

    def correct_finding(
        self, number: int, row: Mapping[str, Any], decided_by: str, reason: str
    ) -> int:
        """See `entries.correct_finding`."""
        return kept.correct_finding(self.store, number, row, decided_by, reason)

    def finding(self, row: Mapping[str, Any], decided_by: str) -> int:
        """Keep a finding."""
        return self.store.finding(row, decided_by)

    def keep_file(self, row: Mapping[str, Any], body: bytes, decided_by: str) -> str:
        """Keep a photo or trace (columns of decision_attachment but hash and size); returns its hash.

        Raises DecisionError where it is too large or there are too many.
        """
        vehicle, media = str(row["vehicle_id"]), str(row["media_type"])
        held = gzip.compress(body, mtime=0) if media == "text/csv" else body
        if len(held) > MOST_BYTES:
            raise DecisionError(
                "the file is too large", next_step=f"keep it under {MOST_BYTES >> 20} MB"
            )
        if len(self.entries("decision_attachment", vehicle)) >= MOST_FILES:
            raise DecisionError(
                f"{vehicle} has {MOST_FILES} files already", next_step="keep others elsewhere"
            )
        sha = hashlib.sha256(held).hexdigest()
        self._write(sha, media, held)
        size = {"content_sha256": sha, "file_bytes": len(held)}
        kept.keep_attachment(self.store, {**row, **size}, decided_by)
        return sha

    def file(self, sha: str, media_type: str) -> bytes | None:
        """A kept file, unpacked; None where there is none."""
        path = self._path(sha, media_type)
        if not path.is_file():
            return None
        body = path.read_bytes()
        return gzip.decompress(body) if media_type == "text/csv" else body

    def _path(self, sha: str, media_type: str) -> Path:
        return self.folder / kept_name(sha, media_type)

    def _write(self, sha: str, media_type: str, body: bytes) -> None:
        path = self._path(sha, media_type)
        if path.is_file():
            return
        try:
            put_private(path, body)
            sync_folder(self.folder)
        except OSError as error:
            raise StoreError(
                f"the file was not kept: {error}",
                where=str(self.folder),
                next_step="free some space",
            ) from error


def kept_name(sha: str, media_type: str) -> str:
    """The name a file is kept under; DecisionError where the hash is none."""
    if len(sha) != 64 or not set(sha) <= set("0123456789abcdef"):
        raise DecisionError("no such file", next_step="choose one of the list")
    return f"{sha}{_ENDINGS[media_type]}"


def files_beside(store: Path) -> Path:
    """The folder of the files of a store, or of a copy of one."""
    return store.with_name(f"{store.name}.files")


def bench_store(store: Decisions, where: str, warehouse: Path) -> BenchStore:
    """The bench's side of an open store: files lie beside a SQLite store, else beside the warehouse."""
    return BenchStore(store, files_beside(file_of(where) or warehouse))
