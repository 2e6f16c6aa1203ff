"""Every reader of what others write, as a function of bytes: whatever they are, it returns.

A reader may turn its input away by an error that says so; any other exception is a find. Files go
through the whole of ingest, with its law of accounts.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable, Mapping
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.circuit.waveform import analyse, read_trace
from pipeline.core.errors import WhichsideError
from pipeline.doorway import mapping as doorway_mapping
from pipeline.doorway.guess import guess_entry
from pipeline.doorway.recognise import recognise
from pipeline.ingest import ingest_delivery
from pipeline.settings.ingest import IngestSettings
from pipeline.storage.decisions import entries, open_decisions
from pipeline.storage.decisions.store import Decisions
from pipeline.storage.warehouse import Connection, query, writing

BREAK = b"\n%%%%\n"
"""Between a mapping and the file it reads, in one input."""
SMALL = IngestSettings(block_bytes=2048, line_cap_bytes=4096, record_lines_cap=4)
"""Blocks so small that inputs span them."""
_INPUTS_A_STORE = 25


class _Stores:
    """A warehouse and a decisions store for some inputs each, then new ones: none grows without end."""

    def __init__(self) -> None:
        self._held = ExitStack()
        self._left = 0
        self._con: Connection | None = None
        self._decisions: Decisions | None = None

    def warehouse(self) -> Connection:
        """The warehouse."""
        self._renewed()
        assert self._con
        return self._con

    def decisions(self) -> Decisions:
        """The decisions store."""
        self._renewed()
        assert self._decisions
        return self._decisions

    def _renewed(self) -> None:
        if self._left == 0:
            self._held.close()
            place = Path(self._held.enter_context(tempfile.TemporaryDirectory()))
            self._con = self._held.enter_context(writing(place / "w.duckdb"))
            self._decisions = open_decisions(place / "d.sqlite")
            self._held.callback(self._decisions.close)
            self._left = _INPUTS_A_STORE
        self._left -= 1


_STORES = _Stores()


def _ingested(files: Mapping[str, bytes]) -> None:
    """Read files as a delivery: `lines = used + rejected + duplicates`, every rejected line with its row."""
    con = _STORES.warehouse()
    with tempfile.TemporaryDirectory() as folder:
        for name, content in files.items():
            (Path(folder) / name).write_bytes(content)
        found = ingest_delivery(con, Path(folder), SMALL).files
    assert set(found["file"]) == set(files)
    assert (found["lines"] == found["used"] + found["rejected"] + found["duplicates"]).all()
    kept = query(con, "SELECT file_id, file, count(*) AS n FROM raw_rejected GROUP BY ALL")
    counted = found.filter(pl.col("rejected") > 0).join(kept, on=["file_id", "file"], how="left")
    assert (counted["rejected"] == counted["n"]).all()


def delivered(data: bytes) -> None:
    """Any file of a delivery, packed or not: frames in our envelope, lists, telematics, findings, bench, pilot."""
    _ingested({"file": data})


def mapped(data: bytes) -> None:
    """A mapping and a file it may read: logs of any shape, exports of any columns."""
    mapping, _, content = data.partition(BREAK)
    _ingested({"mapping.yaml": mapping, "file": content})


def mapping(data: bytes) -> None:
    """A mapping file by itself, and whether its entries cover a name."""
    told = doorway_mapping.parse(data.decode("utf-8", "replace"))
    if isinstance(told, doorway_mapping.Mapping):
        for entry in told.entries:
            entry.covers("", "yard/log_2026.txt")


def guessed(data: bytes) -> None:
    """The beginning of any file: what it is, and the mapping guessed for it, which itself must be good."""
    recognise(data)
    guess = guess_entry("yard.log", data.decode("utf-8", "replace"))
    if guess is not None:
        told = doorway_mapping.parse(guess.mapping)
        assert isinstance(told, doorway_mapping.Mapping), told
        assert not told.wrong, told.wrong


def trace(data: bytes) -> None:
    """An oscilloscope's export."""
    with suppress(WhichsideError):
        analyse(read_trace(data.decode("utf-8", "replace"), where="scope.csv"))


def decision(data: bytes) -> None:
    """A finding, work or reading as JSON: refused by name, or kept and read back."""
    try:
        given = json.loads(data)
    except (ValueError, RecursionError):
        return
    if not isinstance(given, dict):
        return
    store = _STORES.decisions()
    keep: dict[str, Callable[[dict[str, Any]], int]] = {
        "finding": lambda row: store.finding(row, "Kim"),
        "work_finding": lambda row: store.work(row, "Kim"),
        "reading": lambda row: entries.keep_reading(store, row, "Kim"),
    }
    for word, kept in keep.items():
        if word in given:
            with suppress(WhichsideError):
                kept(given)
    assert store.frames().unreadable == ()


TARGETS: Mapping[str, Callable[[bytes], None]] = {
    "mapping": mapping,
    "guessed": guessed,
    "trace": trace,
    "decision": decision,
    "delivered": delivered,
    "mapped": mapped,
}
