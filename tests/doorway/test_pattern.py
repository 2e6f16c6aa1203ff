"""How far a pattern fits a line."""

from __future__ import annotations

import pytest

from pipeline.doorway.pattern import Words, compiled

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
