"""Finished-session exports, read by their mapping.

Another export needs another mapping, no other code.
"""

from __future__ import annotations

import codecs
from collections.abc import Iterator

import polars as pl

from pipeline.doorway.mapping import NO_FAULT, Export
from pipeline.doorway.recognise import header_fields
from pipeline.ingest.daylight_saving import readings, settle
from pipeline.ingest.lines import FILE_STEP, Block, Recoder
from pipeline.ingest.records import data_rows, one_a_line
from pipeline.ingest.sink import Sink
from pipeline.ingest.sql import quoted, real, unzoned, utc
from pipeline.storage.warehouse import append

_TOUCHED = """
    SELECT e.station_id, min(s.plugged_at_utc) AS from_utc, max(coalesce(s.unplugged_at_utc, s.plugged_at_utc)) AS to_utc
    FROM _sessions s JOIN (SELECT DISTINCT evse_id, station_id FROM raw_evse) e USING (evse_id) GROUP BY 1
"""

_SPAN = ("evse_id", "plugged_at_utc", "unplugged_at_utc")
_HELD = (
    "line", "span", "evse_id", "id_token", "vehicle_id", "plugged_raw", "unplugged_raw", "energy_kwh",
    "end_reason_raw", "fault_raw", "plugged_early", "plugged_late", "plugged_gap",
    "unplugged_early", "unplugged_late", "unplugged_gap",
)  # fmt: skip


def recoder(export: Export) -> Recoder:
    """Turns the export's encoding into UTF-8.

    Bytes that are none of its characters become escapes.
    """
    if codecs.lookup(export.encoding).name in {"utf-8", "ascii"}:
        return iter

    def recoded(chunks: Iterator[bytes]) -> Iterator[bytes]:
        decoder = codecs.getincrementaldecoder(export.encoding)(errors="backslashreplace")
        for chunk in chunks:
            yield decoder.decode(chunk).encode("utf-8", "backslashreplace")
        yield decoder.decode(b"", final=True).encode("utf-8", "backslashreplace")

    return recoded


def export_header(export: Export, head: bytes) -> tuple[tuple[str, ...], str | None]:
    """The header found, and which mapped columns it lacks, in words (None = none)."""
    text = b"".join(recoder(export)(iter([head]))).decode("utf-8", "replace").lstrip("\ufeff")
    line = next((line for line in text.split("\n") if line.strip()), "")
    found = header_fields(line, export.delimiter)
    missing = [column for column in export.columns.values() if column not in found]
    if not missing:
        return found, None
    listed = ", ".join(map(repr, found[:40]))
    return (
        found,
        f"a mapping covers it, but its column {', '.join(map(repr, missing))} is not there; found: {listed}",
    )


def read_sessions(
    sink: Sink, export: Export, found: tuple[str, ...], blocks: Iterator[Block]
) -> Iterator[None]:
    """Carry session exports of one mapping entry and header into raw_session; comes back after each
    block.

    The typed rows of the whole files are held, since their order tells the hours of a clock change
    apart (`daylight_saving`).
    """
    query, held = _query(export, found), []
    for rows in data_rows(sink, blocks, export.delimiter):
        with sink.seeing(_records=rows):
            typed = sink.frame(query)
        bad = pl.col("reject_reason").is_not_null()
        sink.reject(one_a_line(typed.filter(bad)))
        held.append(typed.filter(~bad).select(_HELD))
        sink.count("used", held[-1]["line"].to_numpy(), held[-1]["span"].to_numpy())
        yield
    if held:
        sink.touched.append(_insert(sink, export, pl.concat(held).sort("line")))


def unmapped_columns(export: Export, found: tuple[str, ...]) -> tuple[str, ...]:
    """Columns of a header that its mapping entry does not name."""
    return tuple(name for name in found if name not in export.columns.values())


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


def _query(export: Export, found: tuple[str, ...]) -> str:
    """SELECT over `_records`.

    Texts, the two readings of each time, energy in kWh, `reject_reason`.
    """
    place = {ours: found.index(theirs) + 1 for ours, theirs in export.columns.items()}

    def text(ours: str) -> str:
        return (
            f"nullif(trim(cells[{place[ours]}], ' \t\r\n'), '')"
            if ours in place
            else "CAST(NULL AS VARCHAR)"
        )

    energy = _number("energy_text", export.decimal)
    scale = 1000 if export.energy_unit == "Wh" else 1
    checks = [
        "CASE WHEN evse_id IS NULL THEN 'the EVSE is blank' END",
        "CASE WHEN plugged_raw IS NULL THEN 'the plug-in time is blank' END",
        _check("plugged_raw", "plugged_early", export.columns["plugged_at"], _time_words(export)),
        _check(
            "unplugged_raw",
            "unplugged_early",
            export.columns.get("unplugged_at", ""),
            _time_words(export),
        ),
        _check("energy_text", "energy_kwh", export.columns.get("energy_kwh", ""), "a number"),
    ]
    return f"""
        SELECT *, CASE
            WHEN cells IS NULL THEN 'the quoting is broken'
            WHEN len(cells) <> {len(found)} THEN concat('has ', len(cells), ' values where the header has {len(found)}')
            ELSE nullif(concat_ws('; ', {", ".join(checks)}), '') END AS reject_reason
        FROM (SELECT *, ({energy}) / {scale} AS energy_kwh, {_times(export, "plugged")}, {_times(export, "unplugged")}
              FROM (SELECT line, byte_offset, text, span, cells,
                        {text("evse_id")} AS evse_id, {text("id_token")} AS id_token, {text("vehicle_id")} AS vehicle_id,
                        {text("plugged_at")} AS plugged_raw, {text("unplugged_at")} AS unplugged_raw,
                        {text("energy_kwh")} AS energy_text, {text("end_reason")} AS end_reason_raw,
                        {text("fault")} AS fault_raw
                    FROM _records))"""


def _times(export: Export, name: str) -> str:
    """Readings of a time: an offset in the text or the format settles it, else it is local."""
    raw = f"{name}_raw"
    if export.time_format is None:
        zoned = f"CASE WHEN NOT ({unzoned(raw)}) THEN {utc(raw)} END"
        local = f"CASE WHEN {unzoned(raw)} THEN timezone('UTC', {utc(raw)}) END"
    elif "%z" in export.time_format:
        zoned, local = (
            f"try_strptime({raw}, {quoted(export.time_format)})",
            "CAST(NULL AS TIMESTAMP)",
        )
    else:
        zoned, local = (
            "CAST(NULL AS TIMESTAMPTZ)",
            f"try_strptime({raw}, {quoted(export.time_format)})",
        )
    early, late, gap = readings(f"({local})", quoted(export.timezone))
    return (
        f"coalesce({zoned}, {early}) AS {name}_early, coalesce({zoned}, {late}) AS {name}_late, "
        f"coalesce({gap}, false) AS {name}_gap"
    )


def _number(text: str, decimal: str) -> str:
    """A number with the export's decimal sign; its other sign and blanks may part the thousands."""
    other = "," if decimal == "." else "."
    thousands = rf"regexp_full_match({text}, '[+-]?\d{{1,3}}([ {other}]\d{{3}})+([{decimal}]\d+)?')"
    plain = f"CASE WHEN {thousands} THEN replace(replace({text}, ' ', ''), '{other}', '') ELSE {text} END"
    if decimal == ",":
        plain = f"CASE WHEN NOT contains({plain}, '.') THEN replace({plain}, ',', '.') END"
    return real(f"({plain})")


def _check(text: str, value: str, column: str, what: str) -> str:
    start, end = quoted(f"{column}: "), quoted(f" is not {what}")
    return f"CASE WHEN {text} IS NOT NULL AND {value} IS NULL THEN concat({start}, '''', left({text}, 80), '''', {end}) END"


def _time_words(export: Export) -> str:
    return f"a time written {export.time_format}" if export.time_format else "an ISO 8601 time"
