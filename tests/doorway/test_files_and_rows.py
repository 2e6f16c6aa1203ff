"""What a file is by its beginning, where a frame over several lines ends, and how a row of an export is typed."""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any

import duckdb
import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.core.line_numbers import FILE_STEP
from pipeline.doorway.export_entry import Export
from pipeline.doorway.kinds import headers
from pipeline.doorway.mapping import Delivered, Mapping, Mappings, parse
from pipeline.doorway.multi_line import Joined, _closings, _escaped, joined
from pipeline.doorway.recognise import TRACE_ROWS, header_fields, recognise
from pipeline.doorway.session_sql import (
    candidates_query,
    missing_columns,
    number,
    proven,
    sessions_query,
)

FRAME = b'{"at":"x","station_id":"S","frame":[2,"1","Heartbeat",{}]}\n'
FIGURES = b"0.001,9.0\n"


@pytest.mark.parametrize(
    ("head", "kind", "doubtful"),
    [
        (FRAME, "frames", False),
        (b"\xef\xbb\xbf" + FRAME, "frames", False),
        (b"garbled\n" + FRAME, "frames", False),
        (b'{"frame":[2,"1","Heartbeat",{}]}\n', "frames", True),
        (b'{"frame":1}\n{"station_id":2}\n', "frames", True),
        (b'["frame"]\n', "unrecognised", False),
        (b"frames:\n  - file: a\n", "mapping", False),
        (b"exports: [{file: a}]\n", "mapping", False),
        (b"# words\nexports: # more\n", "mapping", False),
        (b"frames", "unrecognised", False),
        (b"frames: 7 lost\n", "unrecognised", False),
        (b"time,volts\n" + FIGURES * TRACE_ROWS, "trace", False),
        (b"time,volts\n" + FIGURES * (TRACE_ROWS - 1), "unrecognised", False),
        (b"t;v\n" + b'"1,5";-2,5E-3;;;\n' * TRACE_ROWS, "trace", False),
        (FIGURES * 9 + b"end\n" + FIGURES * (TRACE_ROWS - 1), "unrecognised", False),
    ],
)
def test_a_file_is_what_its_beginning_says(head: bytes, kind: str, *, doubtful: bool) -> None:
    """An envelope of ours, a section of a mapping, figures that go on and on (bounds decided)."""
    found = recognise(head)
    assert (found.kind, found.doubtful) == (kind, doubtful)


HEADER = "no known header, and no mapping covers the file; found: {}; a session export needs an entry in a mapping file beside it"
CHARGING = "vehicle_id,at_utc,"


@pytest.mark.parametrize(
    ("head", "said"),
    [
        (
            b"\xff\xfeh\0",
            "the text is UTF-16, not UTF-8: save it as UTF-8, or name the encoding in a mapping",
        ),
        (
            b"\xfe\xff\0h",
            "the text is UTF-16, not UTF-8: save it as UTF-8, or name the encoding in a mapping",
        ),
        (
            "head,er\n".encode("utf-16-le"),
            "the text is UTF-16 without its mark: save it as UTF-8, or write encoding: utf-16-le in a mapping",
        ),
        (
            "head,er\n".encode("utf-16-be"),
            "the text is UTF-16 without its mark: save it as UTF-8, or write encoding: utf-16-be in a mapping",
        ),
        (b"", "neither frames nor a CSV header: no text in its first line"),
        (b"a\0bcdefgh\n", "neither frames nor a CSV header: no text in its first line"),
        (b"caf\xe9,b\n", "its first line is not UTF-8, and no mapping names another encoding"),
        (b"\n  \na, b\n", HEADER.format("'a', 'b'")),
    ],
)
def test_a_file_that_cannot_be_used_says_why(head: bytes, said: str) -> None:
    """Encodings by their marks or by every other byte being nought; a header of nothing known is named."""
    found = recognise(head)
    assert (found.kind, found.message) == ("unrecognised", said)


def test_a_header_almost_ours_says_what_is_wrong() -> None:
    """A column that lacks, one that stands twice, another delimiter: each by name, with the kind it would be."""
    names = [c.name for c in headers()["evses"].columns]

    def told(changed: list[str], delimiter: str = ",") -> tuple[str, str | None, str]:
        found = recognise((delimiter.join(changed) + "\n").encode())
        return found.kind, found.looks_like, (found.message or "").partition("; found: ")[0]

    assert told(names) == ("evses", None, "")
    assert told([*names, "site_id"]) == (
        "unrecognised",
        "evses",
        "the column 'site_id' stands twice in the header",
    )
    without = [name for name in names if name != "evse_id"]
    assert told(without) == (
        "unrecognised",
        "evses",
        "looks like evses, but the column 'evse_id' is missing",
    )
    without.remove("station_id")
    assert told(without)[2] == (
        "looks like evses, but the columns 'evse_id', 'station_id' are missing"
    )
    for delimiter, word in ((";", "semicolons"), ("\t", "tabs"), ("|", "vertical bars")):
        assert told(names, delimiter) == (
            "unrecognised",
            "evses",
            f"looks like evses, but separated by {word}; only commas are read, with decimal points: save it so",
        )
        other = recognise((delimiter.join(names) + "\n").encode())
        assert other.found == tuple(names)
    many = recognise((",".join(f"x{i}" for i in range(45)) + "\n").encode())
    assert many.message is not None
    assert "'x39' and 5 more; a session export" in many.message
    long = recognise(b"y" * 70 + b",b\n")
    assert long.message is not None
    assert f"found: '{'y' * 60}', 'b';" in long.message


def test_names_of_a_header() -> None:
    """Blanks off, quotes understood; an unreadable line is one name."""
    assert header_fields('a ,"b,c",d\r\n') == ("a", "b,c", "d")
    assert header_fields("a;b", ";") == ("a", "b")
    assert header_fields("") == ()


@pytest.mark.parametrize(
    ("text", "escaped"),
    [
        ('a"b', [False] * 3),
        (r"\"", [False, True]),
        (r"\\" + '"', [False, False, False]),
        (r"\\\"", [False, False, False, True]),
        (r"\n\"", [False, True, False, True]),
    ],
)
def test_a_sign_after_an_odd_run_of_backslashes_is_escaped(text: str, escaped: list[bool]) -> None:
    """JSON's rule (RFC 8259)."""
    assert _escaped(np.frombuffer(text.encode(), np.uint8)).tolist() == escaped


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(alphabet='a"\\[]{}:, é', max_size=6),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.text(alphabet='a"\\]}', max_size=3), inner, max_size=3)
    ),
    max_leaves=8,
)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    st.lists(json_values, min_size=1, max_size=3),
    st.integers(1, 7),
    st.sampled_from(["", " tail", "]"]),
)
def test_a_frame_ends_where_its_json_does(values: list[Any], size: int, tail: str) -> None:
    """Cut into pieces of any size, with anything behind it: the text told is the array, and the pieces are those up to its end; one
    that is cut never closes.
    """
    frames = []
    for n, value in enumerate(values):
        text = json.dumps([2, value], ensure_ascii=False)
        whole = text + tail
        pieces = [whole[i : i + size] for i in range(0, len(whole), size)]
        frames += [(n, p) for p in pieces]
    asked = pl.DataFrame(
        frames, schema={"frame": pl.Int64, "piece": pl.String}, orient="row"
    ).with_columns(thread=pl.lit(0))
    found = _closings(asked)
    told = [json.dumps([2, value], ensure_ascii=False) for value in values]
    assert found["joined"].to_list() == told
    assert found["pieces"].to_list() == [-(-len(text) // size) for text in told]
    cut = asked.with_columns(pl.col("piece").str.replace_all(r"\]", " "))
    assert all(text is None or text in told for text in _closings(cut)["joined"])


def lines_of(*given_rows: tuple[str, str | None, bool], thread: int = 0) -> pl.DataFrame:
    """Rows of a log: text, what of it belongs to a frame, whether it begins one."""
    return pl.DataFrame(
        [
            {
                "line": i + 1,
                "byte_offset": i,
                "text": t,
                "piece": p,
                "is_head": h,
                "closed": False,
                "thread": thread,
            }
            for i, (t, p, h) in enumerate(given_rows)
        ],
        schema_overrides={"piece": pl.String},
    )


def told(found: Joined) -> tuple[list[Any], list[int], list[int], list[int]]:
    """Frames with their lines, and the lines of cut frames, of none, and still open."""
    whole = found.whole.select("body", "lines").rows()
    return whole, *(f["line"].to_list() for f in (found.cut, found.chatter, found.open))


def test_lines_belong_to_the_frame_they_close() -> None:
    """What follows the closing line is chatter; a head that never closes is cut, with lines of JSON after it; the last of a block may
    go on in the next.
    """
    rows = lines_of(
        ("before", "before", False),
        ("h [2,", "[2,", True),
        ('"1",', '"1",', False),
        ("{}]", "{}]", False),
        ("words", "words", False),
        ("h [3,", "[3,", True),
        ('"2",', '"2",', False),
        ("lost", "lost", False),
        ("h [2]", "[2]", True),
        ("h [4,", "[4,", True),
        ('"3"', '"3"', False),
    )
    good = [('[2,"1",{}]', [2, 3, 4]), ("[2]", [9])]
    assert told(joined(rows, 100, last=True)) == (good, [6, 7, 10, 11], [1, 5, 8], [])
    assert told(joined(rows, 100, last=False)) == (good, [6, 7], [1, 5, 8], [10, 11])


def test_a_frame_has_a_cap_of_lines() -> None:
    """Beyond it nothing is waited for (decided)."""
    rows = lines_of(
        ("[2,", "[2,", True), ("1,", "1,", False), ("2,", "2,", False), ("3]", "3]", False)
    )
    assert told(joined(rows, 4, last=True))[0] == [("[2,1,2,3]", [1, 2, 3, 4])]
    whole, cut, chatter, still = told(joined(rows, 3, last=False))
    assert (whole, still) == ([], [])
    assert sorted(cut + chatter) == [1, 2, 3, 4]


def test_threads_are_told_apart_and_another_file_closes_the_first() -> None:
    """Two stations by turns each have their frame; what the file before left open is cut once another goes on."""
    rows = lines_of(
        ("[2,", "[2,", True), ("[3,", "[3,", True), ("1]", "1]", False), ("2]", "2]", False)
    )
    by_turns = rows.with_columns(thread=pl.Series([0, 1, 0, 1]))
    assert told(joined(by_turns, 9, last=True))[0] == [("[2,1]", [1, 3]), ("[3,2]", [2, 4])]
    files = rows.head(2).with_columns(line=pl.Series([1, FILE_STEP + 1]), thread=pl.Series([0, 1]))
    assert told(joined(files, 9, last=False)) == ([], [1], [], [FILE_STEP + 1])
    own = lines_of(("[2]", "[2]", True), ("x", None, False)).with_columns(
        closed=pl.Series([True, False])
    )
    assert told(joined(own, 9, last=True)) == ([("[2]", None)], [], [2], [])


def sql(expression: str, text: str | None) -> Any:
    """An expression over a text `t`."""
    row = duckdb.execute(
        f"SELECT {expression} FROM (SELECT CAST(? AS VARCHAR) AS t)", [text]
    ).fetchone()
    assert row is not None
    return row[0]


@pytest.mark.parametrize(
    ("decimal", "text", "value"),
    [
        (".", "12.5", 12.5),
        (".", "1,234.5", 1234.5),
        (".", "1 234 567", 1234567.0),
        (".", "1'234.5", 1234.5),
        (".", "12,5", None),
        (".", "-3", -3.0),
        (".", "1\u00a0234", 1234.0),
        (".", "1,23", None),
        (".", "inf", None),
        (".", "nan", None),
        (".", "x", None),
        (".", None, None),
        (",", "12,5", 12.5),
        (",", "1.234,5", 1234.5),
        (",", "12.5", None),
        (",", "1.234", 1234.0),
        (",", "1 234,5", 1234.5),
        (",", "12", 12.0),
    ],
)
def test_a_number_with_its_decimal_sign(
    decimal: str, text: str | None, value: float | None
) -> None:
    """The other sign, blanks and apostrophes part thousands in threes; what may be two numbers is none."""
    assert sql(number("t", decimal), text) == value


def export(**keys: Any) -> Export:
    """An export of times in UTC with a day and a time apart, unless told otherwise."""
    usual = {
        "file": "*.csv",
        "timezone": "UTC",
        "time_format": "%d.%m.%Y %H:%M",
        "columns": {
            "evse_id": "Bay",
            "plugged_at": ["Day", " ", "From"],
            "unplugged_at": ["Day", " ", "To"],
            "energy_kwh": "kWh",
        },
    }
    return Export.model_validate({**usual, **keys})


def test_a_column_that_is_not_there_is_named() -> None:
    """One that stands alone must be there; in a list, what is none is a word, unless it looks like a column misspelt."""
    found = ["Bay", "Day", "From", "To", "kWh"]
    assert missing_columns(export(), found) == []
    assert missing_columns(export(), ["Day", "From", "To"]) == ["Bay", "kWh"]
    assert missing_columns(export(), ["Bay", "Day", "Frum", "To", "kWh"]) == ["From"]
    assert missing_columns(export(), ["Bay", "kWh"]) == ["Day", "From", "To"]
    worded = export(columns={"evse_id": ["yard-", "Bay"], "plugged_at": "Day"})
    assert missing_columns(worded, found) == []
    assert missing_columns(
        export(columns={"evse_id": ["FROM", "Bay"], "plugged_at": "Day"}), found
    ) == ["FROM"]


def one_reading(local: str, zone: str) -> tuple[str, str, str]:
    """Far from any change of clocks a time has one reading."""
    return f"timezone({zone}, {local})", f"timezone({zone}, {local})", "false"


def typed(
    asked: Export, found: tuple[str, ...], *cells: list[str] | None, forms: tuple[str, ...] = ()
) -> list[dict[str, Any]]:
    """The typed rows of a table."""
    con = duckdb.connect()
    con.execute("SET TimeZone = 'UTC'")
    records = pl.DataFrame(
        {"line": range(len(cells)), "byte_offset": 0, "text": "", "span": 1, "cells": list(cells)},
        schema_overrides={"cells": pl.List(pl.String)},
    )
    con.register("_records", records)
    got = con.execute(sessions_query(asked, found, forms or asked.forms, one_reading))
    names = [column[0] for column in got.description or ()]
    return [dict(zip(names, row, strict=True)) for row in got.fetchall()]


COLUMNS = ("Bay", "Day", "From", "To", "kWh")


def test_rows_of_an_export_are_typed_or_told() -> None:
    """A stay over midnight ends the day after; energy in kWh; each cell that is none by its column's name; width and quoting."""
    rows = typed(
        export(),
        COLUMNS,
        ["B1", "02.03.2026", "10:00", "11:30", "7.5"],
        ["B1", "02.03.2026", "22:00", "06:00", ""],
        ["", "02.03.2026", "10:00", "11:00", "x"],
        ["B1", "02.03.2026", "soon", "11:00", "1"],
        ["B1", "", "10:00", "", "1"],
        ["B1"],
        None,
        ["B1", "02.03.2026", "10:00", "late", "1"],
    )
    assert [r["reject_reason"] for r in rows] == [
        None,
        None,
        "the EVSE is blank; kWh: 'x' is not a number",
        "Day From: '02.03.2026 soon' is not a time written '%d.%m.%Y %H:%M'",
        "the plug-in time is blank",
        "has 1 values where the header has 5",
        "the quoting is broken",
        "Day To: '02.03.2026 late' is not a time written '%d.%m.%Y %H:%M'",
    ]
    assert [
        (r["energy_kwh"], r["unplugged_early"] and r["unplugged_early"].strftime("%d %H:%M"))
        for r in rows[:2]
    ] == [
        (7.5, "02 11:30"),
        (None, "03 06:00"),
    ]
    assert rows[0]["plugged_early"].strftime("%d %H:%M") == "02 10:00"


def test_an_end_before_its_beginning_is_the_day_after_only_with_one_day_for_both() -> None:
    """Where each end has its own day, or its whole time in one column, what is written stands: a rule will catch it."""
    whole = export(columns={"evse_id": "Bay", "plugged_at": "From", "unplugged_at": "To"})
    [row] = typed(whole, ("Bay", "From", "To"), ["B1", "02.03.2026 22:00", "02.03.2026 06:00"])
    assert row["unplugged_early"].strftime("%d %H:%M") == "02 06:00"
    own = export(columns={"evse_id": "Bay", "plugged_at": ["Day", " ", "From"], "unplugged_at": ["Day 2", " ", "To"]})  # fmt: skip
    [row] = typed(own, ("Bay", "Day", "From", "Day 2", "To"), ["B1", "02.03.2026", "22:00", "02.03.2026", "06:00"])  # fmt: skip
    assert row["unplugged_early"].strftime("%d %H:%M") == "02 06:00"


@pytest.mark.parametrize(
    ("unit", "text", "seconds"),
    [
        ("s", "90", 90),
        ("min", "1.5", 90),
        ("h", "2", 7200),
        ("%H:%M:%S", "1:02:03", 3723),
        ("%H:%M", "26:30", 95400),
        ("%M:%S", "90:05", 5405),
        ("%H:%M", "x", None),
        ("min", "x", None),
    ],
)
def test_a_duration_stands_for_the_end(unit: str, text: str, seconds: float | None) -> None:
    """The plug-in and the duration give the end; one that cannot be read says how it should be written. Wh are a thousandth of kWh."""
    asked = export(
        columns={"evse_id": "Bay", "plugged_at": "From", "duration": "Took", "energy_kwh": "Wh"},
        duration_unit=unit,
        energy_unit="Wh",
    )
    [row] = typed(asked, ("Bay", "From", "Took", "Wh"), ["B1", "02.03.2026 10:00", text, "7500"])
    assert row["energy_kwh"] == 7.5
    if seconds is None:
        assert row["reject_reason"] == f"Took: '{text}' is not a duration in {unit}"
    else:
        assert (row["unplugged_early"] - row["plugged_early"]).total_seconds() == seconds
        assert row["reject_reason"] is None


def test_blank_words_are_nothing_and_texts_are_joined() -> None:
    """A word for nothing is null, and so is what a null is part of; words between columns stand as they are."""
    asked = export(
        columns={"evse_id": ["yard-", "Bay"], "plugged_at": "From", "id_token": "Card"},
        blank=["-", "n/a"],
    )
    rows = typed(
        asked,
        ("Bay", "From", "Card"),
        ["7", "02.03.2026 10:00", "n/a"],
        ["-", "02.03.2026 10:00", " C1 "],
    )
    assert [(r["evse_id"], r["id_token"]) for r in rows] == [("yard-7", None), (None, "C1")]
    assert rows[1]["reject_reason"] == "the EVSE is blank"


def test_a_date_that_two_formats_read_differently_is_refused_or_settled() -> None:
    """Of two formats the one that reads all of a file's times stands; where both do, rows they read differently are refused."""
    asked = export(
        columns={"evse_id": "Bay", "plugged_at": "From"}, time_format=["%d.%m.%Y", "%m.%d.%Y"]
    )
    con = duckdb.connect()
    for cells, left in (
        (["02.03.2026", "13.03.2026"], ("%d.%m.%Y",)),
        (["02.03.2026"], ("%d.%m.%Y", "%m.%d.%Y")),
        (["02.03.2026", "03.13.2026"], ("%m.%d.%Y",)),
        (["03.03.2026"], ("%d.%m.%Y", "%m.%d.%Y")),
    ):
        con.register("_records", pl.DataFrame({"cells": [["B1", c] for c in cells]}))
        readings = [
            row[0] for row in con.execute(candidates_query(asked, ("Bay", "From"))).fetchall()
        ]
        assert proven(asked.forms, pl.Series(readings, dtype=pl.List(pl.Datetime("us")))) == left
    rows = typed(asked, ("Bay", "From"), ["B1", "02.03.2026"], ["B1", "03.03.2026"])
    assert rows[0]["reject_reason"] == (
        "'02.03.2026' may be 2026-02-03 00:00:00 or 2026-03-02 00:00:00 by the formats of the mapping, and nothing in the file tells which"
    )
    assert rows[1]["reject_reason"] is None
    assert rows[1]["plugged_early"].replace(tzinfo=None) == datetime.fromisoformat("2026-03-03")


def test_the_first_mapping_that_covers_a_file_reads_it() -> None:
    """Mappings in their order, entries in that of their file, globs from the mapping's folder; a wrong entry is told for its files."""
    text = "frames:\n  - {{file: '{0}', line: '{{at}} {{station_id}} {{dir}} {{frame}}', timezone: {1}}}\n"
    first, second = (
        parse(text.format(glob, zone))
        for glob, zone in (("a*.log", "UTC"), ("*.log", "Europe/Oslo"))
    )
    bad = parse(
        "frames:\n  - {file: 'b*.log'}\n  - {file: 'c.log', line: '{at} {station_id} {dir} {frame}'}\n"
    )
    assert isinstance(first, Mapping)
    assert isinstance(second, Mapping)
    assert isinstance(bad, Mapping)
    by = Mappings(
        [
            Delivered("yard/m.yaml", "1", first, None),
            Delivered("yard/n.yaml", "2", second, None),
            Delivered("m.yaml", "3", bad, None),
        ]
    )
    covered = {f: by.covering(f) for f in ("yard/a1.log", "yard/b1.log", "other/a1.log", "c.log")}
    assert {f: c and (c.file, c.folder, c.entry.timezone) for f, c in covered.items()} == {
        "yard/a1.log": ("yard/m.yaml", "yard", "UTC"),
        "yard/b1.log": ("yard/n.yaml", "yard", "Europe/Oslo"),
        "other/a1.log": None,
        "c.log": ("m.yaml", ".", None),
    }
    said = by.wrongly_covering("b7.log")
    assert said is not None
    assert said.startswith(
        "m.yaml:2: frames.0: one of line, json and cells says how a frame stands"
    )
    assert by.wrongly_covering("yard/b7.log") is None


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("- a\n", "line 1: a mapping has the keys frames: and exports:"),
        ("frames: []\n", "line 1: frames: and exports: hold no entry"),
        (
            "frame: []\n",
            "line 1: frame: not a key of a mapping; its keys are frames, exports (meant: frames?)",
        ),
        ("x: []\n", "line 1: x: not a key of a mapping; its keys are frames, exports"),
        (
            "\nframes: a\n",
            "line 2: frames: a list of entries is expected, each beginning with '- file:'",
        ),
        ("frames:\n  - a\n", "line 2: frames.0: an entry is a set of keys, beginning with 'file:'"),
    ],
)
def test_a_mapping_of_which_nothing_can_be_used(text: str, said: str) -> None:
    """What it should be, with the line, and the key that was near."""
    assert parse(text) == said
