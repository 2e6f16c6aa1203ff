"""The statements that find a frame's parts on the lines of a log, in JSON or in the cells of a table."""

from __future__ import annotations

import re

from pipeline.core.line_numbers import FILE_STEP
from pipeline.core.sql import quoted
from pipeline.doorway.frames_entry import FramesEntry
from pipeline.doorway.pattern import Pattern

_INDENT = r"^[ \t]*"
_ESCAPES = r"\x1b\[[0-9;]*[A-Za-z]"
# Texts of SQL: signs to trim.
_BLANKS, _LINE_ENDS, _OUTER = "' \t\r\n'", "'\r\n'", "' \t\r\n,[]'"


def column(name: str) -> str:
    """A part's column: `at` and `type` are words of SQL."""
    return {"at": "at_text_raw", "dir": "word", "type": "kind_word", "id": "msg_id"}.get(name, name)


def _fields(names: tuple[str, ...], source: str = "m") -> str:
    return ", ".join(f"nullif({source}.{n}, '') AS {column(n)}" for n in names)


# An object of a record stands as far in as the first of its file; one further in belongs to the one around it.
INDENTS = rf"""SELECT line // {FILE_STEP} AS file, arg_min(length(regexp_extract(text, '^[ \t]*')), line) AS indent FROM _lines
               WHERE regexp_matches(text, '^[ \t]*(\[\s*)?\{{') GROUP BY 1"""


def heads_query(entry: FramesEntry, *, coloured: bool) -> str:
    """SELECT over `_lines`: `body` where a frame begins (else null), whether it closes on its line, and the parts before it."""
    clean = f"regexp_replace(text, {quoted(_ESCAPES)}, '', 'g')" if coloured else "text"
    if entry.json_ is not None:
        begins = r"^[ \t]*([\[,]\s*)?\{"
        outer = f"regexp_matches({clean}, {quoted(begins)}) AND length(regexp_extract({clean}, {quoted(_INDENT)})) = indent"
        body = f"CASE WHEN {outer} THEN ltrim({clean}, {_OUTER}) END"
        return f"""SELECT *, coalesce(inner_body LIKE '%}}', false) AS closed, false AS whole
                   FROM (SELECT *, rtrim(body, {_OUTER}) AS inner_body
                         FROM (SELECT line, byte_offset, text, {body} AS body
                               FROM _lines LEFT JOIN _indents ON line // {FILE_STEP} = file)) ORDER BY line"""
    pattern = entry.pattern
    last = "]" if pattern.body == "frame" else "}"
    if not pattern.head_only:
        got = _extract(clean, pattern.whole)
        return f"""SELECT line, byte_offset, text, nullif(m.{pattern.body}, '') AS body, true AS closed, true AS whole,
                       {_fields(pattern.named)}
                   FROM (SELECT line, byte_offset, text, {got} AS m FROM _lines)"""
    got = _extract("clean", pattern.head)
    rest = "clean[length(m.head) + 1:]"
    cut = (
        f"coalesce(nullif(regexp_extract({rest}, {quoted(pattern.tail)}, 1), ''), {rest})"
        if pattern.tail
        else rest
    )
    onward_got, onward_columns = _more(entry.onward)
    parts = f", {_fields(pattern.named)}" if pattern.named else ""
    ends = f"coalesce(rtrim(body, {_BLANKS}) LIKE '%{last}', false)"
    asked = "true" if entry.onward else f"NOT {ends}"
    return f"""
        SELECT *, {ends} AS closed, CASE WHEN {asked} THEN coalesce(json_valid(body), false) ELSE false END AS whole
        FROM (SELECT line, byte_offset, text, CASE WHEN m.mark <> '' THEN {cut} END AS body{parts}{onward_columns}
              FROM (SELECT *, {got} AS m{onward_got} FROM (SELECT line, byte_offset, text, {clean} AS clean FROM _lines)))"""


def _extract(text: str, regex: str) -> str:
    """SQL of a struct of an expression's named groups; DuckDB takes the names in the order of the groups."""
    names = ", ".join(quoted(name) for name in re.findall(r"\(\?P<(\w+)>", regex))
    return f"regexp_extract({text}, {quoted(regex)}, [{names}])"


def _more(onward: Pattern | None) -> tuple[str, str]:
    """What is extracted of a line on which a frame goes on, and its columns."""
    if onward is None:
        return "", ""
    got = _extract(f"rtrim(clean, {_BLANKS})", onward.onward)
    station = ", nullif(o.station_id, '') AS more_station" if "station_id" in onward.named else ""
    return (
        f", {got} AS o",
        f", CASE WHEN o.mark <> '' THEN rtrim(clean[length(o.head) + 1:], {_LINE_ENDS}) END AS more{station}",
    )


def json_path(dotted: str) -> str:
    """A dotted path as JSON path: `meta.id`, `items[0].id`, and a name with a dot in it in quotes."""
    pieces = re.findall(r'"[^"]*"|\[\d+\]|[^.\[\]"]+', dotted.removeprefix("$."))
    return "$" + "".join(p if p.startswith("[") else f'."{p.strip(chr(34))}"' for p in pieces)


def json_query(entry: FramesEntry) -> str:
    """SELECT over `_objects`: the parts that the entry's paths name."""
    named = entry.json_ or {}
    paths = ", ".join(quoted(json_path(path)) for path in named.values())
    fields = ", ".join(f"f[{i}] AS {column(name)}" for i, name in enumerate(named, start=1))
    body = f"rtrim(body, {_OUTER})"
    return f"""SELECT line, byte_offset, text, lines, f IS NULL AS broken, {fields}
               FROM (SELECT *, TRY(json_extract_string({body}, [{paths}])) AS f FROM _objects)"""


def cells_query(entry: FramesEntry, found: tuple[str, ...]) -> str:
    """SELECT over `_records`: the parts that the entry's columns name."""
    named = entry.cells or {}
    fields = ", ".join(
        f"nullif(trim(cells[{found.index(theirs) + 1}], {_BLANKS}), '') AS {column(name)}"
        for name, theirs in named.items()
    )
    odd = f"cells IS NULL OR len(cells) <> {len(found)}"
    reason = f"""CASE WHEN cells IS NULL THEN 'the quoting is broken'
                      WHEN {odd} THEN concat('has ', len(cells), ' values where the header has {len(found)}') END"""
    return f"""SELECT line, byte_offset, text, CASE WHEN span > 1 THEN range(line, line + span) END AS lines,
                   {reason} AS cell_reason, {fields} FROM _records"""
