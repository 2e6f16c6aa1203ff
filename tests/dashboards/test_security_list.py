"""The list of what holds the review pages names tests that are there."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def test_every_test_the_list_names_is_there() -> None:
    """An item of the list is held by a test, not by a name."""
    listed = (ROOT / "docs" / "operations" / "security-checks.md").read_text(encoding="utf-8")
    rows = [line for line in listed.splitlines() if re.match(r"\| [0-9]", line)]
    named = {name for row in rows for name in re.findall(r"`(test_\w+)`", row)}
    there = {
        name
        for path in (ROOT / "tests").rglob("test_*.py")
        for name in re.findall(r"^def (test_\w+)", path.read_text(encoding="utf-8"), re.MULTILINE)
    }
    assert len(rows) >= 20
    assert all(re.search(r"`test_\w+`", row) for row in rows)
    assert named <= there, named - there
