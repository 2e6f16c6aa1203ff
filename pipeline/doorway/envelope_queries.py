"""The statements that make our envelope of a frame's parts: its array, direction, times, and why it cannot be made."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.core.line_numbers import ANSWER_STEP, FILE_STEP
from pipeline.core.sql import quoted
from pipeline.doorway import times
from pipeline.doorway.frames_entry import FramesEntry
from pipeline.doorway.part_queries import column

# A frame inside a quoted text: the quotes of its message id are escaped.
_ESCAPED = r'^\[\s*\d+\s*,\s*\\"'
# Texts of SQL: signs to trim.
_BLANKS = "' \t\r\n'"
_HEADED = r'^\s*\[\s*(?P<kind>\d+)\s*,\s*"(?P<id>(?:[^"\\]|\\.)*)"\s*,\s*(?:"(?P<action>[A-Za-z0-9]*)"|(?P<answer>\{.{0,400}))?'


def composed_query(entry: FramesEntry, have: set[str], stations: Sequence[str]) -> str:
    """SELECT over `_parts`: `frame` as an array's text (null: none), `station_id`, `way`, `at`, its times, and `reason`."""

    def part(name: str) -> str:
        return column(name) if column(name) in have else "CAST(NULL AS VARCHAR)"

    both = [times.zoned_and_local("written_at", form) for form in entry.forms]
    zoned = [z for z, _ in both] or ["CAST(NULL AS TIMESTAMPTZ)"]
    local = [t for _, t in both] or ["CAST(NULL AS TIMESTAMP)"]
    way = _way(entry, part("dir")) if part("dir") in have else "CAST(NULL AS VARCHAR)"
    base = f"""
        SELECT line, byte_offset, text, lines, coalesce({part("station_id")}, {_of_file(stations)}) AS station_id,
            {way} AS way, {part("dir")} AS said, {part("at")} AS written_at,
            {"cell_reason" if "cell_reason" in have else "CAST(NULL AS VARCHAR)"} AS cell_reason,
            {"broken" if "broken" in have else "false"} AS broken,
            %s AS frame, %s AS compose_reason FROM _parts"""
    selects = [base % made for made in _bodies(entry, have)]
    if entry.cells or entry.json_:
        selects = [
            selects[0],
            *(
                s.replace("SELECT line,", f"SELECT line + {ANSWER_STEP} AS line,", 1)
                for s in selects[1:]
            ),
        ]
    said = "left(said, 60)"
    reason = f"""CASE WHEN cell_reason IS NOT NULL THEN cell_reason
        WHEN broken THEN 'not a JSON value'
        WHEN frame IS NULL AND compose_reason IS NULL THEN NULL
        WHEN station_id = '' THEN 'nothing names the station'
        WHEN compose_reason IS NOT NULL THEN compose_reason
        WHEN {_unknown_way(entry)}
            THEN concat('''', {said}, ''' is no word of its direction: ', {quoted(_way_words(entry))}) END"""
    return f"""SELECT line, line // {FILE_STEP} AS file, byte_offset, text, lines, station_id, way, written_at, frame,
                   {reason} AS reason,
                   coalesce({", ".join(zoned)}) AS at_zoned, coalesce({", ".join(local)}) AS at_local
               FROM ({" UNION ALL ".join(selects)}) ORDER BY line"""


def _of_file(stations: Sequence[str]) -> str:
    """SQL of the station that a file's name tells."""
    if not any(stations):
        return "''"
    return f"list_extract([{', '.join(map(quoted, stations))}], line // {FILE_STEP} + 1)"


def _way_words(entry: FramesEntry) -> str:
    return (
        f"in is {', '.join(entry.in_) or 'any other'}, out is {', '.join(entry.out) or 'any other'}"
    )


def _way(entry: FramesEntry, said: str) -> str:
    """SQL of the direction a word means, null where none does."""

    def any_of(words: tuple[str, ...]) -> str:
        return ", ".join(quoted(" ".join(word.split())) for word in words)

    plain = f"regexp_replace(trim({said}), '\\s+', ' ', 'g')"
    if entry.in_ and entry.out:
        return f"CASE WHEN {plain} IN ({any_of(entry.in_)}) THEN 'in' WHEN {plain} IN ({any_of(entry.out)}) THEN 'out' END"
    if entry.in_ or entry.out:
        named, other = ("in", "out") if entry.in_ else ("out", "in")
        known = any_of(entry.in_ or entry.out)
        return f"CASE WHEN {said} IS NULL THEN NULL WHEN {plain} IN ({known}) THEN '{named}' ELSE '{other}' END"
    return f"CASE WHEN lower({plain}) IN ('in', 'out') THEN lower({plain}) END"


def _unknown_way(entry: FramesEntry) -> str:
    """SQL that is true where a word was said and means no direction."""
    return "way IS NULL AND said IS NOT NULL" if entry.in_ and entry.out else "false"


def _bodies(entry: FramesEntry, have: set[str]) -> list[tuple[str, str]]:
    """SQL of a frame's array and of why it cannot be made, for each frame that a row holds."""
    none = "CAST(NULL AS VARCHAR)"
    if "request" in have:
        key = (
            "concat(coalesce(msg_id, concat(at_text_raw, '/', action)))"
            if "msg_id" in have
            else "concat(at_text_raw, '/', action)"
        )
        broken = _no_object("request")
        nameless = "CASE WHEN request IS NOT NULL AND action IS NULL THEN 'it names no action' END"
        reason = f"coalesce({broken}, {_no_object('response')}, {nameless})"
        call = f"CASE WHEN request IS NOT NULL THEN concat('[2,', to_json({key}), ',', to_json(action), ',', request, ']') END"
        both = f"response IS NOT NULL AND request IS NOT NULL AND ({reason}) IS NULL"
        answer = f"CASE WHEN {both} THEN concat('[3,', to_json({key}), ',', response, ']') END"
        return [(call, reason), (answer, none)]
    if "frame" in have:
        return [(_unquoted("frame"), none)]
    body = "body" if "body" in have and "payload" not in have else "payload"
    if "kind_word" not in have:
        return [(_unquoted(body), none)]
    action = "action" if "action" in have else none
    identity = "msg_id" if "msg_id" in have else none
    kind = _kind(entry)
    made = f"""CASE WHEN {body} IS NULL THEN NULL
        WHEN ltrim({body}) LIKE '[%' THEN {body}
        WHEN {kind} = '2' THEN concat('[2,', to_json({identity}), ',', to_json({action}), ',', {body}, ']')
        WHEN {kind} = '3' THEN concat('[3,', to_json({identity}), ',', {body}, ']')
        WHEN {kind} = '4'
            THEN concat('[4,', to_json({identity}), ',', to_json(coalesce({action}, 'GenericError')), ',"",', {body}, ']') END"""
    words = quoted(", ".join(_all_types(entry)))
    reason = f"""CASE WHEN {body} IS NULL OR ltrim({body}) LIKE '[%' THEN NULL
        WHEN {kind} IS NULL THEN concat('''', left(coalesce(kind_word, ''), 60), ''' is no word of a kind of message: ', {words})
        WHEN {identity} IS NULL THEN 'the frame has no message id'
        WHEN {kind} = '2' AND {action} IS NULL THEN 'the call names no action' END"""
    return [(made, reason)]


def _unquoted(frame: str) -> str:
    """SQL of a frame that stands in a quoted text with its own quotes escaped: as it was; any other as it is."""
    escaped = f"regexp_matches({frame}, {quoted(_ESCAPED)})"
    text = f"""concat('"', rtrim({frame}, {_BLANKS}), '"')"""
    return f"CASE WHEN {escaped} THEN coalesce(TRY(json_extract_string({text}, '$')), {frame}) ELSE {frame} END"


def _no_object(name: str) -> str:
    """SQL of a sentence about a cell that is no JSON object, or null."""
    good = f"json_valid({name}) AND {name} LIKE '{{%'"
    return f"CASE WHEN {name} IS NOT NULL AND NOT ({good}) THEN 'its {name} is no JSON object' END"


def _all_types(entry: FramesEntry) -> tuple[str, ...]:
    return (*entry.type.call, *entry.type.result, *entry.type.error)


def _kind(entry: FramesEntry) -> str:
    """SQL of the message type a word means."""
    branches = " ".join(
        f"WHEN trim(kind_word) IN ({', '.join(map(quoted, words))}) THEN '{number}'"
        for number, words in (
            ("2", entry.type.call),
            ("3", entry.type.result),
            ("4", entry.type.error),
        )
    )
    return f"(CASE {branches} END)"


def frame_heads_query() -> str:
    """SELECT over `_framed`: message type, id, action of a call and the beginning of an answer, from each frame's first signs."""
    return f"""SELECT line & ~CAST({ANSWER_STEP} AS BIGINT) AS line, station_id, way,
                   nullif(m.kind, '') AS kind, nullif(m.id, '') AS id,
                   nullif(m.action, '') AS action, nullif(m.answer, '') AS answer
               FROM (SELECT *, regexp_extract(frame, {quoted(_HEADED)}, ['kind', 'id', 'action', 'answer']) AS m FROM _framed)"""


def payload_time_query() -> str:
    """SELECT over `_framed`: the time inside each frame's payload, with an offset and without."""
    paths = (
        "$[3].timestamp",
        "$[3].meterValue[0].timestamp",
        "$[3].generatedAt",
        "$[2].currentTime",
    )
    zoned, local = times.zoned_and_local("inside", times.ISO)
    listed = ", ".join(map(quoted, paths))
    return f"""SELECT line, {zoned} AS inside_utc, {local} AS inside_local
               FROM (SELECT line, coalesce(f[1], f[2], f[3], f[4]) AS inside
                     FROM (SELECT line, TRY(json_extract_string(frame, [{listed}])) AS f FROM _framed))"""


def envelope_query(entry: FramesEntry) -> str:
    """SELECT over `_framed`: OUT_SCHEMA, the envelope as a text."""
    version = "null" if entry.version == "from_frame" else f'"{entry.version}"'
    return f"""SELECT line, byte_offset, text,
                   concat('{{"at":"', at_text, '","station_id":', to_json(station_id), ',"dir":"', way,
                          '","version":{version},"frame":', frame, '}}') AS envelope, lines
               FROM _framed"""
