"""Parts of the doorway by themselves: headers, YAML as texts, folds of local times, what a line holds, which field is which part."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import duckdb
import polars as pl
import pytest
from pydantic import ValidationError

from pipeline.doorway import times, yaml_text
from pipeline.doorway.directions import Directions
from pipeline.doorway.entries import known_zones
from pipeline.doorway.envelope_queries import (
    _bodies,
    _kind,
    _no_object,
    _of_file,
    _unknown_way,
    _unquoted,
    _way,
    _way_words,
    frame_heads_query,
    payload_time_query,
)
from pipeline.doorway.export_entry import Export
from pipeline.doorway.frames_entry import FramesEntry
from pipeline.doorway.guess.held import held_frames
from pipeline.doorway.guess.log import guess_log
from pipeline.doorway.guess.roles import (
    FORMATS,
    Said,
    day_or_month_first,
    direction,
    frame_text,
    reads,
    said,
    station,
    time_format,
    ways,
)
from pipeline.doorway.guess.table import SESSION_WORDS, flat, guess_messages
from pipeline.doorway.kinds import READ_ORDER, TABLES, guess, headers
from pipeline.doorway.local_times import LocalTimes
from pipeline.doorway.part_queries import cells_query, column, json_path, json_query
from pipeline.doorway.unfit_lines import unfit_lines
from pipeline.doorway.yaml_text import YamlTextError
from pipeline.registry import registry


def entry(**keys: Any) -> FramesEntry:
    """An entry of frames in JSON, unless told otherwise."""
    usual = {"file": "*.log", "json": {"at": "t", "station_id": "s", "dir": "d", "frame": "f"}}
    return FramesEntry.model_validate({**usual, **keys})


def sql(expression: str, **values: str | None) -> Any:
    """An expression of SQL over one row of texts."""
    made = ", ".join(f"CAST(${name} AS VARCHAR) AS {name}" for name in values)
    row = duckdb.execute(f"SELECT {expression} FROM (SELECT {made})", values).fetchone()
    assert row is not None
    return row[0]


def test_zones_that_mean_the_machine_are_none() -> None:
    """`localtime`, `posixrules` and `Factory` of the IANA data base name no place; UTC and Europe/Oslo do."""
    assert {"UTC", "Europe/Oslo"} <= known_zones()
    assert not {"localtime", "posixrules", "Factory"} & known_zones()


@pytest.mark.parametrize("kind", TABLES)
def test_a_header_is_its_kind_and_tells_what_it_lacks(kind: str) -> None:
    """The whole header, or its required columns alone, is that kind; one column less is told by name, in the header's order."""
    header = headers()[kind]
    whole = [c.name for c in header.columns]
    assert guess(whole) == guess([*whole, "something of theirs"])
    found = guess(whole)
    assert found is not None
    assert (found.kind, found.missing) == (kind, ())
    assert guess([name for name in whole if name in header.required]) == found


def test_a_column_that_lacks_is_named_in_the_header_s_order() -> None:
    """Of a kind at least half of whose required columns are there (decided)."""
    whole = [c.name for c in headers()["evses"].columns]
    found = guess([name for name in whole if name not in {"site_id", "evse_id"}])
    assert found is not None
    assert (found.kind, found.missing) == ("evses", ("evse_id", "site_id"))


def test_rows_of_every_kind_have_their_table() -> None:
    """One table a kind, and each is declared."""
    assert {registry().table(table).name for table in TABLES.values()} == set(TABLES.values())
    assert len(set(TABLES.values())) == len(TABLES)


def test_a_header_of_nothing_known_is_nothing() -> None:
    """Under half of the required columns of every kind: not guessed. Kinds are read lists first, what is not recognised last."""
    assert guess(["a", "b", "c"]) is None
    assert guess([]) is None
    assert READ_ORDER[:5] == ("mapping", "evses", "vehicles", "tokens", "frames")
    assert READ_ORDER[-3:] == ("sessions", "trace", "unrecognised")
    assert sorted(READ_ORDER) == sorted({"mapping", "frames", "sessions", "trace", "unrecognised", *TABLES})  # fmt: skip


def test_half_of_what_a_kind_must_have_is_enough_to_be_taken_for_it() -> None:
    """Exactly half of its columns that must stand there: taken for some kind, with what lacks named (decided)."""
    halves = [sorted(h.required) for h in headers().values() if len(h.required) % 2 == 0]
    assert halves
    for must in halves:
        found = guess(must[: len(must) // 2])
        assert found is not None
        assert found.missing


def test_yaml_is_read_as_texts_with_their_lines() -> None:
    """`no`, `1` and a date stay words; a value's line is its own, a key's value the key's; what is not there has its nearest around."""
    found = yaml_text.read("a: no\nb:\n  - 1\n  - 2026-01-01\nc: {d: x}\n")
    assert found.value == {"a": "no", "b": ["1", "2026-01-01"], "c": {"d": "x"}}
    asked = [("a",), ("b",), ("b", 0), ("b", 1), ("b", 7), ("c", "d"), ("nothing",), ()]
    assert [found.line_of(p) for p in asked] == [1, 2, 3, 4, 2, 5, 1, 1]


@pytest.mark.parametrize(
    ("text", "line", "what"),
    [
        ("a: 1\nb: 2\na: 3\n", 3, "the key 'a' stands twice"), ("a: [1\nb", 3, "no YAML: "), ("", 1, "no YAML: it is empty"),
        ("? [a]\n: 1\n", 1, "a key is a list or a map: keys are words"), ("\n" + "[" * 30 + "]" * 30, 2, "nested too deep"),
        ("[" * 22 + "]" * 22, 1, "nested too deep"),
        ("a: &a [" + "x, " * 200 + "]\nb: &b [" + "*a, " * 200 + "]\n", 1, "it unfolds to more than 20000 values"),
    ],
)  # fmt: skip
def test_yaml_that_cannot_be_used_says_where(text: str, line: int, what: str) -> None:
    """Doubled keys, broken and empty texts, keys that are no words, texts that unfold to a heap (bounds decided)."""
    with pytest.raises(YamlTextError) as told:
        yaml_text.read(text)
    assert told.value.what.startswith(what)
    assert told.value.line == line
    assert str(told.value) == f"line {line}: {told.value.what}"


def test_yaml_nested_up_to_the_bound_is_read() -> None:
    """The bound itself is read (decided); an error without a line is the sentence alone."""
    assert yaml_text.read("[" * 21 + "]" * 21).value != []
    assert str(YamlTextError("odd")) == "odd"
    assert yaml_text.YamlText({}).line_of(("a",)) == 1


OSLO = "Europe/Oslo"


def placed(zone: str, *local: str | None, files: Sequence[int] | None = None) -> list[str | None]:
    """UTC of local times, as hours and minutes."""
    return told(LocalTimes(zone), *local, files=files)


def told(by: LocalTimes, *local: str | None, files: Sequence[int] | None = None) -> list[str | None]:  # fmt: skip
    """The same, by one that has read before."""
    series = pl.Series([datetime.fromisoformat(t) if t else None for t in local], dtype=pl.Datetime("us"))  # fmt: skip
    utc = by.placed(series, pl.Series(files or [0] * len(local)))
    return [t if t is None else f"{t:%d %H:%M}" for t in utc.to_list()]


def test_a_fold_is_told_by_where_the_time_falls_back() -> None:
    """Oslo, 2026-10-25: 02:00 to 03:00 comes twice; the first until the time falls back by over five minutes, the second from there
    (IANA data base; derived).
    """
    day = "2026-10-25 "
    assert placed(OSLO, day + "01:50", day + "02:10", day + "02:50", day + "02:05", day + "02:55", day + "03:05") == [
        "24 23:50", "25 00:10", "25 00:50", "25 01:05", "25 01:55", "25 02:05",
    ]  # fmt: skip
    # a line five minutes earlier than the one before it is no fall
    assert placed(OSLO, day + "02:30", day + "02:25", day + "02:31") == [
        "25 00:30", "25 00:25", "25 00:31",
    ]  # fmt: skip
    assert placed(OSLO, day + "02:30", day + "02:24") == ["25 00:30", "25 01:24"]
    # each file has its own clock, and nothing stays nothing
    assert placed(OSLO, day + "02:50", None, day + "02:10", day + "02:05", files=[0, 0, 1, 1]) == [
        "25 00:50", None, "25 00:10", "25 00:05",
    ]  # fmt: skip


def test_a_fold_goes_on_over_blocks() -> None:
    """What fell back in the block before has fallen; of another file nothing is known; out of the fold it is over."""
    day, by = "2026-10-25 ", LocalTimes(OSLO)
    assert told(by, day + "02:50", day + "02:10") == ["25 00:50", "25 01:10"]
    assert told(by, day + "02:20", None) == ["25 01:20", None]
    assert told(by, day + "02:30", day + "03:10") == ["25 01:30", "25 02:10"]
    by = LocalTimes(OSLO)
    assert told(by, day + "02:50") == ["25 00:50"]
    assert told(by, day + "02:10") == ["25 01:10"]
    assert told(by, day + "02:15", files=[1]) == ["25 00:15"]


def test_a_time_in_a_gap_is_as_if_the_clock_had_not_moved() -> None:
    """Oslo, 2026-03-29: 02:30 does not exist; by winter time it is 01:30 UTC. Far from a change nothing is asked; half a year apart is."""
    day = "2026-03-29 "
    assert placed(OSLO, day + "01:30", day + "02:30", day + "03:30") == [
        "29 00:30", "29 01:30", "29 01:30",
    ]  # fmt: skip
    assert placed(OSLO, "2026-01-10 12:00", "2026-07-10 12:00") == ["10 11:00", "10 10:00"]
    assert placed(OSLO, "2026-10-24 12:00", "2027-04-24 12:00") == ["24 10:00", "24 10:00"]
    assert placed(OSLO, None) == [None]


def test_a_fold_in_the_midst_of_a_block_is_met() -> None:
    """Days before and after it; also where the clock goes back and on again within five weeks, as in Morocco at Ramadan: 03:00 on
    2026-02-15 is 02:00 once more, and both ends of the block have the same offset (IANA data base).
    """
    assert placed(OSLO, "2026-10-24 12:00", "2026-10-25 02:50", "2026-10-25 02:10", "2026-10-26 12:00") == [
        "24 10:00", "25 00:50", "25 01:10", "26 11:00",
    ]  # fmt: skip
    ramadan = ("2026-02-14 12:00", "2026-02-15 02:50", "2026-02-15 02:10", "2026-03-26 12:00")
    assert placed("Africa/Casablanca", *ramadan) == ["14 11:00", "15 01:50", "15 02:10", "26 11:00"]


CALL = '[2,"7","Heartbeat",{}]'
ANSWER = '[3,"7",{"currentTime":"2026-03-02T10:00:00Z"}]'


def test_a_frame_is_known_by_its_beginning() -> None:
    """Kind, id, action; quotes may be escaped, as inside another JSON text; other arrays are none (OCPP-J 1.6, published)."""
    assert said(f"a {CALL}") == Said("2", "7", "Heartbeat")
    assert said(ANSWER) == Said("3", "7", None)
    assert said(r"[ 2 , \"a-1\" , \"Reset\", {}]") == Said("2", "a-1", "Reset")
    assert said('[5,"7"]') is None
    assert frame_text([2, "7", "Heartbeat", {}]) == '[2, "7", "Heartbeat", {}]'
    assert frame_text([2, "7"]) is None
    assert frame_text([3, "7", {}]) == '[3, "7", {}]'
    assert frame_text([9, "7", {}]) is None
    assert frame_text(f" {CALL}") == f" {CALL}"
    assert frame_text(f"x {CALL}") is None
    assert frame_text(7) is None


def test_which_way_frames_went() -> None:
    """A station's calls come in, others go out, an answer goes the other way than the nearest call of its id before it."""
    kinds = [("2", "1", "Heartbeat"), ("3", "1", None), ("2", "1", "Reset"), ("4", "1", None), ("3", "x", None)]  # fmt: skip
    assert ways([Said(*one) for one in kinds]) == ["in", "out", "out", "in", None]


@pytest.mark.parametrize(
    ("lines", "held"),
    [
        ([f"t1 {CALL} ok", f"t2 {ANSWER}", "chatter"], [("t1 ", " ok", True), ("t2 ", "", True)]),
        (['t1 [2,"7","Heartbeat",{', 't2 [3,"7",{'], [("t1 ", "", False), ("t2 ", "", False)]),
        (["t1 [", "  2,", '  "7",', '  "Heartbeat",', "t2 [", "  3,", '  "7",', "  {"], [("t1 ", "", True), ("t2 ", "", True)]),
        (["t1 CALL 7 Heartbeat {} end", "t2 CALLRESULT 7 {}"], [("t1 ", " end", True), ("t2 ", "", True)]),
        ([f"t1 {CALL}"], []),
    ],
)  # fmt: skip
def test_what_lines_hold(lines: list[str], held: list[tuple[str, str, bool]]) -> None:
    """A frame whole, going on below, printed over lines or in parts; what stands before and after; one alone is too few."""
    found = held_frames(lines)
    assert [(one.before, one.after, one.whole) for one in found] == held
    if held:
        second = "{type} {id} {action} {payload}" if "CALL" in lines[0] else "{frame}"
        assert {one.body for one in found} == {second}
        assert [one.frame.id for one in found] == ["7", "7"]
        assert found[0].frame.kind == "2"


def test_kinds_in_words_are_numbers() -> None:
    """A named action makes a call; an error is told by its word; the rest are results."""
    lines = ["CALL 1 Reset {}", "CALLERROR 1 {}", "Error 2 {}", "Response 3 {}"]
    assert [one.frame.kind for one in held_frames(lines)] == ["2", "4", "4", "3"]


def test_the_field_of_the_direction_goes_with_it() -> None:
    """The field with the fewest words that means in and out in 95 of 100; none where nothing does (decided)."""
    records = [{"d": "rx" if i % 2 else "tx", "n": str(i), "k": "x"} for i in range(40)]
    told_ways = ["in" if i % 2 else "out" for i in range(40)]
    assert direction(records, told_ways) == ("d", {"rx": "in", "tx": "out"})
    assert direction([{"k": "x"}] * 40, told_ways) is None
    assert direction(records, [None] * 40) is None
    wrong = ["out" if i in {1, 3} else w for i, w in enumerate(told_ways)]
    assert direction(records, wrong) == ("d", {"rx": "in", "tx": "out"})
    wrong = ["out" if i in {1, 3, 5} else w for i, w in enumerate(told_ways)]
    assert direction(records, wrong) is None
    seven = [{"d": f"{'r' if i % 2 else 't'}{i % 8}"} for i in range(40)]
    assert direction(seven, told_ways) is None


def test_the_station_is_shared_by_a_call_and_its_answer() -> None:
    """Two stations by turns, each call answered: what call and answer share tells it; levels of a log and unique words do not."""
    frames = [Said("2" if i % 2 == 0 else "3", str(i // 2), "Heartbeat") for i in range(24)]
    records = [
        {"level": "info", "id": f"m{i}", "cp": f"CP-{i // 2 % 2}", "way": "rx" if i % 2 else "tx"}
        for i in range(24)
    ]
    assert station(records, frames, set()) == "cp"
    assert station(records, frames, {"cp"}) is None
    assert station([{"cp": "CP-1"}] * 24, frames, set()) == "cp"
    assert station([{"name": "yard"}] * 24, frames, set()) is None
    assert station([{"name": "yard-1"}] * 24, frames, set()) == "name"
    assert station([{"cp": ""}] * 24, frames, set()) is None
    assert station([{"cp": "x" * 60}] * 24, frames, set()) == "cp"
    assert station([{"cp": "x" * 61}] * 24, frames, set()) is None
    # two words by turns tell stations apart, whatever the field is called and they look like
    assert (
        station([{"name": ("east", "west")[i // 2 % 2]} for i in range(24)], frames, set())
        == "name"
    )


@pytest.mark.parametrize(
    ("values", "form"),
    [
        (["2026-03-02T10:00:00Z"], times.ISO), (["02.03.2026 10:00:00,5"], "%d.%m.%Y %H:%M:%S,%f"), (["1772445600"], "epoch_s"),
        (["1772445600,25"], "epoch_s"), (["13/02/2026 03:04:05 PM"], "%d/%m/%Y %I:%M:%S %p"),
        (["1772445600000"], "epoch_ms"), (["02/Mar/2026:10:00:00 +0100"], "%d/%b/%Y:%H:%M:%S %z"), (["13/02/2026 10:00"], "%d/%m/%Y %H:%M"),
        (["0100000000"], None), (["20260302100000"], "%Y%m%d%H%M%S"), (["1999-03-02 10:00:00.5"], times.ISO),
        (["02.03.1999 10:00"], None), (["soon"], None), ([], None), (["", "  "], None),
        (["2026-03-02T10:00:00Z", "soon"], None),
    ],
)  # fmt: skip
def test_a_format_reads_every_time(values: list[str], form: str | None) -> None:
    """The first that reads all, of times from 2015 to 2100 (decided); blanks count for nothing."""
    assert time_format(values) == form


def test_a_time_must_be_one() -> None:
    """The 30th of February and a 13th month look like times and are none."""
    assert reads("28.02.2026 10:00", "%d.%m.%Y %H:%M")
    assert not reads("30.02.2026 10:00", "%d.%m.%Y %H:%M")
    assert not reads("28.02.2026 10:00 x", "%d.%m.%Y %H:%M")
    assert reads("4102444800", "epoch_s")
    assert not reads("4133980800", "epoch_s")
    assert not reads("1262304000", "epoch_s")


def test_day_or_month_by_what_stands_in_the_text() -> None:
    """More of its times read, then the days that stand inside as ISO dates too; else it is open."""
    month_first, day_first = "%m/%d/%Y %H:%M", "%d/%m/%Y %H:%M"
    assert day_or_month_first(month_first, "13/02/2026 10:00 and 01/02/2026 11:00") == (day_first, False)  # fmt: skip
    assert day_or_month_first(month_first, "01/02/2026 11:00") == (month_first, True)
    inside = '01/02/2026 11:00 {"timestamp":"2026-02-01T10:00:00Z"}'
    assert day_or_month_first(month_first, inside) == (day_first, False)
    assert day_or_month_first("%Y-%m-%d", "2026-02-01") == ("%Y-%m-%d", False)


def test_values_of_json_by_their_path() -> None:
    """Names with a dot in quotes, places in brackets, a frame whole, a long list as it is."""
    value = {"a": {"b.c": 1}, "f": [2, "7", "Heartbeat", {}], "l": [1, {"x": 2}], "m": [1, 2, 3, 4]}
    assert dict(flat(value)) == {
        'a."b.c"': 1, "f": value["f"], "l[0]": 1, "l[1].x": 2, "m": [1, 2, 3, 4],
    }  # fmt: skip


@pytest.mark.parametrize(
    ("dotted", "path"),
    [("meta.id", '$."meta"."id"'), ("items[0].id", '$."items"[0]."id"'), ('"a.b".c', '$."a.b"."c"'), ("$.x", '$."x"'), ("x", '$."x"')],
)  # fmt: skip
def test_a_dotted_path_as_json_path(dotted: str, path: str) -> None:
    """Each name quoted, so that a name with a dot in it is one name."""
    assert json_path(dotted) == path


def test_parts_have_columns_that_are_no_words_of_sql() -> None:
    """`at` and `type` are; the others keep their name."""
    found = [column(n) for n in ("at", "dir", "type", "id", "action", "frame")]
    assert found == ["at_text_raw", "word", "kind_word", "msg_id", "action", "frame"]


def rows(query: str, **tables: pl.DataFrame) -> list[dict[str, Any]]:
    """A statement over tables, as rows."""
    con = duckdb.connect()
    for name, table in tables.items():
        con.register(name, table)
    found = con.execute(query)
    names = [column[0] for column in found.description or ()]
    return [dict(zip(names, row, strict=True)) for row in found.fetchall()]


def test_parts_of_json_objects() -> None:
    """By path, null where it is not there; a text that is no object is broken; commas and brackets around it are the file's."""
    bodies = ['{"t": "1", "s": {"x": "S"}, "f": [2]}', '{"t": "2"},', "{broken"]
    objects = pl.DataFrame({"line": [1, 2, 3], "byte_offset": [0, 1, 2], "text": bodies, "lines": [None] * 3, "body": bodies})  # fmt: skip
    asked = entry(json={"at": "t", "station_id": "s.x", "frame": "f"})
    found = rows(json_query(asked), _objects=objects)
    assert [(r["broken"], r["at_text_raw"], r["station_id"], r["frame"]) for r in found] == [
        (False, "1", "S", "[2]"), (False, "2", None, None), (True, None, None, None),
    ]  # fmt: skip


def test_parts_of_cells() -> None:
    """By column, blanks off, empty is nothing; a row of another width and one with broken quoting say so; lines a record spans."""
    asked = entry(json=None, cells={"at": "When", "station_id": "Box", "frame": "Msg"})
    records = pl.DataFrame(
        {"line": [1, 2, 5, 6], "byte_offset": [0] * 4, "text": ["a", "b", "c", "d"], "span": [1, 3, 1, 1],
         "cells": [["m", " t ", "S"], ["", "t", "S"], None, ["m", "t"]]},
    )  # fmt: skip
    found = rows(cells_query(asked, ("Msg", "When", "Box")), _records=records)
    assert [r["cell_reason"] for r in found] == [
        None, None, "the quoting is broken", "has 2 values where the header has 3",
    ]  # fmt: skip
    assert [(r["at_text_raw"], r["station_id"], r["frame"]) for r in found[:2]] == [
        ("t", "S", "m"), ("t", "S", None),
    ]  # fmt: skip
    assert [r["lines"] for r in found] == [None, [2, 3, 4], None, None]


@pytest.mark.parametrize(
    ("into", "out", "word", "way", "unknown"),
    [
        ((), (), "IN", "in", False), ((), (), " out ", "out", False), ((), (), "rx", None, False), ((), (), None, None, False),
        (("from  box",), ("to",), "from box", "in", False), (("rx",), ("tx",), "tx", "out", False), (("rx",), ("tx",), "zx", None, True),
        (("rx",), (), "rx", "in", False),
        (("rx",), (), "zx", "out", False), ((), ("tx",), "zx", "in", False), ((), ("tx",), "tx", "out", False),
        (("rx",), (), None, None, False),
    ],
)  # fmt: skip
def test_a_word_of_the_direction(
    into: tuple[str, ...], out: tuple[str, ...], word: str | None, way: str | None, *, unknown: bool
) -> None:
    """By both lists; by one, any other word is the other way; by none, in and out in any case. A word of neither is told."""
    asked = entry(**{"in": into, "out": out})
    assert sql(_way(asked, "said"), said=word) == way
    assert bool(sql(_unknown_way(asked), way=way, said=word)) is unknown


def test_words_of_the_direction_are_named() -> None:
    """What is given, or 'any other'."""
    both = entry(**{"in": ["rx", "<-"], "out": "tx"})
    assert _way_words(both) == "in is rx, <-, out is tx"
    assert _way_words(entry(**{"in": ["rx"]})) == "in is rx, out is any other"


@pytest.mark.parametrize(
    ("word", "number"),
    [("CALL", "2"), (" req ", "2"), ("Conf", "3"), ("3", "3"), ("CALLERROR", "4"), ("4", "4"), ("odd", None), (None, None)],
)  # fmt: skip
def test_a_word_of_the_kind(word: str | None, number: str | None) -> None:
    """OCPP-J's numbers, and the words of common practice."""
    assert sql(_kind(entry()), kind_word=word) == number


def test_a_frame_in_a_quoted_text_is_taken_out_of_it() -> None:
    """Its own quotes escaped: as it was; any other stays as it is; a cell that is no object says so."""
    escaped = r"[2,\"7\",\"Heartbeat\",{}]"
    assert sql(_unquoted("frame"), frame=escaped) == CALL
    assert sql(_unquoted("frame"), frame=CALL) == CALL
    assert sql(_unquoted("frame"), frame=None) is None
    broken = r'[2,\"7\",\"Heart"beat\",{}]'
    assert sql(_unquoted("frame"), frame=broken) == broken
    said_of = {v: sql(_no_object("request"), request=v) for v in ("{}", "[]", "{x", None)}
    no = "its request is no JSON object"
    assert said_of == {"{}": None, "[]": no, "{x": no, None: None}


PARTS = {"at": "t", "station_id": "s", "type": "k", "id": "i", "action": "a", "payload": "p"}


@pytest.mark.parametrize(
    ("kind", "identity", "action", "payload", "frame", "reason"),
    [
        ("CALL", "7", "Reset", "{}", '[2,"7","Reset",{}]', None), ("CALLRESULT", "7", None, "{}", '[3,"7",{}]', None),
        ("CALLERROR", "7", "NotSupported", "{}", '[4,"7","NotSupported","",{}]', None),
        ("CALLERROR", "7", None, "{}", '[4,"7","GenericError","",{}]', None), ("odd", "7", "Reset", CALL, CALL, None),
        ("CALL", None, "Reset", "{}", "?", "the frame has no message id"), ("CALL", "7", None, "{}", "?", "the call names no action"),
        ("odd", "7", "Reset", "{}", None, "'odd' is no word of a kind of message: 2, CALL, "),
        (None, "7", "Reset", "{}", None, "'' is no word of a kind of message: 2, CALL, "), ("CALL", "7", "Reset", None, None, None),
    ],
)  # fmt: skip
def test_a_message_in_parts_is_made_its_array(
    kind: str | None, identity: str | None, action: str | None, payload: str | None, frame: str | None, reason: str | None,
) -> None:  # fmt: skip
    """CALL, CALLRESULT, CALLERROR (OCPP-J 1.6, published); a payload that is an array already is the frame; what lacks is told."""
    have = {column(name) for name in PARTS}
    [(made, why)] = _bodies(entry(json=PARTS), have)
    assert _bodies(entry(json=PARTS), {*have, "body"}) == [(made, why)]
    cells = {"kind_word": kind, "msg_id": identity, "action": action, "payload": payload}
    if frame != "?":
        assert sql(made, **cells) == frame
    told_why = sql(why, **cells)
    assert told_why == reason or (reason and told_why and told_why.startswith(reason))


def test_a_call_and_its_answer_of_one_row() -> None:
    """Two frames with one id: the row's, or its time and action where it has none; a request without an action says so."""
    named = {"at": "t", "station_id": "s", "action": "a", "request": "q", "response": "r"}
    plain = _bodies(entry(json=named), {column(n) for n in named})
    with_id = _bodies(entry(json={**named, "id": "i"}), {column(n) for n in (*named, "id")})
    cells: dict[str, str | None] = {
        "at_text_raw": "t1", "action": "Reset", "request": "{}", "response": '{"a":1}', "msg_id": None,
    }  # fmt: skip
    assert "msg_id" not in plain[0][0]
    for made in (plain, with_id):
        assert [sql(m, **cells) for m, _ in made] == ['[2,"t1/Reset","Reset",{}]', '[3,"t1/Reset",{"a":1}]']  # fmt: skip
    assert sql(with_id[0][0], **{**cells, "msg_id": "9"}) == '[2,"9","Reset",{}]'
    assert sql(plain[0][1], **cells) is None
    assert sql(plain[1][1], **cells) is None
    assert sql(plain[0][1], **{**cells, "action": None}) == "it names no action"
    assert sql(plain[0][1], **{**cells, "response": "x"}) == "its response is no JSON object"
    assert sql(plain[1][0], **{**cells, "response": "x"}) is None
    assert sql(plain[1][0], **{**cells, "request": None}) is None
    assert sql(plain[0][0], **{**cells, "request": None}) is None


def test_a_station_in_a_files_name() -> None:
    """By the file's place in its block; where no name tells any, none."""
    assert sql(_of_file(["", ""]), x="") == ""
    by_place = _of_file(["A", "B"])
    assert [sql(by_place.replace("line //", f"{n} //"), x="") for n in (0, 2**40)] == ["A", "B"]


def test_frames_by_their_first_signs() -> None:
    """Kind, id with escaped quotes, a call's action, the beginning of an answer; what is no frame has none."""
    frames = [
        CALL,
        ANSWER,
        r'[2,"a\"b","Reset",{}]',
        "nothing",
        ' [ 4 , "x" , "NotSupported","",{}]',
    ]
    framed = pl.DataFrame({"line": [0] * 5, "station_id": ["S"] * 5, "way": ["in"] * 5, "frame": frames})  # fmt: skip
    found = rows(frame_heads_query(), _framed=framed)
    assert [(r["kind"], r["id"], r["action"]) for r in found] == [
        ("2", "7", "Heartbeat"), ("3", "7", None), ("2", r"a\"b", "Reset"), (None, None, None), ("4", "x", "NotSupported"),
    ]  # fmt: skip
    assert found[1]["answer"] == '{"currentTime":"2026-03-02T10:00:00Z"}]'


def test_the_time_inside_a_payload() -> None:
    """A call's own, its first meter value's, when it was generated, or an answer's current time; with an offset or without."""
    inside = "2026-03-02T10:00:00"
    frames = [
        f'[2,"1","StatusNotification",{{"timestamp":"{inside}Z"}}]', f'[2,"1","MeterValues",{{"meterValue":[{{"timestamp":"{inside}"}}]}}]',
        f'[2,"1","NotifyEvent",{{"generatedAt":"{inside}+01:00"}}]', ANSWER, CALL, "[broken",
    ]  # fmt: skip
    found = rows(payload_time_query(), _framed=pl.DataFrame({"line": range(6), "frame": frames}))
    at = datetime(2026, 3, 2, 10, tzinfo=UTC)
    assert [r["inside_utc"] and r["inside_utc"].astimezone(UTC) for r in found] == [
        at, None, at - timedelta(hours=1), at, None, None,
    ]  # fmt: skip
    assert [r["inside_local"] for r in found] == [None, at.replace(tzinfo=None), *[None] * 4]


def test_answers_find_their_call_before_or_after() -> None:
    """The nearest call before of that id and station, else after; a call of the block before is remembered; without any, by its looks."""
    by = Directions()
    schema = dict.fromkeys(("station_id", "kind", "id", "action", "answer", "way"), pl.String)
    first = pl.DataFrame(
        {"line": [1, 2, 3, 4, 5], "station_id": ["S", "S", "T", "S", "S"], "kind": ["2", "3", "3", "2", "3"], "id": ["a", "a", "a", "b", "z"],
         "action": ["Heartbeat", None, None, "Reset", None], "answer": [None, "{}", '{"status":"x"}', None, '{"currentTime":1}'],
         "way": [None] * 5}, schema_overrides=schema,
    )  # fmt: skip
    assert by.told(first).to_list() == ["in", "out", "in", "out", "out"]
    later = pl.DataFrame(
        {"line": [9, 10, 11], "station_id": ["S"] * 3, "kind": ["3", "3", "2"], "id": ["b", "c", "c"], "action": [None, None, "Reset"],
         "answer": ["{}", "{}", None], "way": [None, None, "in"]}, schema_overrides=schema,
    )  # fmt: skip
    assert by.told(later).to_list() == ["in", "out", "in"]
    # an answer's call may stand below it, as two threads write; what it holds would say another way
    crossed = pl.DataFrame(
        {"line": [20, 21, 22, 23], "station_id": ["S"] * 4, "kind": ["3", "2", "3", "2"], "id": ["d", "d", "e", "e"],
         "action": [None, "DataTransfer", None, "Reset"], "answer": ['{"status":"Accepted"}', None, "{}", None],
         "way": [None] * 4}, schema_overrides=schema,
    )  # fmt: skip
    assert by.told(crossed).to_list() == ["out", "in", "in", "out"]


def test_lines_that_look_like_a_frame_and_do_not_fit_are_told() -> None:
    """Unless a line that fits told the same frame; printed over lines they look so too; other lines are chatter."""
    asked = entry(json=None, line="{at} {station_id} {dir} {frame}")
    texts = [f"odd {CALL}", "hello", f"again {ANSWER}", "begin [", "  2,", "[2,", '"x"']
    chatter = pl.DataFrame({"line": range(7), "byte_offset": range(7), "text": texts})
    good = pl.DataFrame({"frame": [ANSWER]})
    found = unfit_lines(asked, chatter, good)
    assert found["line"].to_list() == [0, 3]
    [why] = found["reject_reason"].unique()
    assert why == (
        "it looks like a frame, but does not fit the pattern of its entry; the first such line "
        f"('odd {CALL}') does not begin as the pattern does: "
        "'{at} {station_id} {dir} {frame}' (a time written ISO 8601 (2026-03-02T10:00:00Z))"
    )
    assert unfit_lines(asked, chatter.slice(1, 1), good).height == 0
    assert unfit_lines(entry(), chatter, good).height == 0
    assert unfit_lines(asked, chatter.head(0), good).height == 0


def test_a_table_of_messages_by_its_fields() -> None:
    """Whole frames in one field, beside time, station and direction; two rows are enough, one is too few."""
    made = [
        {"when": f"2026-03-02T10:00:{i:02d}Z", "box": f"CP-{i // 2 % 2}", "way": "rx" if i % 2 == 0 else "tx",
         "msg": f'[2,"{i}","Heartbeat",{{}}]' if i % 2 == 0 else f'[3,"{i - 1}",{{}}]'}
        for i in range(24)
    ]  # fmt: skip
    found = guess_messages(made)
    assert found is not None
    assert found.parts == {"frame": "msg", "at": "when", "station_id": "box", "dir": "way"}
    assert (found.into, found.out, found.time_format) == (("rx",), ("tx",), times.ISO)
    assert set(found.stations) == {"CP-0", "CP-1"}
    assert guess_messages(made[:1]) is None
    assert guess_messages([{"a": "b"}] * 9) is None


def export(**keys: Any) -> Export:
    """An entry of finished sessions with what it must have."""
    usual = {
        "file": "*.csv",
        "columns": {"evse_id": "Bay", "plugged_at": "From"},
        "timezone": "UTC",
    }
    return Export.model_validate({**usual, **keys})


OURS = "evse_id, plugged_at, id_token, vehicle_id, unplugged_at, duration, energy_kwh, end_reason, fault, session_id"


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({"columns": {"evse_id": "Bay"}}, f"missing: plugged_at; ours are {OURS}"),
        ({"columns": {"evse_id": "Bay", "plugged_at": "From", "x": "y"}}, f"not ours: x; ours are {OURS}"),
        ({"columns": {"b": "y", "a": "y"}}, f"not ours: a, b; missing: evse_id, plugged_at; ours are {OURS}"),
        ({"columns": {"evse_id": " ", "plugged_at": "From"}}, "evse_id names no column"),
        ({"columns": {"evse_id": "B", "plugged_at": "F", "duration": "D", "unplugged_at": "U"}},
         "duration stands for unplugged_at: name one of them"),
        ({"duration_unit": "days"}, "'days' is none of s, min, h, '%H:%M:%S', '%H:%M', '%M:%S'"),
        ({"timezone": None}, "timezone is missing, and needed: the times say no offset of their own"),
        ({"timezone": None, "time_format": ["epoch_s", "%d.%m.%Y"]}, "timezone is missing, and needed: the times say no offset of their own"),
        ({"time_format": "payload"}, "time_format: payload is for frames"),
        ({"time_format": "%d.%m. %H:%M"}, "time_format: '%d.%m. %H:%M' names no year"),
        ({"fault": {"E1": "Broken"}}, "fault: Broken is none of "), ({"end_reason": {"E1": "Broken"}}, "end_reason: Broken is none of "),
    ],
)  # fmt: skip
def test_an_export_that_cannot_be_read_says_why(keys: dict[str, Any], said: str) -> None:
    """What lacks, what is not ours, what two keys say at once; codes are those of OCPP 1.6 (published)."""
    with pytest.raises(ValidationError) as told_why:
        export(**keys)
    assert f"Value error, {said}" in str(told_why.value)


def test_an_export_that_can_be_read() -> None:
    """ISO 8601 where no format is given; times with an offset need no zone; a word alone is a list; a fault's word may mean none."""
    plain = export(fault={"ok": "NoError"}, blank="-", columns={"evse_id": ["Site", "Bay"], "plugged_at": "From"})  # fmt: skip
    assert (plain.forms, plain.zone, plain.blank) == ((times.ISO,), "UTC", ("-",))
    assert plain.plain_columns == ("Site", "Bay", "From")
    assert (plain.energy_unit, plain.duration_unit, plain.decimal) == ("kWh", "s", ".")
    assert export(timezone="Europe/Oslo").zone == "Europe/Oslo"
    for form in ("epoch_ms", "%Y-%m-%d %H:%M%z", "%d %b %Y %H:%M %Z"):
        assert export(timezone=None, time_format=form).zone == "UTC"
    for unit in ("s", "min", "h", "%H:%M:%S", "%H:%M", "%M:%S"):
        assert export(duration_unit=unit).duration_unit == unit


@pytest.mark.parametrize("part", SESSION_WORDS)
def test_every_part_of_a_session_has_words_of_its_own(part: str) -> None:
    """Each part's words can be told from nothing (regression only)."""
    assert SESSION_WORDS[part]


def log_lines(stations: Sequence[str] = ("CP-1", "CP-2")) -> list[str]:
    """Calls and answers of stations by turns, with a time, a level, the station, an arrow and words after the frame."""
    made = []
    for i in range(24):
        own, call = stations[i // 2 % len(stations)], i % 2 == 0
        frame = f'[2,"{i}","Heartbeat",{{}}]' if call else f'[3,"{i - 1}",{{}}]'
        made.append(
            f"2026-03-02 10:00:{i:02d}.5 INFO ws:{own} {'<-' if call else '->'} {frame} done"
        )
    return made


def test_a_log_s_pattern_is_read_off_its_lines() -> None:
    """Time, station without what all share, direction by the words that stand on one side only; the rest stays as it is."""
    found = guess_log(log_lines())
    assert found is not None
    assert found.line == "{at} INFO ws:{station_id} {dir} {frame} done"
    assert (found.more, found.time_format) == (None, times.ISO)
    assert (found.into, found.out, found.stations) == (("<-",), ("->",), ("CP-1", "CP-2"))
    assert guess_log(["2026-03-02 10:00:00 started", "2026-03-02 10:00:01 stopped"]) is None
    assert guess_log([]) is None


def test_what_differs_in_a_log_is_left_open() -> None:
    """A word of its own on each line is `{*}`; without a direction there are no words for it; braces that are meant are doubled."""
    made = []
    for n, line in enumerate(log_lines()):
        begin, frame = line.replace(" <-", "").replace(" ->", "").split(" [", 1)
        made.append(f"{begin} {{job}} {n}x [{frame}")
    found = guess_log(made)
    assert found is not None
    assert (found.into, found.out) == ((), ())
    assert found.line == "{at} INFO ws:{station_id} {{job}} {*} {frame} done"


@pytest.mark.parametrize(
    ("written", "form"),
    [
        ("2026/10/23 15:04:05.678901", "%Y/%m/%d %H:%M:%S.%f"),
        ("2026/10/23 15:04:05,678901", "%Y/%m/%d %H:%M:%S,%f"),
        ("2026/10/23 15:04:05", "%Y/%m/%d %H:%M:%S"),
        ("23.10.2026 15:04:05.678901", "%d.%m.%Y %H:%M:%S.%f"),
        ("23.10.2026 15:04:05,678901", "%d.%m.%Y %H:%M:%S,%f"),
        ("23.10.2026 15:04:05", "%d.%m.%Y %H:%M:%S"),
        ("23.10.2026 15:04", "%d.%m.%Y %H:%M"),
        ("23/Oct/2026:15:04:05.678901 +0200", "%d/%b/%Y:%H:%M:%S.%f %z"),
        ("23/Oct/2026:15:04:05,678901 +0200", "%d/%b/%Y:%H:%M:%S,%f %z"),
        ("23/Oct/2026:15:04:05 +0200", "%d/%b/%Y:%H:%M:%S %z"),
        ("23/Oct/2026 15:04:05 +0200", "%d/%b/%Y %H:%M:%S %z"),
        ("10/23/2026 03:04:05 PM", "%m/%d/%Y %I:%M:%S %p"),
        ("23/10/2026 03:04:05 PM", "%d/%m/%Y %I:%M:%S %p"),
        ("10/23/2026 15:04:05.678901", "%m/%d/%Y %H:%M:%S.%f"),
        ("10/23/2026 15:04:05,678901", "%m/%d/%Y %H:%M:%S,%f"),
        ("23/10/2026 15:04:05.678901", "%d/%m/%Y %H:%M:%S.%f"),
        ("23/10/2026 15:04:05,678901", "%d/%m/%Y %H:%M:%S,%f"),
        ("10/23/2026 15:04:05", "%m/%d/%Y %H:%M:%S"),
        ("23/10/2026 15:04:05", "%d/%m/%Y %H:%M:%S"),
        ("10/23/2026 15:04", "%m/%d/%Y %H:%M"),
        ("23/10/2026 15:04", "%d/%m/%Y %H:%M"),
        ("23-10-2026 15:04:05", "%d-%m-%Y %H:%M:%S"),
        ("23-10-26 15:04:05", "%d-%m-%y %H:%M:%S"),
        ("Fri Oct 23 15:04:05 2026", "%a %b %d %H:%M:%S %Y"),
        ("23 Oct 2026 15:04:05", "%d %b %Y %H:%M:%S"),
        ("Oct 23 15:04:05.678901", "%b %d %H:%M:%S.%f"),
        ("Oct 23 15:04:05,678901", "%b %d %H:%M:%S,%f"),
        ("Oct 23 15:04:05", "%b %d %H:%M:%S"),
        ("20261023150405", "%Y%m%d%H%M%S"),
        ("20261023 15:04:05", "%Y%m%d %H:%M:%S"),
    ],
)  # fmt: skip
def test_each_format_that_is_tried_is_found(written: str, form: str) -> None:
    """The 23rd of October 2026, a little after three, as logs write it (common practice, no source)."""
    assert time_format([written]) == form


def test_every_format_that_is_tried_has_its_use() -> None:
    """None is hidden by another before it (derived)."""
    assert len(FORMATS) == len(set(FORMATS)) == 3 + 30


def test_a_part_of_a_time_that_is_not_read_is_named_with_those_that_are() -> None:
    """Strptime's parts, as far as they are read here."""
    assert times.wrong("%Q") == (
        "'%Q': %Q is no part of a time that is read; use %Y %y %m %d %H %I %M %S %f %j %p %z %Z %b %B %a %A %%, or epoch_s, epoch_ms, payload"
    )
