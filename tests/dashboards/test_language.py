"""The pages' words: whole in each language, the same blanks in each, and used as they are written."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from invented import invented_week

from dashboards.language import LANGUAGES, Language, strings
from dashboards.markup import HERE
from dashboards.pages import PAGES, render_page
from pipeline.registry import registry

BLANK = re.compile(r"\{(\w+)\}")


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_word_is_there_in_every_language(language: str) -> None:
    """Each key has a text, with the blanks of the English one, and as many forms or one."""
    for key, texts in strings().items():
        assert set(BLANK.findall(texts[language])) <= set(BLANK.findall(texts["en"])), key
        assert set(texts) == set(LANGUAGES), key


def test_every_key_the_pages_ask_for_is_written() -> None:
    """Templates and code name only keys that the strings file holds."""
    asked = set()
    for path in [*HERE.rglob("*.j2"), *HERE.rglob("*.py"), *HERE.rglob("*.js")]:
        text = path.read_text(encoding="utf-8")
        asked |= set(re.findall(r"""\b(?:t|say)\(["']([a-z_]+\.[a-z_]+)["']""", text))
    assert asked
    assert asked - set(strings()) == set()


@pytest.mark.parametrize(
    ("field", "group"),
    [
        ("call", "call"),
        ("suspect", "part"),
        ("outcome", "outcome"),
        ("stage", "stage"),
        ("decision", "decision"),
        ("mark", "mark"),
        ("work_finding", "finding"),
        ("finding", "finding"),
    ],
)
def test_no_code_reaches_a_screen(field: str, group: str) -> None:
    """Every word a column may hold has its own words on the pages."""
    missing = [v for v in registry().fields[field].values if f"{group}.{v}" not in strings()]
    assert missing == []


def test_forms_go_by_number() -> None:
    """None, one and many have their own forms where the text gives them."""
    t = Language()
    assert [t("fleet.vehicles", n=n) for n in (0, 1, 2)] == [
        "No vehicle",
        "1 vehicle",
        "2 vehicles",
    ]
    assert [t("unit.timeline_n", n=n) for n in (1, 0)] == [
        "1 attempt, and how far it came",
        "0 attempts, and how far each came",
    ]
    assert t("frame.more_found", n=1234) == "1,234 more"
    assert Language("de")("frame.more_found", n=1234) == "1.234 weitere"
    assert Language("de").day(datetime(2026, 3, 4, tzinfo=UTC)) == "4. März 2026"


@pytest.mark.parametrize("page", PAGES)
def test_the_other_language_is_whole(page: str) -> None:
    """With the setting the pages speak German, and say so to a screen reader; reasons stay marked English."""
    data = invented_week()
    settings = {**data.run["settings"], "pages": {"language": "de", "currency": "SEK"}}
    text = render_page(page, replace(data, run={**data.run, "settings": settings}))
    assert '<html lang="de">' in text
    assert "Montagsliste" in text
    if page == "fleet":
        assert "In die Werkstatt" in text
        assert "SEK" in text
        assert "EUR" not in text
        assert 'lang="en">40 of 40' in text
