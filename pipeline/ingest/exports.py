"""Finished-session exports, read by their mapping.

Another export needs another mapping, no other code.
"""

from __future__ import annotations

import codecs
from collections.abc import Callable, Iterator

import numpy as np
import polars as pl
import pyarrow as pa

from pipeline.core.line_numbers import FILE_STEP
from pipeline.doorway.entries import Entry
from pipeline.doorway.export_entry import NO_FAULT, Export
from pipeline.doorway.frames_entry import FramesEntry
from pipeline.doorway.recognise import header_fields
from pipeline.doorway.session_sql import candidates_query, missing_columns, proven, sessions_query
from pipeline.ingest.daylight_saving import readings, settle
from pipeline.ingest.lines import Block, Recoder
from pipeline.ingest.records import data_rows, one_a_line
from pipeline.ingest.sink import Sink
from pipeline.storage.warehouse import append

_TOUCHED = """
    SELECT e.station_id, min(s.plugged_at_utc) AS from_utc, max(coalesce(s.unplugged_at_utc, s.plugged_at_utc)) AS to_utc
    FROM _sessions s JOIN (SELECT DISTINCT evse_id, station_id FROM raw_evse) e USING (evse_id) GROUP BY 1
"""

_SPAN = ("evse_id", "plugged_at_utc", "unplugged_at_utc")
_HELD = (
    "line", "span", "evse_id", "id_token", "vehicle_id", "session_id", "plugged_raw", "unplugged_raw", "energy_kwh",
    "end_reason_raw", "fault_raw", "plugged_early", "plugged_late", "plugged_gap",
    "unplugged_early", "unplugged_late", "unplugged_gap",
)  # fmt: skip


def recoder(entry: Entry) -> Recoder:
    """Turns the entry's encoding into UTF-8.

    Bytes that are none of its characters become escapes.
    """
    if codecs.lookup(entry.encoding).name in {"utf-8", "ascii"}:
        return iter

    def recoded(chunks: Iterator[bytes]) -> Iterator[bytes]:
        decoder = codecs.getincrementaldecoder(entry.encoding)(errors="backslashreplace")
        for chunk in chunks:
            yield decoder.decode(chunk).encode("utf-8", "backslashreplace")
        yield decoder.decode(b"", final=True).encode("utf-8", "backslashreplace")

    return recoded


def export_header(export: Export, head: bytes) -> tuple[tuple[str, ...], str | None]:
    """The header found, and which mapped columns it lacks, in words (None = none)."""
    return _header(export, head, lambda found: missing_columns(export, found))


def cells_header(entry: FramesEntry, head: bytes) -> tuple[tuple[str, ...], str | None]:
    """The header of a table of messages, and which mapped columns it lacks, in words (None = none)."""
    named = (entry.cells or {}).values()
    return _header(entry, head, lambda found: [column for column in named if column not in found])


def _header(
    entry: Entry, head: bytes, missing: Callable[[tuple[str, ...]], list[str]]
) -> tuple[tuple[str, ...], str | None]:
    """The first line, or with skip_until_header the first that lacks nothing."""
    text = b"".join(recoder(entry)(iter([head]))).decode("utf-8", "replace").lstrip("\ufeff")
    lines = [line for line in text.split("\n") if line.strip()] or [""]
    headers = [
        header_fields(line, entry.delimiter)
        for line in (lines if entry.skip_until_header else lines[:1])
    ]
    nearest = min(headers, key=lambda found: len(missing(found)))
    if not missing(nearest):
        return nearest, None
    lacking = ", ".join(map(repr, missing(nearest)))
    listed = ", ".join(map(repr, nearest[:40]))
    return nearest, f"its column {lacking} is not there; found: {listed}"


def read_sessions(
    sink: Sink, export: Export, found: tuple[str, ...], blocks: Iterator[Block]
) -> Iterator[None]:
    """Carry session exports of one mapping entry and header into raw_session; comes back after each
    block.

    The typed rows of the whole files are held, since their order tells the hours of a clock change
    apart (`daylight_saving`). Where several formats of time are named, each whole file tells which it has.
    """
    query, held = sessions_query(export, found, export.forms, readings), list[pl.DataFrame]()
    waiting = list[pa.Table]()
    until = found if export.skip_until_header else None
    for rows in data_rows(sink, blocks, export.delimiter, until):
        if len(export.forms) > 1:
            waiting.append(rows)
        else:
            held.append(_typed(sink, query, rows))
        yield
    for rows in _by_file(waiting):
        with sink.seeing(_records=rows):
            told = pl.DataFrame(sink.table(candidates_query(export, found)))
        forms = proven(export.forms, told["readings"])
        held.append(_typed(sink, sessions_query(export, found, forms, readings), rows))
    if held:
        sink.touched.append(_insert(sink, export, pl.concat(held).sort("line")))


def _by_file(tables: list[pa.Table]) -> Iterator[pa.Table]:
    """Rows of files that were read in one go, file by file."""
    if not tables:
        return
    rows = pa.concat_tables(tables)
    place = rows["line"].to_numpy() // FILE_STEP
    for one in np.unique(place):
        yield rows.filter(pa.array(place == one))


def _typed(sink: Sink, query: str, rows: pa.Table) -> pl.DataFrame:
    """The rows that can be used; the others are rejected."""
    with sink.seeing(_records=rows):
        typed = sink.frame(query)
    bad = pl.col("reject_reason").is_not_null()
    sink.reject(one_a_line(typed.filter(bad)))
    good = typed.filter(~bad).select(_HELD)
    sink.count("used", good["line"].to_numpy(), good["span"].to_numpy())
    return good


def unmapped_columns(export: Export, found: tuple[str, ...]) -> tuple[str, ...]:
    """Columns of a header that its mapping entry does not name."""
    return tuple(name for name in found if name not in export.plain_columns)


def _insert(sink: Sink, export: Export, rows: pl.DataFrame) -> pl.DataFrame:
    def mapped(raw: str, words: dict[str, str]) -> pl.Expr:
        return pl.col(raw).replace_strict(words, default=None, return_dtype=pl.String)

    rows = rows.with_columns(place=pl.col("line") // FILE_STEP)
    sessions = settle(rows, ["place", "evse_id"]).with_columns(
        line=pl.col("line") % FILE_STEP,
        file_id=pl.Series(sink.file_ids).gather(rows["place"]),
        stop_reason=mapped("end_reason_raw", export.end_reason),
        fault=mapped("fault_raw", export.fault),
    )
    fine = (pl.col("fault") == NO_FAULT).fill_null(value=False)
    sessions = sessions.with_columns(
        fault_raw=pl.when(fine).then(pl.lit(NO_FAULT)).otherwise("fault_raw"),
        fault=pl.when(~fine).then("fault"),
    )
    append(sink.con, "raw_session", sessions)
    with sink.seeing(_sessions=sessions.select(_SPAN).to_arrow()):
        return sink.frame(_TOUCHED)
