"""What a reader of frames does with parts that lack, times inside payloads, records that are broken, lines that repeat."""

from __future__ import annotations

import json
from typing import Any

import polars as pl
import pytest
from test_reader_and_guess import ANSWER, CALL, LINE, block, good, reader

from pipeline.doorway.frame_lines import Read
from pipeline.doorway.guess.entry import guess_entry

T = "2026-03-02T10:00:0{}Z"
PARTS = {"at": "t", "station_id": "s", "dir": "d", "type": "k", "id": "i", "action": "a", "payload": "p"}  # fmt: skip


def bad(read: Read) -> list[tuple[int, str]]:
    """Rejected lines with their reasons."""
    return [(line, reason) for line, reason in read.bad.select("line", "reject_reason").iter_rows()]


def in_parts(**changed: Any) -> str:
    """A record of JSON with a message in parts; None takes a field out."""
    usual = {
        "t": T.format(1),
        "s": "S",
        "d": "in",
        "k": "CALL",
        "i": "7",
        "a": "Heartbeat",
        "p": {},
    }
    return json.dumps({k: v for k, v in {**usual, **changed}.items() if v is not None})


@pytest.mark.parametrize(
    ("changed", "reason"),
    [
        ({}, None), ({"s": None}, "nothing names the station"), ({"k": "odd"}, "'odd' is no word of a kind of message: 2, CALL, "),
        ({"i": None}, "the frame has no message id"), ({"a": None}, "the call names no action"),
        ({"t": None}, "nothing tells its time"), ({"t": "noon"}, "'noon' is no time written ISO 8601 (2026-03-02T10:00:00Z)"),
        ({"s": None, "k": "odd"}, "nothing names the station"),
    ],
)  # fmt: skip
def test_a_record_that_cannot_be_a_frame_is_rejected_with_its_first_reason(
    changed: dict[str, Any], reason: str | None
) -> None:
    """What names it comes before what it says; a record without a payload holds no frame and is no fault."""
    by = reader(json=PARTS)
    read = by.lines(block(in_parts(**changed), in_parts(p=None)), last=True)
    assert read.quiet.to_list() == [2]
    if reason is None:
        assert (len(good(read)), bad(read)) == (1, [])
    else:
        [(line, told)] = bad(read)
        assert (line, told[: len(reason)], good(read)) == (1, reason, [])


def test_a_word_that_means_no_way_is_told_with_those_that_do() -> None:
    """Where both ways have their words; with one way's words any other is the other way."""
    both = reader(json={"at": "t", "station_id": "s", "dir": "d", "frame": "f"}, **{"in": "rx", "out": "tx"})  # fmt: skip
    lines = [json.dumps({"t": T.format(1), "s": "S", "d": d, "f": json.loads(CALL)}) for d in ("rx", "up", "tx")]  # fmt: skip
    read = both.lines(block(*lines), last=True)
    assert [row[1] for row in good(read)] == ["in", "out"]
    assert bad(read) == [(2, "'up' is no word of its direction: in is rx, out is tx")]
    one = reader(json={"at": "t", "station_id": "s", "dir": "d", "frame": "f"}, **{"in": "rx"})
    assert [row[1] for row in good(one.lines(block(*lines), last=True))] == ["in", "out", "out"]


def test_a_record_that_is_no_json_does_not_stop_the_next() -> None:
    """A line that begins as an object and never becomes one goes on until the next record; that is read."""
    by = reader(json={"at": "t", "station_id": "s", "dir": "d", "frame": "f"})
    made = json.dumps({"t": T.format(1), "s": "S", "d": "in", "f": json.loads(CALL)})
    read = by.lines(block(made, '{"t": oops}', made), last=True)
    assert len(good(read)) == 2
    assert [line for line, _ in bad(read)] == [2]


def test_the_time_inside_a_payload_stands_in() -> None:
    """Alone, or where the line's own cannot be read; a frame without any takes that of the one before it."""
    stamped = '[2,"7","StatusNotification",{"timestamp":"2026-03-02T10:00:05Z"}]'
    alone = reader(line="{station_id} {dir} {frame}", time_format="payload", **{"in": "<-", "out": "->"})  # fmt: skip
    read = alone.lines(block(f"S <- {stamped}", f"S <- {CALL}"), last=True)
    assert [row[2] for row in good(read)] == ["00:05", "00:05"]
    both = reader(line=LINE, time_format=["iso8601", "payload"], **{"in": "<-", "out": "->"})
    read = both.lines(block(f"{T.format(1)} S <- {stamped}"), last=True)
    assert [row[2] for row in good(read)] == ["00:01"]
    none = alone.lines(block(f"T -> {CALL}", first=9), last=True)
    assert [row[2] for row in good(none)] == ["00:05"]
    fresh = reader(line="{station_id} {dir} {frame}", time_format="payload", **{"in": "<-", "out": "->"})  # fmt: skip
    assert bad(fresh.lines(block(f"S <- {CALL}"), last=True)) == [
        (1, "the payload holds no time, and no frame before it does")
    ]


def test_a_year_is_told_by_the_payloads() -> None:
    """Of a line that names none; the days at a year's turn belong to the year that is nearest."""
    by = reader(line=LINE, time_format="%b %d %H:%M:%S", **{"in": "<-", "out": "->"})
    stamped = '[2,"7","StatusNotification",{"timestamp":"2026-01-01T00:00:05Z"}]'
    read = by.lines(block(f"Dec 31 23:59:58 S <- {CALL}", f"Jan 01 00:00:05 S <- {stamped}"), last=True)  # fmt: skip
    assert [json.loads(text)["at"][:19] for text in read.good["envelope"]] == [
        "2025-12-31T23:59:58", "2026-01-01T00:00:05",
    ]  # fmt: skip
    lone = reader(line=LINE, time_format="%b %d %H:%M:%S", **{"in": "<-", "out": "->"})
    [(_, told)] = bad(lone.lines(block(f"Dec 31 23:59:58 S <- {CALL}"), last=True))
    assert told.endswith("or nothing in the payloads tells its year")


def test_a_station_s_own_log_is_put_by_the_central_clock() -> None:
    """Its answers tell how far its clock is off: here a minute late."""
    by = reader(line=LINE, written_by="station", **{"in": "->", "out": "<-"})
    answer = ANSWER.replace("10:00:00Z", "10:01:00Z")
    read = by.lines(block(f"{T.format(0)} S -> {CALL}", f"{T.format(0)} S <- {answer}"), last=True)
    assert [row[2] for row in good(read)] == ["01:00", "01:00"]


def test_the_version_is_the_entry_s_or_left_to_the_frame() -> None:
    """In the envelope as it is given; null where the frame is to tell."""
    for given, told in (("1.6", "1.6"), ("2.0.1", "2.0.1"), ("from_frame", None)):
        by = reader(line=LINE, version=given, **{"in": "<-", "out": "->"})
        [row] = by.lines(block(f"{T.format(1)} S <- {CALL}"), last=True).good.rows(named=True)
        assert json.loads(row["envelope"])["version"] == told


def test_a_row_with_both_frames_is_one_line_and_two_envelopes() -> None:
    """The answer has the row's line and a mark of its own; a row whose call is wrong is rejected once."""
    columns = {"at": "t", "station_id": "s", "action": "a", "request": "q", "response": "r"}
    by = reader(cells=columns)
    cells = [[T.format(1), "S", "Heartbeat", "{}", '{"currentTime":"x"}'], [T.format(2), "S", "", "{}", "{}"],
             [T.format(3), "S", "Heartbeat", "", ""]]  # fmt: skip
    records = pl.DataFrame({"line": [2, 3, 4], "byte_offset": 0, "text": "", "span": 1, "cells": cells})  # fmt: skip
    read = by.rows(records.to_arrow(), tuple(columns.values()))
    assert [(row[1], row[3][0]) for row in good(read)] == [("in", 2), ("out", 3)]
    assert bad(read) == [(3, "it names no action")]
    assert read.quiet.to_list() == [4]


def test_a_record_over_several_lines_is_rejected_on_all_of_them() -> None:
    """A quoted cell may go on over lines: each of them is accounted for."""
    by = reader(cells={"at": "t", "station_id": "s", "dir": "d", "frame": "f"})
    records = pl.DataFrame({"line": [2], "byte_offset": 0, "text": "", "span": 3, "cells": [["noon", "S", "in", CALL]]})  # fmt: skip
    read = by.rows(records.to_arrow(), ("t", "s", "d", "f"))
    assert [line for line, _ in bad(read)] == [2, 3, 4]


def test_a_guess_looks_past_a_record_that_is_broken() -> None:
    """The first line of a file that was cut in the middle is no reason to know nothing; a whole array of records is read too."""
    rows = [
        {"when": T.format(i), "box": "CP-1", "msg": f'[2,"{i}","Heartbeat",{{}}]'} for i in range(6)
    ]
    text = '{"when": "2026", oops\n' + "\n".join(map(json.dumps, rows))
    found = guess_entry("a.jsonl", text)
    assert found is not None
    assert found.shape == "records of JSON, one message each"
    assert guess_entry("a.jsonl", '{"when": "2026", oops') is None
    deep = guess_entry("a.jsonl", "[" * 100_000)
    assert deep is None
