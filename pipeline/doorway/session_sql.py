"""The statement that types the rows of a session export by its mapping entry."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Sequence

import polars as pl

from pipeline.core.sql import quoted
from pipeline.doorway import times
from pipeline.doorway.export_entry import Export

Readings = Callable[[str, str], tuple[str, str, str]]
"""SQL of a local time's earlier and later reading in UTC, and whether no clock showed it."""

_DURATION_S = {"s": 1, "min": 60, "h": 3600}
_CLOCK_SHAPES = {
    "%H:%M:%S": (r"^(\d+):(\d{1,2}):(\d{1,2})$", (3600, 60, 1)),
    "%H:%M": (r"^(\d+):(\d{1,2})$", (3600, 60)),
    "%M:%S": (r"^(\d+):(\d{1,2})$", (60, 1)),
}


def missing_columns(export: Export, found: Sequence[str]) -> list[str]:
    """Mapped columns that a header lacks. In a list, what is no column is a word, unless it looks like a column misspelt."""
    lacking = []
    for joined in export.columns.values():
        if len(joined) == 1 or not any(part in found for part in joined):
            lacking += [
                part
                for part in joined
                if part.strip() and part not in found and any(c.isalnum() for c in part)
            ]
            continue
        lacking += [part for part in joined if part not in found and _misspelt(part, found)]
    return list(dict.fromkeys(lacking))


def _misspelt(part: str, found: Sequence[str]) -> bool:
    plain = {"".join(name.casefold().split()) for name in found}
    word = "".join(part.casefold().split())
    return any(c.isalpha() for c in word) and (
        word in plain or bool(difflib.get_close_matches(word, plain, 1, 0.75))
    )


def text_of(export: Export, found: Sequence[str], ours: str) -> str:
    """SQL of the text that stands for one of our columns in `cells`; null where any column of it is blank."""
    if ours not in export.columns:
        return "CAST(NULL AS VARCHAR)"
    parts = export.columns[ours]
    cells = {part: _cell(export, found.index(part) + 1) for part in parts if part in found}
    if len(parts) == 1:
        return cells[parts[0]]
    blank = " OR ".join(f"{cell} IS NULL" for cell in cells.values())
    return f"CASE WHEN {blank} THEN NULL ELSE concat({', '.join(cells.get(part, quoted(part)) for part in parts)}) END"


def _cell(export: Export, place: int) -> str:
    trimmed = f"nullif(trim(cells[{place}], ' \t\r\n'), '')"
    if not export.blank:
        return trimmed
    words = ", ".join(quoted(word.strip()) for word in export.blank)
    return f"CASE WHEN {trimmed} IN ({words}) THEN NULL ELSE {trimmed} END"


def candidates_query(export: Export, found: Sequence[str]) -> str:
    """SELECT over `_records`: what each time of a row is in each format, as a list (`readings`)."""
    named = [ours for ours in ("plugged_at", "unplugged_at") if ours in export.columns]
    texts = " UNION ALL ".join(
        f"SELECT {text_of(export, found, ours)} AS t FROM _records" for ours in named
    )
    each = []
    for form in export.forms:
        zoned, local = times.zoned_and_local("t", form)
        each.append(f"coalesce(timezone('UTC', {zoned}), {local})")
    return f"SELECT [{', '.join(each)}] AS readings FROM (SELECT DISTINCT t FROM ({texts}) WHERE t IS NOT NULL)"


def proven(forms: Sequence[str], readings: pl.Series) -> tuple[str, ...]:
    """The formats that a file's own times leave: of two that read one text differently, the one that reads all of them stands.

    Where both read all, or neither does, both stay, and rows they read differently are refused.
    """
    table = pl.DataFrame({str(i): readings.list.get(i) for i in range(len(forms))})
    out: set[int] = set()
    for i in range(len(forms)):
        for j in range(i + 1, len(forms)):
            a, b = pl.col(str(i)), pl.col(str(j))
            if not table.select((a != b).fill_null(value=False).any()).item():
                continue
            only_a, only_b = table.select(
                (a.is_not_null() & b.is_null()).any(), (b.is_not_null() & a.is_null()).any()
            ).row(0)
            if only_a != only_b:
                out.add(j if only_a else i)
    return tuple(form for i, form in enumerate(forms) if i not in out)


def sessions_query(
    export: Export, found: Sequence[str], forms: Sequence[str], readings: Readings
) -> str:
    """SELECT over `_records`: texts, the two readings of each time, energy in kWh, `reject_reason`."""

    def text(ours: str) -> str:
        return text_of(export, found, ours)

    energy = number("energy_text", export.decimal)
    scale = 1000 if export.energy_unit == "Wh" else 1
    checks, cells = _checks(export, forms), len(found)
    return f"""
        SELECT *, CASE
            WHEN cells IS NULL THEN 'the quoting is broken'
            WHEN len(cells) <> {cells} THEN concat('has ', len(cells), ' values where the header has {cells}')
            ELSE nullif(concat_ws('; ', {", ".join(checks)}), '') END AS reject_reason
        FROM (SELECT * EXCLUDE (unplugged_raw), {_unplugged(export)}, coalesce(unplugged_raw, duration_text) AS unplugged_raw
              FROM (SELECT *, {_reading("plugged", export.zone, readings)}, {_reading("unplugged", export.zone, readings)}
                    FROM (SELECT *, ({energy}) / {scale} AS energy_kwh, {_seconds(export)} AS duration_s,
                              {_moments("plugged", forms)}, {_moments("unplugged", forms)}
                          FROM (SELECT line, byte_offset, text, span, cells,
                                    {text("evse_id")} AS evse_id, {text("id_token")} AS id_token,
                                    {text("vehicle_id")} AS vehicle_id,
                                    {text("session_id")} AS session_id,
                                    {text("plugged_at")} AS plugged_raw, {text("unplugged_at")} AS unplugged_raw,
                                    {text("duration")} AS duration_text, {text("energy_kwh")} AS energy_text,
                                    {text("end_reason")} AS end_reason_raw, {text("fault")} AS fault_raw
                                FROM _records))))"""


def _checks(export: Export, forms: Sequence[str]) -> list[str]:
    """SQL of what may be wrong with a row, each a sentence or null, in the order they are told."""
    written = f"a time written {times.in_words(forms)}"
    return [
        "CASE WHEN evse_id IS NULL THEN 'the EVSE is blank' END",
        "CASE WHEN plugged_raw IS NULL THEN 'the plug-in time is blank' END",
        *(_doubtful(name, forms) for name in ("plugged", "unplugged") if len(forms) > 1),
        _check("plugged_raw", "plugged_early", _named(export, "plugged_at"), written),
        # where a duration stands for the end, what is wrong is said of it
        *(
            [_check("unplugged_raw", "unplugged_early", _named(export, "unplugged_at"), written)]
            if "unplugged_at" in export.columns
            else []
        ),
        _check("energy_text", "energy_kwh", _named(export, "energy_kwh"), "a number"),
        _check(
            "duration_text",
            "duration_s",
            _named(export, "duration"),
            f"a duration in {export.duration_unit}",
        ),
    ]


def _named(export: Export, ours: str) -> str:
    return "".join(export.columns.get(ours, ()))


def _moments(name: str, forms: Sequence[str]) -> str:
    """A time as written: with its offset, or local."""
    zoned, local = zip(*(times.zoned_and_local(f"{name}_raw", form) for form in forms), strict=True)
    return f"coalesce({', '.join(zoned)}) AS {name}_zoned, coalesce({', '.join(local)}) AS {name}_local"


def _reading(name: str, zone: str, readings: Readings) -> str:
    early, late, gap = readings(f"{name}_local", quoted(zone))
    return (
        f"coalesce({name}_zoned, {early}) AS {name}_begin, coalesce({name}_zoned, {late}) AS {name}_end, "
        f"{name}_zoned IS NULL AND coalesce({gap}, false) AS {name}_gap"
    )


def _unplugged(export: Export) -> str:
    """The readings of both ends. One day column for both is the plug-in's day: who left before then left the day after."""
    plugged = "plugged_begin AS plugged_early, plugged_end AS plugged_late"
    if "duration" in export.columns:
        span = "to_microseconds(CAST(round(duration_s * 1e6) AS BIGINT))"
        return f"{plugged}, plugged_begin + {span} AS unplugged_early, plugged_end + {span} AS unplugged_late"
    begin, end = export.columns["plugged_at"], export.columns.get("unplugged_at", ())
    if len(begin) > 1 and len(end) > 1 and begin[0] == end[0]:
        folded = "plugged_begin < plugged_end AND unplugged_begin < unplugged_end"
        over = f"CASE WHEN unplugged_end < plugged_begin AND NOT ({folded}) THEN INTERVAL 1 DAY ELSE INTERVAL 0 DAY END"
        return f"{plugged}, unplugged_begin + {over} AS unplugged_early, unplugged_end + {over} AS unplugged_late"
    return f"{plugged}, unplugged_begin AS unplugged_early, unplugged_end AS unplugged_late"


def _seconds(export: Export) -> str:
    if export.duration_unit in _DURATION_S:
        return f"({number('duration_text', export.decimal)}) * {_DURATION_S[export.duration_unit]}"
    shape, weights = _CLOCK_SHAPES[export.duration_unit]
    parts = " + ".join(
        f"CAST(regexp_extract(duration_text, {quoted(shape)}, {i}) AS DOUBLE) * {w}"
        for i, w in enumerate(weights, start=1)
    )
    return f"CASE WHEN regexp_matches(duration_text, {quoted(shape)}) THEN {parts} END"


def _doubtful(name: str, forms: Sequence[str]) -> str:
    """A sentence about a time that two formats read differently, or null."""
    each = [times.zoned_and_local(f"{name}_raw", form) for form in forms]
    read = ", ".join(f"coalesce(timezone('UTC', {zoned}), {local})" for zoned, local in each)
    told = f"list_distinct(list_filter([{read}], lambda r: r IS NOT NULL))"
    return (
        f"CASE WHEN len({told}) > 1 THEN concat('''', {name}_raw, ''' may be ', "
        f"array_to_string(list_sort({told}), ' or '), ' by the formats of the mapping, and nothing in the file tells which') END"
    )


def number(text: str, decimal: str) -> str:
    """SQL of a number with a decimal sign; the other sign, blanks and apostrophes may part the thousands."""
    other = "," if decimal == "." else "."
    thousands = rf"regexp_full_match({text}, '[+-]?\d{{1,3}}([ {other}''\x{{a0}}\x{{202f}}]\d{{3}})+([{decimal}]\d+)?')"
    plain = f"CASE WHEN {thousands} THEN regexp_replace({text}, '[ {other}''\\x{{a0}}\\x{{202f}}]', '', 'g') ELSE {text} END"
    if decimal == ",":
        plain = f"CASE WHEN NOT contains({plain}, '.') THEN replace({plain}, ',', '.') END"
    return (
        f"CASE WHEN isfinite(TRY_CAST(({plain}) AS DOUBLE)) THEN TRY_CAST(({plain}) AS DOUBLE) END"
    )


def _check(text: str, value: str, column: str, what: str) -> str:
    start, end = quoted(f"{column}: "), quoted(f" is not {what}")
    return f"CASE WHEN {text} IS NOT NULL AND {value} IS NULL THEN concat({start}, '''', left({text}, 80), '''', {end}) END"
