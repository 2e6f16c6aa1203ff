"""The statement that types the records of a CSV.

Derived from the declared header of its kind and the table it fills.
"""

from __future__ import annotations

from pipeline.core.line_numbers import FILE_STEP
from pipeline.doorway.kinds import TABLES, headers
from pipeline.ingest.sql import in_zone, quoted, real, unzoned, utc, whole
from pipeline.registry import Column, registry

# What a meter shows beyond its range: a reading like any other, and the usual one across a healthy
# diode. Practice.
_OVER_RANGE = "('OL', 'O.L', 'O.L.', '0L', '0.L', 'OPEN', 'INF', '∞')"
_WORDS = {"int": "a whole number", "float": "a number", "timestamp": "an ISO 8601 time"}
# Tables with a column for times that have no offset; elsewhere such a time is placed in the fleet's
# zone at once.
PLACED_LATER = ("raw_pilot", "raw_charging")
# Text columns that may be left blank and then say this
_DEFAULTS = {"diode_check": "'unknown'"}


def typed_query(kind: str, found: tuple[str, ...]) -> str:
    """SELECT over `_records` (line, byte_offset, text, span, cells, these stripped): the columns of the table
    that are given, and `line, byte_offset, span, reject_reason`; `text` only of what is rejected.

    `$fleet_zone` places unzoned times, except in tables that keep them for later.
    """
    place = {name: i for i, name in enumerate(found, start=1)}
    table = registry().table(TABLES[kind])
    given = {c.field.name: c.name for c in headers()[kind].columns if c.name in place}
    texts, typed, faults = [], [], []
    for column in table.columns:
        if column.field.name not in given:
            continue
        name = given[column.field.name]
        texts.append(f"nullif(cells[{place[name]}], '') AS t_{column.name}")
        typed.append(f"{_typed(column, later=table.name in PLACED_LATER)} AS {column.name}")
        faults.extend(_faults(column, name))
    count = f"len(cells) <> {len(found)}"
    checks = ", ".join(faults)
    reason = f"""CASE
        WHEN cells IS NULL THEN 'the quoting is broken'
        WHEN {count} THEN concat('has ', len(cells), ' values where the header has {len(found)}')
        ELSE nullif(concat_ws('; ', {checks}), '') END"""
    kept = [c.name for c in table.columns if c.field.name in given]
    if table.name in PLACED_LATER:
        typed.append(f"{_unzoned_list(table.columns)} AS unzoned")
        kept.append("unzoned")
    return f"""
        SELECT line, byte_offset, span, {", ".join(kept)}, reject_reason, CASE WHEN reject_reason IS NOT NULL THEN text END AS text
        FROM (SELECT *, {reason} AS reject_reason
              FROM (SELECT *, {", ".join(typed)} FROM (SELECT *, {", ".join(texts)} FROM _records)))"""


def insert_query(kind: str, found: tuple[str, ...]) -> str:
    """INSERT of the used rows of `_typed` into the kind's table; `$file_ids` are the files."""
    table = registry().table(TABLES[kind])
    given = {c.field.name for c in headers()[kind].columns if c.name in found}
    here = {c.name for c in table.columns if c.field.name in given}
    extra = {
        "file_id": f"list_extract($file_ids, (line // {FILE_STEP}) + 1)",
        "line": f"line % {FILE_STEP}",
        "unzoned": "unzoned" if table.name in PLACED_LATER else "NULL",
    }
    columns = [
        f"{_filled(c)} AS {c.name}"
        if c.name in here
        else f"{extra.get(c.name, _DEFAULTS.get(c.name, 'NULL'))} AS {c.name}"
        for c in table.columns
    ]
    return f"INSERT INTO {table.name} SELECT {', '.join(columns)} FROM _typed WHERE reject_reason IS NULL"


def _filled(column: Column) -> str:
    default = _DEFAULTS.get(column.name)
    return f"coalesce({column.name}, {default})" if default else column.name


def _typed(column: Column, *, later: bool) -> str:
    text = f"t_{column.name}"
    if column.field.type == "int":
        return whole(text)
    if column.field.type == "float":
        number = real(text)
        if column.field.unit == "ohm":
            return f"CASE WHEN upper({text}) IN {_OVER_RANGE} THEN CAST('inf' AS DOUBLE) ELSE {number} END"
        return number
    if column.field.type == "timestamp":
        if later:
            return utc(text)
        return f"CASE WHEN {unzoned(text)} THEN {in_zone(f'({utc(text)})', '$fleet_zone')} ELSE {utc(text)} END"
    return text


def _faults(column: Column, name: str) -> list[str]:
    """Expressions that each give a sentence about a bad value, or null."""
    text, value, field = f"t_{column.name}", column.name, column.field
    shown = f"concat({quoted(name + ': ')}, '''', left({text}, 80), '''"
    faults = []
    if not column.nullable and column.name not in _DEFAULTS:
        faults.append(f"CASE WHEN {text} IS NULL THEN {quoted(name + ' is blank')} END")
    if field.type in _WORDS:
        faults.append(
            f"CASE WHEN {text} IS NOT NULL AND {value} IS NULL THEN {shown} is not {_WORDS[field.type]}') END"
        )
    if field.values:
        allowed = ", ".join(quoted(v) for v in field.values)
        listed = quoted(f" is not one of {', '.join(field.values)}")
        faults.append(f"CASE WHEN {value} NOT IN ({allowed}) THEN concat({shown}'), {listed}) END")
    if field.name == "timezone":
        known = "(SELECT name FROM pg_timezone_names())"
        faults.append(
            f"CASE WHEN {value} NOT IN {known} THEN {shown} is not an IANA time zone') END"
        )
    for limit, sign, word in ((field.minimum, "<", "below"), (field.maximum, ">", "above")):
        if limit is not None:
            faults.append(
                f"CASE WHEN {value} {sign} {limit} THEN {shown} is {word} {limit:g}') END"
            )
    return faults


def _unzoned_list(columns: tuple[Column, ...]) -> str:
    """List of the table's time, where that is written without an offset."""
    name = next(c.name for c in columns if c.field.type == "timestamp")
    return f"CASE WHEN {unzoned(f't_{name}')} THEN ['{name}'] END"
