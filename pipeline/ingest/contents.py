"""What the warehouse holds already, by content."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import polars as pl

from pipeline.ingest.opened import Opened
from pipeline.ingest.sink import Account
from pipeline.storage.tables import rebuild_next
from pipeline.storage.warehouse import Connection, append

# The rows of a mapped file, and what tells of the file; in this order a crash on the way is made good by the
# next run.
_OF_A_FILE = (
    "raw_session",
    "raw_frame",
    "raw_sample",
    "raw_event",
    "raw_rejected",
    "raw_file",
    "meta_published_file",
)


@dataclass(frozen=True)
class Known:
    """A content in the warehouse.

    Under which name it came first, as what, its lines, by which mapping entry, and when.
    """

    file_id: str
    file: str
    kind: str
    lines: int
    read_by: str | None
    at: datetime

    def read_otherwise(self, one: Opened) -> bool:
        """Whether a mapping that came after it was read has it read otherwise.

        An earlier one does not come back.
        """
        newer = one.mapped_since is None or one.mapped_since > self.at
        return (
            self.kind in {"sessions", "frames"}
            and one.entry is not None
            and newer
            and one.entry.reading != self.read_by
        )


class Contents:
    """The contents of a warehouse as one run of ingest sees and adds to them."""

    def __init__(self, con: Connection) -> None:
        self._con = con
        self._new: set[str] = set()
        self.tried: set[str] = set()
        """Contents that an earlier run could not use."""

    def known(self, hashes: Iterable[str]) -> dict[str, Known]:
        """Those of some hashes, of files or of what they unpack to, that are here.

        Contents that an earlier run could not use are forgotten, to be tried again.
        """
        asked = list(hashes)
        if not asked:
            return {}
        rows = self._con.execute(
            "SELECT content_sha256, file_id, file, kind, lines, read_by, ingested_at_utc FROM raw_file"
            " WHERE file_id IN (SELECT unnest($1)) OR content_sha256 IN (SELECT unnest($1))",
            [asked],
        ).fetchall()
        found = {key: Known(*row) for content, *row in rows for key in (content, row[0])}
        again = {k.file_id for k in found.values() if k.kind == "unrecognised"} - self._new
        self._forget(again, ("raw_rejected", "raw_file"))
        self.tried |= again
        return {h: found[h] for h in asked if h in found and found[h].file_id not in again}

    def of_this_run(self, known: Known) -> bool:
        """Whether this run read it."""
        return known.file_id in self._new

    def to_read_again(self, known: Known, one: Opened) -> bool:
        """Whether to read an export again; of two names of one content in a delivery the first
        counts.
        """
        return not self.of_this_run(known) and known.read_otherwise(one)

    def take_back(self, known: Sequence[Known]) -> None:
        """Forget exports read by a mapping since corrected; what was made of them is made again."""
        if known:
            self._forget({k.file_id for k in known}, _OF_A_FILE)
            rebuild_next(self._con)

    def _forget(self, file_ids: set[str], tables: Sequence[str]) -> None:
        if file_ids:
            for table in tables:
                self._con.execute(
                    f"DELETE FROM {table} WHERE file_id IN (SELECT unnest($1))", [list(file_ids)]
                )

    def add(self, read: Sequence[tuple[Opened, Account]]) -> None:
        """Note files that were read, in their order; in the transaction that puts their rows."""
        if not read:
            return
        now = datetime.now(UTC)
        rows = [
            {
                "file_id": one.source.sha256, "file": one.file, "kind": one.what.kind, "file_bytes": one.source.file_bytes,
                "content_sha256": one.source.content_sha256, "lines": account.lines, "used": account.used,
                "rejected": account.rejected, "duplicates": account.duplicates,
                "unknown_columns": list(account.unknown_columns), "ingested_at_utc": now + timedelta(microseconds=i),
                "read_by": one.entry and one.entry.reading,
            }
            for i, (one, account) in enumerate(read) if one.source
        ]  # fmt: skip
        types: dict[str, pl.DataType] = {
            "unknown_columns": pl.List(pl.String),
            "read_by": pl.String(),
        }
        append(
            self._con,
            "raw_file",
            pl.DataFrame(rows, schema_overrides=types, infer_schema_length=None),
        )

    def committed(self, read: Sequence[Opened]) -> None:
        """What was added stands."""
        self._new.update(one.source.sha256 for one in read if one.source)
