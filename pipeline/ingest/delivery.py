"""A delivery, file by file.

Each is read in one transaction (small ones together), and accounted for to the last line.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import polars as pl

from pipeline.core.progress import Progress, silent
from pipeline.doorway.mapping import Delivered, Mapping, parse
from pipeline.ingest.engine import check_keys, memory_capped
from pipeline.ingest.frames import read_together
from pipeline.ingest.opened import Opened, mappings_of, opened
from pipeline.ingest.reading import read_file
from pipeline.ingest.report import FILES_SCHEMA, IngestReport, spans
from pipeline.ingest.sink import Account, Sink
from pipeline.ingest.source import Source
from pipeline.ingest.tables import fleet_zone
from pipeline.ingest.together import in_groups, placed
from pipeline.ingest.zones import place_local_times
from pipeline.settings.ingest import IngestSettings
from pipeline.storage.warehouse import Connection, append, rebuild_next, transaction


def ingest_delivery(
    con: Connection, delivery: Path, settings: IngestSettings, progress: Progress | None = None,
    leave: frozenset[Path] = frozenset(),
) -> IngestReport:  # fmt: skip
    """Read all files of a delivery folder into the raw tables; each file wholly or not at all, a
    known content not again.

    Files to `leave` are not even opened: others read them. Raises DeliveryError when the folder
    itself cannot be read, and StoreError when the warehouse knows its frames by other keys. A bad
    file or line is no error: it is in the report and in raw_rejected, with its reason.
    """
    check_keys(con)
    earlier = _earlier_mappings(con)
    found = opened(delivery, settings, earlier, leave)
    run = _Run(
        con, settings, progress or silent, sum(one.source.file_bytes for one in found if one.source)
    )
    run.hints = _asked_for_again(con, found, mappings_of(found, earlier))
    with memory_capped(con, settings):
        accounts = [row for group in in_groups(found, settings) for row in run.read_group(group)]
        with transaction(con):
            placed = place_local_times(con, fleet_zone(con, settings))
    files = pl.DataFrame([row for row, _ in accounts], schema=FILES_SCHEMA, orient="row").sort(
        "file"
    )
    return IngestReport(
        files, spans([*(part for _, account in accounts for part in account.touched), placed])
    )


def _earlier_mappings(con: Connection) -> list[Delivered]:
    rows = con.execute(
        "SELECT m.file, file_id, m.mapping_text, f.ingested_at_utc FROM raw_mapping m JOIN raw_file f USING (file_id) "
        "ORDER BY f.ingested_at_utc DESC"
    ).fetchall()
    parsed = [(file, file_id, parse(text), since) for file, file_id, text, since in rows]
    return [
        Delivered(file, file_id, told, since)
        for file, file_id, told, since in parsed
        if isinstance(told, Mapping)
    ]


def _asked_for_again(
    con: Connection, found: list[Opened], mappings: list[Delivered]
) -> dict[str, str]:
    """By mapping file, what to do where its new entries cover exports read otherwise that did not
    come with it.
    """
    read = con.execute(
        "SELECT file, read_by FROM raw_file WHERE kind = 'sessions' ORDER BY file"
    ).fetchall()
    hints: dict[str, str] = {}
    for one in mappings:
        entries = [
            e
            for e in one.mapping.exports
            if one.since is None and not any(e.covers(one.folder, f.file) for f in found)
        ]
        named = [
            file
            for file, by in read
            if any(e.covers(one.folder, file) and e.reading != by for e in entries)
        ]
        if named:
            listed = ", ".join(named[:_NAMED]) + (
                f" and {len(named) - _NAMED} more" if len(named) > _NAMED else ""
            )
            hints[one.file] = (
                f"read by an earlier mapping: {listed}; deliver again what this one is for, to have it read anew"
            )
    return hints


_NAMED = 5  # files named in a hint


@dataclass(frozen=True)
class _Known:
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
            self.kind == "sessions"
            and one.export is not None
            and newer
            and one.export.reading != self.read_by
        )


class _KnownError(Exception):
    """The unpacked content was delivered before; the transaction is given up."""

    def __init__(self, known: _Known) -> None:
        super().__init__(known)
        self.known = known


class _ChangedError(Exception):
    """The file was rewritten while it was read; the transaction is given up."""


class _Run:
    """Reads the files of one delivery, one after the other."""

    def __init__(
        self, con: Connection, settings: IngestSettings, tell: Progress, total: int
    ) -> None:
        self._con = con
        self._settings = settings
        self._tell = tell
        self._total = total
        self._done = 0
        self._new: set[str] = set()
        self._tried: set[str] = set()  # contents an earlier run could not use
        self.hints: dict[str, str] = {}  # what to do, by file

    def read_group(self, group: list[Opened]) -> list[tuple[tuple[object, ...], Account]]:
        """Read files together where nothing speaks against it, the others one by one.

        As `read`, for each.
        """
        if len(group) == 1:
            return [self.read(group[0])]
        new = {
            one.source.sha256: one
            for one in reversed(group)
            if one.source and self._is_new(one.source)
        }
        try:
            together = (
                self._read_together([one for one in group if one in new.values()])
                if len(new) > 1
                else []
            )
        except (_KnownError, _ChangedError):
            together = []
        read = [one for one, _ in together]
        return [self._row(*done) for done in together] + [
            self.read(one) for one in group if one not in read
        ]

    def _is_new(self, source: Source) -> bool:
        return self._known(source.sha256) is None and source.sha256 not in self._tried

    def _read_together(self, files: list[Opened]) -> list[tuple[Opened, Account]]:
        """Read new files in one transaction.

        _KnownError or _ChangedError where one of them has to be looked at alone.
        """
        sources = [one.source for one in files if one.source]
        ids = tuple(source.sha256 for source in sources)
        with transaction(self._con):
            sink = Sink(self._con, ids, tuple(one.file for one in files), self._settings)
            accounts = read_together(sink, placed(sources, self._settings))
            for one, source, account in zip(files, sources, accounts, strict=True):
                if source.changed:
                    raise _ChangedError
                if source.content_sha256 != source.sha256 and (
                    known := self._known(source.content_sha256)
                ):
                    raise _KnownError(known)
                self._keep(one, source, account)
        self._new.update(ids)
        self._done += sum(source.file_bytes for source in sources)
        self._tell("Reading files", self._done, self._total)
        return list(zip(files, accounts, strict=True))

    def read(self, one: Opened) -> tuple[tuple[object, ...], Account]:
        """Read one file; gives its row of the report and its account."""
        if one.source is None:
            return self._row(one, self._unreadable(one))
        known = self._known(one.source.sha256)
        account = Account()
        if known is None or self._mapped_anew(known, one):
            try:
                account, known = self._read_new(one, one.source, known), None
            except _KnownError as error:
                known = error.known
            except _ChangedError:
                message = f"{one.file}: was rewritten while being read; deliver it again"
                changed = replace(one, source=None, what=replace(one.what, message=message))
                return self._row(changed, self._unreadable(changed))
        self._done += one.source.file_bytes
        if known is None:
            self._new.add(one.source.sha256)
            if account.lines and one.source.sha256 in self._tried and not account.used:
                return self._row(one, Account().plus(duplicates=account.lines))
            return self._row(one, account)
        repeated = replace(one, what=replace(one.what, kind=known.kind, message=None))
        return self._row(repeated, Account().plus(duplicates=known.lines), known)

    def _known(self, sha256: str) -> _Known | None:
        """A content in the warehouse.

        One that an earlier run could not use is forgotten, to be tried again.
        """
        rows = self._con.execute(
            "SELECT file_id, file, kind, lines, read_by, ingested_at_utc FROM raw_file WHERE file_id = $1 OR content_sha256 = $1",
            [sha256],
        ).fetchall()
        if not rows:
            return None
        known = _Known(*rows[0])
        if known.kind == "unrecognised" and known.file_id not in self._new:
            self._tried.add(known.file_id)
            for table in (
                "raw_rejected",
                "raw_file",
            ):  # in this order a crash between them is mended by the next run
                self._con.execute(f"DELETE FROM {table} WHERE file_id = ?", [known.file_id])
            return None
        return known

    def _read_new(self, one: Opened, source: Source, before: _Known | None) -> Account:
        account = Account()
        with transaction(self._con):
            if before:
                self._take_back(before)
            for so_far in read_file(
                Sink(self._con, (source.sha256,), (one.file,), self._settings), one, source
            ):
                account = so_far
                self._tell("Reading files", self._done + source.read_bytes, self._total)
            if source.changed:
                raise _ChangedError
            if source.content_sha256 != source.sha256 and (
                known := self._known(source.content_sha256)
            ):
                if not self._mapped_anew(known, one):
                    raise _KnownError(known)
                self._take_back(known)
            self._keep(one, source, account)
        return account

    def _mapped_anew(self, known: _Known, one: Opened) -> bool:
        """Whether to read an export anew.

        Of two names of one content in a delivery the first counts.
        """
        return known.file_id not in self._new and known.read_otherwise(one)

    def _take_back(self, known: _Known) -> None:
        """Forget an export read by a mapping since corrected; what was made of it is made anew."""
        for table in ("raw_session", "raw_rejected", "raw_file", "meta_published_file"):
            self._con.execute(f"DELETE FROM {table} WHERE file_id = ?", [known.file_id])
        rebuild_next(self._con)

    def _keep(self, one: Opened, source: Source, account: Account) -> None:
        row = {
            "file_id": source.sha256, "file": one.file, "kind": one.what.kind, "file_bytes": source.file_bytes,
            "content_sha256": source.content_sha256, "lines": account.lines, "used": account.used,
            "rejected": account.rejected, "duplicates": account.duplicates,
            "unknown_columns": list(account.unknown_columns), "ingested_at_utc": datetime.now(UTC),
            "read_by": one.export and one.export.reading,
        }  # fmt: skip
        append(
            self._con,
            "raw_file",
            pl.DataFrame([row], schema_overrides={"unknown_columns": pl.List(pl.String)}),
        )

    def _unreadable(self, one: Opened) -> Account:
        """A file without content counts as one rejected line, so that it is seen."""
        line = pl.DataFrame(
            {"line": [1], "byte_offset": [0], "reject_reason": [one.what.message], "text": [""]}
        )
        with transaction(self._con):
            self._con.execute(
                "DELETE FROM raw_rejected WHERE file_id = '' AND file = ?", [one.file]
            )
            rejected = Sink(self._con, ("",), (one.file,), self._settings).reject(line)
        return Account().plus(rejected=rejected)

    def _row(
        self, one: Opened, account: Account, known: _Known | None = None
    ) -> tuple[tuple[object, ...], Account]:
        counts = (account.lines, account.used, account.rejected, account.duplicates)
        earlier = known is not None and known.file_id not in self._new
        file_id = one.source.sha256 if one.source else ""
        row = (
            one.file,
            file_id,
            one.what.kind,
            *counts,
            known and known.file,
            earlier,
            list(account.unknown_columns),
        )
        return (*row, one.what.message or self.hints.get(one.file)), account
