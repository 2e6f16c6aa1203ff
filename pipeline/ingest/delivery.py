"""A delivery, read in goes of files that are read the same way: each go is one transaction, and every
file is accounted for to the last line.
"""

from __future__ import annotations

from contextlib import closing
from dataclasses import replace
from pathlib import Path

import duckdb
import polars as pl
import pyarrow as pa

from pipeline.core.progress import Progress, silent
from pipeline.doorway.mapping import Delivered, Mapping, parse
from pipeline.doorway.recognise import Recognised
from pipeline.ingest.batch import Batch, LeftOutError, parts, source_of
from pipeline.ingest.contents import Contents, Known
from pipeline.ingest.engine import bounded, check_keys
from pipeline.ingest.mapped import MisfitError
from pipeline.ingest.opened import Opened, first_line, mappings_of, opened
from pipeline.ingest.read_ahead import ahead
from pipeline.ingest.reading import account_of, read_files, recoder_of
from pipeline.ingest.report import FILES_SCHEMA, IngestReport, spans
from pipeline.ingest.sink import Account, Sink
from pipeline.ingest.tables import fleet_zone
from pipeline.ingest.together import in_groups
from pipeline.ingest.zones import place_local_times
from pipeline.settings.ingest import IngestSettings
from pipeline.storage.warehouse import Connection, transaction

_Row = tuple[object, ...]


def ingest_delivery(
    con: Connection, delivery: Path, settings: IngestSettings, progress: Progress | None = None,
    leave: frozenset[Path] = frozenset(),
) -> IngestReport:  # fmt: skip
    """Read all files of a delivery folder into the raw tables; each file wholly or not at all, a
    known content not again.

    A bad file or line is no error: it is in the report and in raw_rejected, with its reason.

    Parameters
    ----------
    con
        The warehouse, its tables created.
    delivery
        The folder as it was handed over.
    settings
        Memory, threads and sizes of reading.
    progress
        Told of bytes read; nobody if absent.
    leave
        Files not even opened: others read them.

    Returns
    -------
    IngestReport
        A row a file with its account of lines, and the spans of stations it touched.

    Raises
    ------
    DeliveryError
        The folder itself cannot be read.
    StoreError
        The warehouse knows its frames by other keys.

    """
    check_keys(con)
    earlier = _earlier_mappings(con)
    found = opened(delivery, settings, earlier, leave)
    run = _Run(
        con, settings, progress or silent, sum(one.source.file_bytes for one in found if one.source)
    )
    run.hints = _asked_for_again(con, found, mappings_of(found, earlier))
    with bounded(con, settings):
        rows = [row for group in in_groups(found, settings) for row in run.read_group(group)]
        with transaction(con):
            placed = place_local_times(con, fleet_zone(con, settings))
    files = pl.DataFrame(rows, schema=FILES_SCHEMA, orient="row").sort("file")
    return IngestReport(files, spans([*run.touched, placed]))


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
        "SELECT file, read_by FROM raw_file WHERE read_by IS NOT NULL ORDER BY file"
    ).fetchall()
    hints: dict[str, str] = {}
    for one in mappings if read else ():
        entries = [
            e
            for e in one.mapping.entries
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
                f"read by an earlier mapping: {listed}; deliver again what this one is for, to have it read again"
            )
    return hints


_NAMED = 5  # files named in a hint


# What an entry of a mapping may make of a file that nobody foresaw: that file's trouble, not the run's. What the warehouse or its
# disk is at fault for is of other kinds.
_OF_A_FILE = (
    duckdb.ProgrammingError,
    duckdb.DataError,
    pl.exceptions.PolarsError,
    pa.ArrowException,
    ValueError,
    LookupError,
    OverflowError,
)


def _refused(one: Opened, why: str) -> Opened:
    """A file in which its mapping entry finds nothing."""
    message = f"{one.file}: the entry at {one.entry_at} reads nothing of it: {why}"
    what = Recognised("unrecognised", one.what.found, message)
    return replace(one, what=what, frames=None, export=None)


class _Run:
    """Reads the files of one delivery, group by group."""

    def __init__(
        self, con: Connection, settings: IngestSettings, tell: Progress, total: int
    ) -> None:
        self._con = con
        self._settings = settings
        self._tell = tell
        self._total = total
        self._done = 0
        self._contents = Contents(con)
        self.touched: list[pl.DataFrame] = []
        self.hints: dict[str, str] = {}  # what to do, by file

    def read_group(self, group: list[Opened]) -> list[_Row]:
        """Read files that go together; the rows of the report."""
        known = self._contents.known(one.source.sha256 for one in group if one.source)
        fresh: dict[str, Opened] = {}
        before: dict[str, Known] = {}
        for one in group:
            if one.source is None or one.source.sha256 in fresh:
                continue
            here = known.get(one.source.sha256)
            if here is not None and self._contents.to_read_again(here, one):
                before[one.file] = here
            elif here is not None:
                continue
            fresh[one.source.sha256] = one
        batch = Batch(self._contents, before)
        try:
            accounts = self._read(list(fresh.values()), batch)
        except MisfitError as error:
            wrong = error.files
            fitting = [one for one in group if one.file not in wrong]
            misfits = [_refused(one, wrong[one.file]) for one in group if one.file in wrong]
            return (self.read_group(fitting) if fitting else []) + self.read_group(misfits)
        except _OF_A_FILE as error:
            if group[0].entry is None or isinstance(error, MemoryError):
                raise
            if len(group) > 1:  # one of them; the others are read without it
                return [row for one in group for row in self.read_group([one])]
            why = " ".join(str(error).split())[:300]
            return self.read_group([_refused(group[0], f"{type(error).__name__}: {why}")])
        left = [one for one in group if one.source and one.file not in accounts]
        repeated = {one.file: batch.repeats.get(one.file, source_of(one).sha256) for one in left}
        known = self._contents.known(repeated.values())
        # copies of a file that turned out not to be used
        again = [
            one for one in left if one.file not in batch.changed and repeated[one.file] not in known
        ]
        rows = [
            self._row_of(one, accounts.get(one.file), batch, known.get(repeated.get(one.file, "")))
            for one in group
            if one not in again
        ]
        self._done += sum(one.source.file_bytes for one in group if one.source and one not in again)
        return rows + (self.read_group(again) if again else [])

    def _read(self, files: list[Opened], batch: Batch) -> dict[str, Account]:
        """Read new files; gives the accounts of those that were used."""
        while files:
            try:
                return self._read_at_once(files, batch)
            except LeftOutError as error:
                files = [one for one in files if one is not error.one]
        return {}

    def _read_at_once(self, files: list[Opened], batch: Batch) -> dict[str, Account]:
        sources = [source_of(one) for one in files]
        names = tuple(one.file for one in files)
        read = ahead(parts(sources, self._settings, recoder_of(files[0])))
        with closing(read), transaction(self._con):
            batch.begin(files)
            sink = Sink(self._con, tuple(s.sha256 for s in sources), names, self._settings)
            for _ in read_files(sink, files, batch.blocks(files, read)):
                so_far = sum(source.read_bytes for source in sources)
                self._tell("Reading files", self._done + so_far, self._total)
            used = [
                (one, account_of(sink, i, one))
                for i, one in enumerate(files)
                if not batch.left_out(one)
            ]
            self._contents.add(used)
        self._contents.committed([one for one, _ in used])
        self.touched += sink.touched
        return {one.file: account for one, account in used}

    def _row_of(
        self, one: Opened, account: Account | None, batch: Batch, known: Known | None
    ) -> _Row:
        if one.source is None:
            return self._row(one, self._unreadable(one))
        if one.file in batch.changed:
            message = f"{one.file}: was rewritten while being read; deliver it again"
            changed = replace(one, source=None, what=replace(one.what, message=message))
            return self._row(changed, self._unreadable(changed))
        if account is None:
            if known is None:
                raise LookupError(f"{one.file} was neither read nor is it known")
            repeated = replace(one, what=replace(one.what, kind=known.kind, message=None))
            return self._row(repeated, Account(duplicates=known.lines), known)
        if account.lines and one.source.sha256 in self._contents.tried and not account.used:
            return self._row(one, Account(duplicates=account.lines))
        return self._row(one, account)

    def _unreadable(self, one: Opened) -> Account:
        """A file without content counts as one rejected line, so that it is seen."""
        line = pl.DataFrame(
            {"line": [1], "byte_offset": [0], "reject_reason": [one.what.message], "text": [""]}
        )
        sink = Sink(self._con, ("",), (one.file,), self._settings)
        with transaction(self._con):
            self._con.execute(
                "DELETE FROM raw_rejected WHERE file_id = '' AND file = ?", [one.file]
            )
            sink.reject(line)
        return sink.account()

    def _row(self, one: Opened, account: Account, known: Known | None = None) -> _Row:
        return (
            one.file,
            one.source.sha256 if one.source else "",
            one.what.kind,
            *(account.lines, account.used, account.rejected, account.duplicates, account.chatter),
            known and known.file,
            known is not None and not self._contents.of_this_run(known),
            list(account.unknown_columns),
            one.what.message or one.note or self.hints.get(one.file),
            bool(one.what.message or one.note),
            first_line(one) if one.what.message or one.note else None,
            one.what.looks_like or one.what.kind,
        )
