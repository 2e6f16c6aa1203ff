"""A delivery, file by file: each is recognised, read in one transaction, and accounted for to the last line."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import polars as pl

from pipeline.errors import DeliveryError
from pipeline.ingest.ahead import ahead
from pipeline.ingest.frames import pair_across, read_frames
from pipeline.ingest.kinds import READ_ORDER, TABLES
from pipeline.ingest.lines import REJECT_SCHEMA, Block, blocks, good_and_bad
from pipeline.ingest.recognise import HEAD_BYTES, Recognised, recognise
from pipeline.ingest.rejects import reject
from pipeline.ingest.report import FILES_SCHEMA, TOUCHED_SCHEMA, Account, IngestReport
from pipeline.ingest.source import Source
from pipeline.ingest.tables import read_table
from pipeline.ingest.zones import place_local_times
from pipeline.progress import Progress, silent
from pipeline.settings.ingest import IngestSettings
from pipeline.warehouse import Connection, append, transaction


@dataclass(frozen=True)
class _Delivered:
    """A file of the delivery: its name, and its content or why there is none."""

    file: str
    source: Source | None
    what: Recognised


@dataclass(frozen=True)
class _Known:
    """A content in the warehouse: under which name it came first, as what, and its lines."""

    file_id: str
    file: str
    kind: str
    lines: int


class _KnownError(Exception):
    """The unpacked content was delivered before; the transaction is given up."""

    def __init__(self, known: _Known) -> None:
        super().__init__(known)
        self.known = known


class _ChangedError(Exception):
    """The file was rewritten while it was read; the transaction is given up."""


def ingest_delivery(
    con: Connection, delivery: Path, settings: IngestSettings, progress: Progress | None = None
) -> IngestReport:  # fmt: skip
    """Read all files of a delivery folder into the raw tables; each file wholly or not at all, a known content not again.

    Raises DeliveryError when the folder itself cannot be read. A bad file or line is no error: it is in the report and in
    raw_rejected, with its reason.
    """
    tell = progress or silent
    found = [_open(delivery, path, settings) for path in _paths(delivery)]
    found.sort(key=lambda d: (READ_ORDER.index(d.what.kind), d.file))
    run = _Run(con, settings, tell, sum(d.source.file_bytes for d in found if d.source))
    accounts = [run.read(one) for one in found]
    with transaction(con):
        placed = place_local_times(con)
    touched = [t for _, account in accounts for t in account.touched]
    return IngestReport(
        pl.DataFrame([row for row, _ in accounts], schema=FILES_SCHEMA, orient="row").sort("file"),
        _spans([*touched, placed]),
    )


def _paths(delivery: Path) -> list[Path]:
    if not delivery.is_dir():
        what = "the delivery is not a folder" if delivery.exists() else "there is no such delivery"
        raise DeliveryError(what, where=str(delivery), next_step="give the folder that holds the files")
    try:
        return sorted(path for path in _walk(delivery))
    except OSError as error:
        raise DeliveryError(
            f"the delivery cannot be listed: {error}", where=str(delivery), next_step="give read permission on the folder"
        ) from error


def _walk(folder: Path) -> Iterator[Path]:
    """All files; a linked folder counts as one file, and is not followed."""
    for entry in os.scandir(folder):
        if entry.is_dir(follow_symlinks=False):
            yield from _walk(Path(entry.path))
        else:
            yield Path(entry.path)


def _name(delivery: Path, path: Path) -> str:
    return os.fsencode(path.relative_to(delivery).as_posix()).decode("utf-8", "backslashreplace")


def _open(delivery: Path, path: Path, settings: IngestSettings) -> _Delivered:
    """Look at a file's kind; one that cannot be opened has no source."""
    name = _name(delivery, path)
    try:
        if path.is_symlink() and not path.resolve().is_relative_to(delivery.resolve()):
            return _Delivered(
                name, None, Recognised("unrecognised", message=f"{name}: a link that leaves the delivery is not followed")
            )
        if not stat.S_ISREG(path.stat().st_mode):
            return _Delivered(name, None, Recognised("unrecognised", message=f"{name}: not a regular file"))
        source = Source(path, settings)
    except (OSError, RuntimeError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        return _Delivered(name, None, Recognised("unrecognised", message=f"{name}: cannot be read: {reason}"))
    what = recognise(source.head(HEAD_BYTES))
    return _Delivered(name, source, replace(what, message=what.message and f"{name}: {what.message}"))


def _spans(parts: list[pl.DataFrame]) -> pl.DataFrame:
    """One row a station: the whole span, null (= everything) where any part is."""
    joined = pl.concat([pl.DataFrame(schema=TOUCHED_SCHEMA), *(p.cast(dict(TOUCHED_SCHEMA)) for p in parts)])
    whole = pl.col("from_utc").is_null().any()
    return (
        joined.group_by("station_id")
        .agg(
            from_utc=pl.when(whole).then(None).otherwise(pl.col("from_utc").min()),
            to_utc=pl.when(whole).then(None).otherwise(pl.col("to_utc").max()),
        )
        .sort("station_id")
    )


class _Run:
    """Reads the files of one delivery, one after the other."""

    def __init__(self, con: Connection, settings: IngestSettings, tell: Progress, total: int) -> None:
        self._con = con
        self._settings = settings
        self._tell = tell
        self._total = total
        self._done = 0
        self._new: set[str] = set()

    def read(self, one: _Delivered) -> tuple[tuple[object, ...], Account]:
        """Read one file; gives its row of the report and its account."""
        if one.source is None:
            return self._row(one, "", self._unreadable(one))
        known = self._known(one.source.sha256)
        if known is None:
            try:
                account = self._read_new(one, one.source)
            except _KnownError as error:
                known = error.known
            except _ChangedError:
                what = f"{one.file}: was rewritten while being read; deliver it again"
                changed = replace(one, what=replace(one.what, message=what))
                return self._row(changed, "", self._unreadable(changed))
        self._done += one.source.file_bytes
        if known is None:
            self._new.add(one.source.sha256)
            return self._row(one, one.source.sha256, account)
        repeated = replace(one, what=replace(one.what, kind=known.kind, message=None))
        return self._row(repeated, one.source.sha256, Account().plus(duplicates=known.lines), known)

    def _known(self, sha256: str) -> _Known | None:
        """A content in the warehouse; one that an earlier run could not use is forgotten, to be tried again."""
        rows = self._con.execute(
            "SELECT file_id, file, kind, lines, used FROM raw_file WHERE file_id = $1 OR content_sha256 = $1", [sha256]
        ).fetchall()
        if not rows:
            return None
        file_id, file, kind, lines, used = rows[0]
        if kind == "unrecognised" and lines and not used and file_id not in self._new:
            with transaction(self._con):
                for table in ("raw_file", "raw_rejected"):
                    self._con.execute(f"DELETE FROM {table} WHERE file_id = ?", [file_id])
            return None
        return _Known(file_id, file, kind, lines)

    def _read_new(self, one: _Delivered, source: Source) -> Account:
        account = Account()
        with transaction(self._con):
            for account in self._accounts(one, source):  # noqa: B007  # the last one is the whole
                self._tell("Reading files", self._done + source.read_bytes, self._total)
            if source.changed:
                raise _ChangedError
            if source.content_sha256 != source.sha256 and (known := self._known(source.content_sha256)):
                raise _KnownError(known)
            if one.what.kind == "frames":
                pair_across(self._con, account, self._settings)
            self._keep(one, source, account)
        return account

    def _accounts(self, one: _Delivered, source: Source) -> Iterator[Account]:
        con, settings, what = self._con, self._settings, one.what
        read = ahead(blocks(source, settings))
        if what.message is not None or what.kind not in {"frames", *TABLES}:
            return self._refuse(one, source, read)
        if what.kind == "frames":
            return read_frames(con, source.sha256, one.file, read, settings)
        return read_table(con, source.sha256, one.file, what.kind, what.found, read, settings)

    def _refuse(self, one: _Delivered, source: Source, read: Iterator[Block]) -> Iterator[Account]:
        """Every line of a file that cannot be used, with the file's reason or the line's own."""
        account = Account(message=one.what.message)
        for block in read:
            good, bad = good_and_bad(block, self._settings)
            lines = pl.DataFrame(good).with_columns(reject_reason=pl.lit(one.what.message)).select(REJECT_SCHEMA.names())
            account = account.plus(rejected=reject(self._con, source.sha256, one.file, pl.concat([lines, bad])))
            yield account

    def _keep(self, one: _Delivered, source: Source, account: Account) -> None:
        row = {
            "file_id": source.sha256, "file": one.file, "kind": one.what.kind, "file_bytes": source.file_bytes,
            "content_sha256": source.content_sha256, "lines": account.lines, "used": account.used,
            "rejected": account.rejected, "duplicates": account.duplicates, "ingested_at_utc": datetime.now(UTC),
        }  # fmt: skip
        append(self._con, "raw_file", pl.DataFrame([row]))

    def _unreadable(self, one: _Delivered) -> Account:
        """A file without content counts as one rejected line, so that it is seen."""
        line = pl.DataFrame({"line": [1], "byte_offset": [0], "reject_reason": [one.what.message], "text": [""]})
        with transaction(self._con):
            self._con.execute("DELETE FROM raw_rejected WHERE file_id = '' AND file = ?", [one.file])
            reject(self._con, "", one.file, line)
        return Account(message=one.what.message).plus(rejected=1)

    def _row(
        self, one: _Delivered, file_id: str, account: Account, known: _Known | None = None
    ) -> tuple[tuple[object, ...], Account]:
        a = account
        earlier = known is not None and known.file_id not in self._new
        counts = (a.lines, a.used, a.rejected, a.duplicates)
        row = (
            one.file,
            file_id,
            one.what.kind,
            *counts,
            known and known.file,
            earlier,
            list(a.unknown_columns),
            one.what.message,
        )
        return row, account
