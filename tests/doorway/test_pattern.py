"""How far a pattern fits a line."""

from __future__ import annotations

import re

import pytest

from pipeline.doorway.pattern import PatternError, Words, compiled

GAPS = compiled(
    "{at} {*} {*} {*} {*} {*} {*} {*}x{*}x{*}x {station_id}: {dir} {frame}",
    ("%Y-%m-%d %H:%M:%S",),
    Words(("a", "b")),
)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("nothing of it", "does not begin as the pattern does: '{at} "),
        ("2026-03-02 10:00:00 no such sign", "fits '{at} {*} {*} {*} {*} {*} {*} {*}' and then not 'x{*}x"),
        ("2026-03-02 10:00:00 x x x x x x x x x x S: c [2", "and then not '{dir} {frame}'"),
        ('2026-03-02 10:00:00 x x x x x x x x x x S: a [2,"1"', f"fits {GAPS.text!r} and then not ''"),
    ],
    ids=["nothing", "the words", "the direction", "all"],
)  # fmt: skip
def test_how_far_a_line_fits_is_told(line: str, said: str) -> None:
    """The pieces that fit, and the first that does not (derived)."""
    assert said in GAPS.fitted([line])


def test_many_gaps_before_a_long_line_are_told_as_well() -> None:
    """2,000 signs to be shared out among ten gaps: one that tries every way would not end within a lifetime."""
    line = "2026-03-02 10:00:00 " + "x: " * 660
    assert "fits '{at} {*}" in GAPS.fitted([line])


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{when} {frame}", "{when} is no part; parts are {at}, {*}, {station_id}, {dir}, {frame}"),
        ("{at} {frame} }", "a brace stands alone (write {{ or }} for one that is meant); parts are {at}"),
        ("{at} {at} {frame}", "{at} stands twice"),
        ("{at} {station_id}", "it must name {frame}, or {payload} with {type} and {id}; one of them, once"),
        ("{frame} {payload}", "it must name {frame}, or {payload} with {type} and {id}; one of them, once"),
    ],
    ids=["unknown part", "lone brace", "twice", "no frame", "both"],
)  # fmt: skip
def test_a_pattern_that_cannot_be_used_says_why(text: str, said: str) -> None:
    """What is wrong, and what there is."""
    with pytest.raises(PatternError) as told:
        compiled(text, ("iso8601",), Words())
    assert str(told.value).startswith(said)


@pytest.mark.parametrize(
    ("line", "hint"),
    [
        ("noon", "(a time written '%H:%M')"), ("10:00 in", "(one of 'recv', 'sent')"), ("10:00 recv '", "(one of any word)"),
        ("10:00 recv 'CALL' [x", "(an array that begins with its message type)"),
    ],
    ids=["time", "direction", "type", "frame"],
)  # fmt: skip
def test_what_was_expected_is_told(line: str, hint: str) -> None:
    """The first part that does not fit, with what it may be; a quoted part holds blanks."""
    pattern = compiled("{at} {dir} '{type}' {frame}", ("%H:%M",), Words(("recv", "sent")))
    assert pattern.fitted([line]).endswith(hint)


def test_a_quoted_part_holds_blanks() -> None:
    """A station's name between quotes may have blanks in it; without quotes it has none."""
    line = '10:00 "bay 7" [2,"1"]'
    found = re.search(compiled('{at} "{station_id}" {frame}', ("%H:%M",), Words()).whole, line)
    assert found
    assert found["station_id"] == "bay 7"
    assert not re.search(compiled("{at} {station_id} {frame}", ("%H:%M",), Words()).whole, line)
