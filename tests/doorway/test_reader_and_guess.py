"""Blocks of a log as our envelope, and the entry that is proposed for a file, both without a delivery around them."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import duckdb
import polars as pl
import pyarrow as pa
import pytest

from pipeline.doorway.frame_lines import FrameReader, Read
from pipeline.doorway.frames_entry import FramesEntry, Types
from pipeline.doorway.guess.entry import guess_entry
from pipeline.doorway.mapping import Mapping as Told
from pipeline.doorway.mapping import parse

CALL, ANSWER = '[2,"7","Heartbeat",{}]', '[3,"7",{"currentTime":"2026-03-02T10:00:00Z"}]'


class InMemory:
    """Asks queries of a database in memory."""

    def __init__(self) -> None:
        """Times are UTC."""
        self.con = duckdb.connect()
        self.con.execute("SET TimeZone = 'UTC'")

    @contextmanager
    def seeing(self, **tables: pa.Table) -> Iterator[None]:
        """The tables, under their names, for the queries within."""
        for name, table in tables.items():
            self.con.register(name, table)
        yield

    def table(self, select: str, given: Mapping[str, object] | None = None) -> pa.Table:
        """A query's rows."""
        return self.con.sql(select, params=given).to_arrow_table()


def reader(stations: list[str] | None = None, **keys: Any) -> FrameReader:
    """A reader of one file."""
    usual = {"file": "*.log", "timezone": "UTC"}
    return FrameReader(FramesEntry.model_validate({**usual, **keys}), stations or [""], InMemory())


def block(*lines: str, first: int = 1) -> pa.Table:
    """Lines of a block, numbered."""
    return pl.DataFrame(
        {"line": range(first, first + len(lines)), "byte_offset": range(len(lines)), "text": list(lines)},
        schema_overrides={"text": pl.String},
    ).to_arrow()  # fmt: skip


def good(read: Read) -> list[tuple[Any, ...]]:
    """Station, way, minute and second, and frame of each envelope, with the lines it stood on."""
    rows = [(json.loads(text), lines) for text, lines in read.good.select("envelope", "lines").iter_rows()]  # fmt: skip
    return [(e["station_id"], e["dir"], e["at"][14:19], e["frame"], lines) for e, lines in rows]


LINE = "{at} {station_id} {dir} {frame}"


def test_lines_are_envelopes_chatter_or_rejected() -> None:
    """A frame a line, its words read by the entry; what looks like a frame and does not fit is told; the rest is chatter."""
    by = reader(line=LINE, **{"in": ["<-"], "out": ["->"]})
    read = by.lines(
        block(f"2026-03-02T10:00:01Z S <- {CALL}", "started", f"2026-03-02T10:00:02Z S -> {ANSWER}",
              'odd [2,"8","Reset",{}]', 'soon S <- [2,"9","Reset",{}]'),
        last=True,
    )  # fmt: skip
    assert good(read) == [
        ("S", "in", "00:01", json.loads(CALL), None), ("S", "out", "00:02", json.loads(ANSWER), None),
    ]  # fmt: skip
    assert read.bad["line"].to_list() == [4, 5]
    assert read.quiet.to_list() == [2]
    assert read.heads.to_list() == [1, 3]


def test_a_frame_over_lines_goes_on_into_the_next_block() -> None:
    """Its envelope stands on all its lines; what never closes is cut."""
    by = reader(line=LINE, **{"in": ["<-"], "out": ["->"]})
    first = by.lines(block("2026-03-02T10:00:01Z S <- [2,", '"7",'), last=False)
    assert (good(first), first.quiet.to_list(), first.bad.height) == ([], [], 0)
    cut = "2026-03-02T10:00:02Z S <- [2,"
    second = by.lines(block('"Heartbeat", {}]', "words", cut, first=3), last=True)
    assert good(second) == [("S", "in", "00:01", json.loads(CALL), [1, 2, 3])]
    assert second.bad.select("line", "text", "reject_reason").rows() == [
        (5, cut, "the frame is cut off: its JSON never closes")
    ]
    assert second.quiet.to_list() == [4]


def test_objects_and_cells_give_the_same_frames() -> None:
    """JSON by paths and a table by columns; a station by the file's name; a direction by the action where no word tells it."""
    made = [
        {"t": "2026-03-02T10:00:01Z", "m": json.loads(CALL)},
        {"t": "2026-03-02T10:00:02Z", "m": json.loads(ANSWER)},
    ]
    by_path = reader(["S"], file="{station_id}.json", json={"at": "t", "frame": "m"})
    want = [("S", "in", "00:01", json.loads(CALL), None), ("S", "out", "00:02", json.loads(ANSWER), None)]  # fmt: skip
    assert good(by_path.lines(block(*map(json.dumps, made)), last=True)) == want
    printed = reader(["S"], file="{station_id}.json", json={"at": "t", "frame": "m"})
    text = json.dumps(made, indent=1).splitlines()
    assert [row[:4] for row in good(printed.lines(block(*text), last=True))] == [
        row[:4] for row in want
    ]
    cells = reader(["S"], file="{station_id}.csv", cells={"at": "When", "frame": "What"})
    records = pl.DataFrame(
        {"line": [2, 3, 4], "byte_offset": [0, 1, 2], "text": "", "span": 1,
         "cells": [[one["t"], json.dumps(one["m"])] for one in made] + [["x"]]},
    )  # fmt: skip
    read = cells.rows(records.to_arrow(), ("When", "What"))
    assert good(read) == want
    assert read.bad.select("line", "reject_reason").rows() == [(4, "has 1 values where the header has 2")]  # fmt: skip


def test_colours_of_a_terminal_are_no_part_of_a_line() -> None:
    """Escapes are taken out where a block holds some (ECMA-48, from memory)."""
    by = reader(line=LINE, **{"in": ["<-"], "out": ["->"]})
    read = by.lines(block(f"\x1b[32m2026-03-02T10:00:01Z\x1b[0m S <- {CALL}"), last=True)
    assert [row[:3] for row in good(read)] == [("S", "in", "00:01")]


def test_two_stations_by_turns_on_lines_that_go_on() -> None:
    """Each line names its station: each frame is its own station's, on its own lines."""
    by = reader(line=LINE, more="{at} {station_id} .. {frame}", **{"in": ["<-"], "out": ["->"]})
    times = [f"2026-03-02T10:00:0{n}Z" for n in range(4)]
    read = by.lines(
        block(
            f"{times[0]} S <- [2,",
            f"{times[1]} T <- [2,",
            f'{times[2]} S .. "7","Heartbeat",{{}}]',
            f'{times[3]} T .. "8","Heartbeat",{{}}]',
        ),
        last=True,
    )
    assert [(row[0], row[3][1], row[4]) for row in good(read)] == [
        ("S", "7", [1, 3]), ("T", "8", [2, 4]),
    ]  # fmt: skip


def mapping_of(name: str, text: str, encoding: str = "utf-8") -> tuple[str, str, tuple[str, ...]]:
    """Shape, mapping and what a person must say, of a guess that can be read as a mapping."""
    found = guess_entry(name, text, encoding)
    assert found is not None
    assert isinstance(parse(found.mapping), Told), found.mapping
    return found.shape, found.mapping, found.missing


ZONE = "timezone, if its times are not in the zone of the site (evses.csv) and carry no offset"


def messages() -> list[dict[str, str]]:
    """Calls and answers of two stations by turns."""
    return [
        {"when": f"2026-03-02 10:00:{i:02d}", "box": f"CP-{i // 2 % 2}", "way": "rx" if i % 2 == 0 else "tx",
         "msg": f'[2,"{i}","Heartbeat",{{}}]' if i % 2 == 0 else f'[3,"{i - 1}",{{}}]'}
        for i in range(24)
    ]  # fmt: skip


def test_the_entry_of_records_of_json() -> None:
    """Parts by path, the directions' words; numbers of a file's name are left open, packing's ending is off."""
    text = "\n".join(json.dumps(one) for one in messages())
    shape, made, missing = mapping_of("day-2026-03-02.jsonl.gz", text)
    assert shape == "records of JSON, one message each"
    assert made == (
        'frames:\n  - file: "day-*-*-*.jsonl"\n    json: {at: "when", dir: "way", station_id: "box", frame: "msg"}\n'
        '    in: ["rx"]\n    out: ["tx"]\n'
    )
    assert missing == (ZONE,)
    whole = json.dumps(messages(), indent=1)
    assert mapping_of("day.json", whole)[1].split("\n")[2:] == made.split("\n")[2:]
    cut = text + '\n{"when": "2026'
    assert mapping_of("day.jsonl", cut)[1].split("\n")[2:] == made.split("\n")[2:]


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_the_entry_of_a_table_of_messages(delimiter: str) -> None:
    """By its columns, with its delimiter and encoding where they are not the usual ones."""
    rows = [list(messages()[0]), *(list(one.values()) for one in messages())]
    text = "\n".join(delimiter.join('"' + c.replace('"', '""') + '"' for c in row) for row in rows)
    shape, made, _ = mapping_of("log.csv", text, "cp1252")
    assert shape == "a table of messages"
    assert 'cells: {at: "when", dir: "way", station_id: "box", frame: "msg"}' in made
    assert made.endswith('    encoding: "cp1252"\n' + ("" if delimiter == "," else f"    delimiter: {json.dumps(delimiter)}\n"))  # fmt: skip


def test_the_entry_of_a_text_log() -> None:
    """Its line as a pattern, quotes doubled; a station that no line names is taken from the file's name."""
    lines = [f"{one['when']} 'x' {one['box']} {one['way']} {one['msg']}" for one in messages()]
    shape, made, missing = mapping_of("log.txt", "\n".join(lines))
    assert shape == "a text log with frames on its lines"
    assert "    line: '{at} ''x'' {station_id} {dir} {frame}'\n" in made
    assert missing == (ZONE,)
    alone = [
        line.replace(one["box"] + " ", "") for line, one in zip(lines, messages(), strict=True)
    ]
    _, made, missing = mapping_of("box_CP7.log", "\n".join(alone))
    assert 'file: "box_{station_id}.log"' in made
    assert missing == ("nothing in it names the station: its id is taken from the file's name; see that it is right", ZONE)  # fmt: skip
    assert 'file: "{station_id}.log"' in mapping_of("CP7.log", "\n".join(alone))[1]


def test_the_entry_of_finished_sessions() -> None:
    """Columns by their names, Wh and a decimal comma by the figures; what the words mean is for a person to say."""
    days = [f"{i + 1:02d}.03.2026" for i in range(20)]
    rows = [f"B{i % 3};C{i};{day} 10:00;{day} 11:00;7{i},5;ev" for i, day in enumerate(days)]
    rows.insert(0, "Bay;Card;Start;End;Energy (Wh);Reason")
    found = guess_entry("sessions_1.csv", "\n".join(rows))
    assert found is not None
    assert found.shape == "a table of finished sessions"
    assert found.mapping == (
        'exports:\n  - file: "sessions_*.csv"\n    columns: {id_token: "Card", plugged_at: "Start", unplugged_at: "End", '
        'energy_kwh: "Energy (Wh)", '
        'end_reason: "Reason", evse_id: "Bay"}\n    delimiter: ";"\n    time_format: "%d.%m.%Y %H:%M"\n    timezone: UTC\n    decimal: ","\n'
        "    energy_unit: Wh\n"
    )
    assert found.missing == (
        "timezone: UTC is a guess; write the site's, like Europe/Oslo", "end_reason: what these words mean: ev",
    )  # fmt: skip
    assert guess_entry("x.txt", "nothing\nof\nnote\n") is None
    assert guess_entry("x.txt", "") is None


def test_words_of_a_kind_may_be_one() -> None:
    """A word alone is a list; blanks around a word are off; an empty one is refused."""
    assert Types.model_validate({"call": " C "}).call == ("C",)
    assert reader(line=LINE, **{"in": " <- ", "out": ["->"]}).entry.in_ == ("<-",)
    with pytest.raises(ValueError, match="a word is empty"):
        Types.model_validate({"call": [" "]})
    with pytest.raises(
        ValueError, match=r"one of line, json and cells says .* found line and json"
    ):
        reader(line=LINE, json={"at": "t", "frame": "m", "station_id": "s"})
    with pytest.raises(ValueError, match="says how a frame stands in the file; found none"):
        reader()
