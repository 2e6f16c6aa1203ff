"""Sheets set side by side are those set one by one, and what fails is told."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from pipeline.core.side_by_side import side_by_side
from pipeline.publish.typeset import typeset

AT = datetime(2026, 4, 6, tzinfo=UTC)


def test_sheets_set_side_by_side_are_those_set_one_by_one(tmp_path: Path) -> None:
    """In the order asked for, byte for byte."""
    template = tmp_path / "word.typ"
    template.write_text("#json(bytes(sys.inputs.data)).word", encoding="utf-8")

    def sheet(word: str) -> bytes:
        return typeset(template, {"word": word}, AT)

    words = [f"word {n}" for n in range(12)]
    alone = [sheet(word) for word in words]
    assert len(set(alone)) == len(words)
    assert list(side_by_side(sheet, words)) == alone


def test_a_sheet_that_cannot_be_made_stops_the_rest() -> None:
    """Nothing passes for published where one sheet failed."""

    def made(number: int) -> int:
        if number == 1:
            raise ValueError("no sheet")
        return number

    with pytest.raises(ValueError, match="no sheet"):
        list(side_by_side(made, range(3)))
