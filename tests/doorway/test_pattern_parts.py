"""A pattern finds the parts of a line: words before the frame, the frame, words after it; alone and asked of a block of lines."""

from __future__ import annotations

import re
from typing import Any

import duckdb
import polars as pl
import pytest

from pipeline.core.line_numbers import FILE_STEP
from pipeline.doorway import times
from pipeline.doorway.frames_entry import FramesEntry
from pipeline.doorway.part_queries import INDENTS, heads_query
from pipeline.doorway.pattern import Words, compiled

T = "2026-03-02T10:00:01Z"
CALL, ANSWER = '[2,"7","Heartbeat",{}]', '[3,"7",{"a":[1]}]'
WORDS = Words(("received from", "sent to", "in"), ("CALL", "CALLRESULT"))


@pytest.mark.parametrize(
    ("pattern", "line", "parts"),
    [
        ("{at} {station_id} {dir} {frame}", f"{T} S1 in {CALL}", {"at": T, "station_id": "S1", "dir": "in", "frame": CALL}),
        ("{at} {station_id} {dir} {frame}", f"{T} \t S1  received   from {CALL}",
         {"at": T, "station_id": "S1", "dir": "received   from", "frame": CALL}),
        ("{station_id}/{dir}: {frame} at {at}", f"S1/in: {CALL} at {T}", {"at": T, "station_id": "S1", "dir": "in", "frame": CALL}),
        ("{at} {*} {station_id}: {frame}", f"{T} a b c S1: {CALL}", {"at": T, "station_id": "S1", "frame": CALL}),
        ("{at} {*} {station_id}: {frame}", f"{T} S1: {CALL}", {"at": T, "station_id": "S1", "frame": CALL}),
        ("{at} a{*}b {station_id}: {frame}", f"{T} a-x-b S1: {CALL}", {"at": T, "station_id": "S1", "frame": CALL}),
        ("{at} {{x}} {station_id} {frame}", f"{T} {{x}} S1 {CALL}", {"at": T, "station_id": "S1", "frame": CALL}),
        ("{at} (.*) {station_id} {frame}", f"{T} (.*) S1 {CALL}", {"at": T, "station_id": "S1", "frame": CALL}),
        ("{at} {station_id} {type} {id} {action} {payload}", f'{T} S1 CALL 7 Reset {{"a":{{}}}}',
         {"at": T, "station_id": "S1", "type": "CALL", "id": "7", "action": "Reset", "payload": '{"a":{}}'}),
        ("{at} {station_id} {type} {id} {action} {payload}", f"{T} S1 CALLRESULT 7 {{}}",
         {"at": T, "station_id": "S1", "type": "CALLRESULT", "id": "7", "action": None, "payload": "{}"}),
        ("{at} {station_id} {type} {id} {payload} end", f"{T} S1 CALLRESULT 7 {{}} end",
         {"at": T, "station_id": "S1", "type": "CALLRESULT", "id": "7", "payload": "{}"}),
        ("{at} '{station_id}' {frame}", f"{T} 'bay 7' {CALL}", {"at": T, "station_id": "bay 7", "frame": CALL}),
        ("{frame} {station_id} {*} {at}", f"{CALL} S1 x y {T}", {"at": T, "station_id": "S1", "frame": CALL}),
        ("{frame} {*} {station_id} {at}", f"{CALL} S1 {T}", {"at": T, "station_id": "S1", "frame": CALL}),
        ("{frame} {*} {station_id} {at}", f"{CALL} x S1 {T}", {"at": T, "station_id": "S1", "frame": CALL}),
    ],
)  # fmt: skip
def test_parts_of_a_line(pattern: str, line: str, parts: dict[str, str | None]) -> None:
    """Blanks are any run of them; what stands between blanks as `{*}` and a result's action may be missing; braces doubled are meant."""
    asked = compiled(pattern, (times.ISO,), WORDS)
    found = re.search(asked.whole, line)
    assert found is not None
    assert found.groupdict() == parts
    assert set(asked.named) == set(parts) - {"frame", "payload"}


@pytest.mark.parametrize(
    ("pattern", "line"),
    [
        ("{at} {station_id} {frame}", f"noon S1 {CALL}"), ("{at} {station_id} {frame}", f"{T} S 1 {CALL}"),
        ("{at} {station_id} {dir} {frame}", f"{T} S1 out {CALL}"), ("{at} {station_id} {type} {id} {payload}", f"{T} S1 Call 7 {{}}"),
        ("{at} {station_id} {frame} end", f"{T} S1 {CALL}"), ("{at} (.*) {station_id} {frame}", f"{T} (ab) S1 {CALL}"),
        ("{at} {station_id} {type} {id} {action} {payload}", f"{T} S1 CALL 7 a-b {{}}"), ("{at} {station_id} {frame}", f" {T} S1 {CALL}"),
        ("{at} {station_id} {frame}", f"{T} S1 {{}}"), ("{at} {{x}} {station_id} {frame}", f"{T} {{{{x}}}} S1 {CALL}"),
    ],
)  # fmt: skip
def test_lines_that_are_not_of_the_pattern(pattern: str, line: str) -> None:
    """No time, a blank in an id, a word of neither way or kind, words that lack or differ, an action that is none."""
    assert not re.search(compiled(pattern, (times.ISO,), WORDS).whole, line)


def test_without_words_any_word_will_do() -> None:
    """Of the direction, also several words; of the kind of message one."""
    free = compiled("{at} {station_id} {dir} - {type} {id} {payload}", (times.ISO,), Words())
    found = re.search(free.whole, f"{T} S1 came from afar - C 7 {{}}")
    assert found is not None
    assert (found["dir"], found["type"]) == ("came from afar", "C")


def test_a_time_of_the_payload_leaves_the_line_s_own_free() -> None:
    """Where only the payload's time counts, what stands for the line's may be any word; where a format is given too, it is that."""
    free = compiled("{at} {station_id} {frame}", (times.PAYLOAD,), Words())
    assert re.search(free.whole, f"#17 S1 {CALL}")
    both = compiled("{at} {station_id} {frame}", ("epoch_s", times.PAYLOAD), Words())
    assert not re.search(both.whole, f"#17 S1 {CALL}")
    assert re.search(both.whole, f"1772445600 S1 {CALL}")


def test_whether_a_named_part_follows_the_frame() -> None:
    """Only then the whole line has to be matched; words, braces that are meant and gaps need none of it."""
    made = {text: compiled(text, (times.ISO,), Words()).head_only
            for text in ("{at} {frame}", "{at} {frame} end", "{at} {frame} {*}", "{at} {frame} {{x}}", "{frame} {at}",
                         "{frame} x {at} y")}  # fmt: skip
    assert list(made.values()) == [True, True, True, True, False, False]


def entry(line: str | None = None, **keys: Any) -> FramesEntry:
    """An entry of lines with both ways' words, or of JSON."""
    return FramesEntry.model_validate({"file": "{station_id}.log", "line": line, **keys})


def heads(asked: FramesEntry, *lines: str, coloured: bool = False) -> list[dict[str, Any]]:
    """What the statement finds on the lines of a block."""
    con = duckdb.connect()
    rows = pl.DataFrame({"line": range(1, 1 + len(lines)), "byte_offset": range(len(lines)), "text": list(lines)})  # fmt: skip
    con.register("_lines", rows.to_arrow())
    if asked.json_ is not None:
        con.register("_indents", con.sql(INDENTS).to_arrow_table())
    found = con.sql(heads_query(asked, coloured=coloured)).pl()
    assert found["text"].to_list() == list(lines)
    return found.drop("line", "byte_offset", "text").to_dicts()


def test_a_line_s_frame_and_whether_it_ends_there() -> None:
    """`closed` where its last sign is a frame's, which need not end it; `whole` is asked of JSON only where that sign lacks."""
    asked = entry("{at} {frame}")
    bodies = [CALL, '[2,"7",', '[2,"7",{}] ', CALL + " and more"]
    found = heads(
        asked, *(f"{T} {body}" for body in bodies), "chatter", f"{T} [no frame]", f"{T} ["
    )
    assert [(r["body"], r["closed"], r["whole"]) for r in found] == [
        (CALL, True, False), ('[2,"7",', False, False), ('[2,"7",{}] ', True, False), (CALL + " and more", False, False),
        (None, False, False), (None, False, False), ("[", False, False),
    ]  # fmt: skip
    assert {r["at_text_raw"] for r in found} == {T, None}


def test_words_after_a_frame_are_cut_off() -> None:
    """Where they stand; a frame without them is left as it is, to go on below."""
    found = heads(
        entry("{at} {frame} done {*}"), f"{T} {CALL} done 7", f'{T} [2,"7",', f"{T} {CALL}"
    )
    assert [(r["body"], r["closed"]) for r in found] == [(CALL, True), ('[2,"7",', False), (CALL, True)]  # fmt: skip


def test_parts_after_a_frame_have_the_whole_line_matched() -> None:
    """Such a frame is whole on its line or is none."""
    found = heads(entry("{frame} at {at}"), f"{CALL} at {T}", f"{CALL}", '[2,"7", at noon')
    assert [(r["body"], r["closed"], r["whole"], r["at_text_raw"]) for r in found] == [
        (CALL, True, True, T), (None, True, True, None), (None, True, True, None),
    ]  # fmt: skip


def test_a_message_in_parts_ends_with_a_brace() -> None:
    """Its payload is an object; the parts have columns of their own."""
    [one, other] = heads(
        entry("{at} {type} {id} {action} {payload}"), f'{T} CALL 7 Reset {{"a":1}}', f"{T} CALLRESULT 8 {{"
    )  # fmt: skip
    assert one == {"body": '{"a":1}', "closed": True, "whole": False, "at_text_raw": T, "kind_word": "CALL", "msg_id": "7",
                   "action": "Reset"}  # fmt: skip
    assert (other["body"], other["closed"], other["action"]) == ("{", False, None)


def test_lines_on_which_a_frame_goes_on() -> None:
    """By a pattern of their own: what they add, line ends but not blanks off, and their station.

    Each head is asked whether it is whole JSON.
    """
    asked = FramesEntry.model_validate(
        {
            "file": "a.log",
            "line": "{at} {station_id} {frame}",
            "more": "{at} {station_id} .. {frame}",
        }
    )
    found = heads(asked, f"{T} S1 {CALL}", f'{T} S1 [2,"7",', f"{T} S1 .. {{}}] \r\n", "chatter")
    assert [(r["body"], r["whole"], r["more"], r["more_station"]) for r in found] == [
        (CALL, True, None, None), ('[2,"7",', False, None, None), (None, False, "{}] ", "S1"), (None, False, None, None),
    ]  # fmt: skip
    alone = entry("{at} {frame}", more="{at} .. {frame}")
    assert "more_station" not in heads(alone, f"{T} {CALL}")[0]


def test_a_terminal_s_colours_are_taken_out_where_asked() -> None:
    """ECMA-48's escapes, from memory."""
    [found] = heads(entry("{at} {frame}"), f"\x1b[1;32m{T}\x1b[0m {CALL}", coloured=True)
    assert (found["at_text_raw"], found["body"]) == (T, CALL)
    assert heads(entry("{at} {frame}"), f"\x1b[1;32m{T}\x1b[0m {CALL}")[0]["body"] is None


def test_objects_of_a_record_stand_as_far_in_as_the_first() -> None:
    """One further in belongs to the one around it; commas and brackets of a list around them are off."""
    asked = FramesEntry.model_validate({"file": "a.log", "json": {"at": "t", "station_id": "s", "frame": "f"}})  # fmt: skip
    found = heads(asked, "[", '  {"t":1},', '  {"t":', '    {"x":1}}', '  , {"t":2}', "]")
    assert [(r["body"], r["inner_body"], r["closed"]) for r in found] == [
        (None, None, False), ('{"t":1},', '{"t":1}', True), ('{"t":', '{"t":', False), (None, None, False), ('{"t":2}', '{"t":2}', True),
        (None, None, False),
    ]  # fmt: skip
    assert not any(r["whole"] for r in found)


def test_each_file_of_a_block_has_its_own_indent() -> None:
    """The first object of each tells it."""
    con = duckdb.connect()
    rows = pl.DataFrame({"line": [1, 2, FILE_STEP + 1, FILE_STEP + 2], "text": ["    {", "  {", "[ {", "\t{"]})  # fmt: skip
    con.register("_lines", rows.to_arrow())
    assert sorted(con.sql(INDENTS).fetchall()) == [(0, 4), (1, 0)]
