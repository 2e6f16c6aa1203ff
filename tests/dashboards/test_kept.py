"""What is kept in the user's cache: made once, not trusted when damaged, not needed."""

from __future__ import annotations

from pathlib import Path

import pytest

from dashboards.kept import kept


@pytest.fixture(autouse=True)
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A user's cache of this test's own."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    return tmp_path


def text_made(made: list[str]) -> str:
    """A text, noting that it was made."""
    made.append("made")
    return "a script\r\nof \u2028 two lines"


def test_a_text_is_made_once_and_read_back_as_it_was() -> None:
    """Derived: the second time nothing is made, and every character stands."""
    made: list[str] = []
    first = kept("script.js", lambda: text_made(made))
    assert kept("script.js", lambda: text_made(made)) == first == text_made([])
    assert made == ["made"]


def test_a_damaged_text_is_made_again(cache: Path) -> None:
    """Derived: a file cut short does not draw the charts."""
    kept("script.js", lambda: text_made([]))
    place = cache / "whichside" / "script.js"
    place.write_bytes(place.read_bytes()[:-3])
    assert kept("script.js", lambda: text_made([])) == text_made([])


def test_where_nothing_can_be_kept_it_is_made(cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Derived: a cache that is a file, or a user without a home: the pages come all the same."""
    (cache / "whichside").write_text("no folder", encoding="utf-8")
    assert kept("script.js", lambda: text_made([])) == text_made([])
    monkeypatch.delenv("XDG_CACHE_HOME")
    monkeypatch.setattr(Path, "home", _no_home)
    assert kept("script.js", lambda: text_made([])) == text_made([])


def _no_home() -> Path:
    raise RuntimeError("Could not determine home directory.")
