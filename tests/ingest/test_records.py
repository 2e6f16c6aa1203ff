"""Lines of a CSV joined to records: the set-based rule against the same rule told line by line."""

from __future__ import annotations

import csv

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.ingest.lines import Block
from pipeline.ingest.records import Records, records
from pipeline.settings.ingest import IngestSettings

Row = tuple[int, str, int, list[str] | None]


def block(lines: list[str], first: int) -> Block:
    """Lines as a block whose first has this number."""
    data = [line.encode() for line in lines]
    starts = np.cumsum([0, *map(len, data)]).astype(np.int64)
    number = np.arange(first, first + len(lines), dtype=np.int64)
    return Block(b"".join(data), starts, number, starts[:-1])


def by_hand(lines: list[tuple[int, str]], cap: int) -> list[Row]:
    """The rule as written down: a record goes on until its quotes are even, for at most `cap` lines that follow each other."""
    made: list[Row] = []
    i = 0
    while i < len(lines):
        quotes, end = 0, i
        while end < len(lines) and end - i < cap and lines[end][0] - lines[i][0] == end - i:
            quotes += lines[end][1].count('"')
            end += 1
            if quotes % 2 == 0:
                break
        end = i + 1 if quotes % 2 else end
        text = "".join(line for _, line in lines[i:end])
        if text.strip():
            try:
                read = list(csv.reader([text.rstrip("\r\n")], strict=True))
            except csv.Error:
                read = []
            made.append((lines[i][0], text, end - i, read[0] if len(read) == 1 else None))
        i = end
    return made


def told(parts: list[Records]) -> list[Row]:
    """Records of all parts."""
    made: list[Row] = []
    for part in parts:
        made += [tuple(row) for row in part.rows.select("line", "text", "span", "cells").rows()]
    return made


LINES = st.lists(
    st.text('ab," ', max_size=6).map(lambda text: f"{text if text.strip() else ''}\n"), max_size=12
)


@given(st.lists(LINES, max_size=4), st.integers(1, 5), st.booleans())
def test_any_lines_give_the_records_of_the_rule(
    parts: list[list[str]],
    cap: int,
    gap: bool,  # noqa: FBT001
) -> None:
    """Whatever stands in the lines, wherever blocks are cut, whether or not a rejected line lies between (derived)."""
    settings = IngestSettings(record_lines_cap=cap)
    blocks, numbered, first = [], [], 1
    for lines in parts:
        blocks.append(block(lines, first))
        numbered += [(first + i, line) for i, line in enumerate(lines)]
        first += len(lines) + gap
    assert told(list(records(iter(blocks), ",", settings))) == by_hand(numbered, cap)


@pytest.mark.parametrize(
    ("lines", "want"),
    [
        (['a,"b\n', 'c",d\n', "e,f\n"], [(1, 2, ["a", "b\nc", "d"]), (3, 1, ["e", "f"])]),
        (['a,"b\n', "c\n", "d\n", "e\n"], [(1, 1, None), (2, 1, ["c"]), (3, 1, ["d"]), (4, 1, ["e"])]),
        (['"a""b",c\n'], [(1, 1, ['a"b', "c"])]),
        (['a"b,c\n', 'd"e\n'], [(1, 2, None)]),
        (["a\n", "\n", '"b"\n'], [(1, 1, ["a"]), (3, 1, ["b"])]),
    ],
    ids=["a value of two lines", "never closed within three", "a doubled quote", "quotes within bare values", "an empty line"],
)  # fmt: skip
def test_worked_records(lines: list[str], want: list[tuple[int, int, list[str] | None]]) -> None:
    """RFC 4180, section 2: line ends and doubled quotes within quoted fields; the cap is ours."""
    made = told(list(records(iter([block(lines, 1)]), ",", IngestSettings(record_lines_cap=3))))
    assert [(line, span, cells) for line, _, span, cells in made] == want
