"""The pages as a person meets them.

Opened from disk, clicked, typed at, read by a screen reader, on a phone, on paper.
"""

from __future__ import annotations

from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from invented import invented_week, write_finished_week

from dashboards.pages import PAGES, write_pages

pytestmark = pytest.mark.browser

FILES = [
    *(f"{page}.html" for page in PAGES),
    "vehicle.html#V-0000",
    "evse.html#E-001",
    "referrals/V-0000/index.html",
]
AXE = "axe_playwright_python"


def _axe_violations(page: Any) -> list[str]:
    """What axe-core finds against WCAG 2.2 A and AA on the finished page, in a line each."""
    page.wait_for_load_state("load")
    if page.locator("#unit").count():
        page.locator("#unit[data-ready]").wait_for()
    page.evaluate((files(AXE) / "axe.min.js").read_text(encoding="utf-8"))
    rules = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
    found = page.evaluate("tags => axe.run(document, {runOnly: tags, preload: false})", rules)[
        "violations"
    ]
    return [f"{v['id']}: {v['help']}: {v['nodes'][0]['html'][:200]}" for v in found]


def _address(week: Path, file: str) -> str:
    name, _, unit = file.partition("#")
    return (week / name).as_uri() + (f"#{unit}" if unit else "")


def _draw_all(page: Any) -> None:
    if page.locator("#unit").count():
        page.locator("#unit[data-ready]").wait_for()
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    page.wait_for_function(
        "[...document.querySelectorAll('.chart')].every(c => c.querySelector('svg'))"
    )


@pytest.mark.parametrize("file", FILES)
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_page_opens_from_disk_and_is_accessible(
    watched: Callable[..., Any], week: Path, file: str, scheme: str
) -> None:
    """Every page draws all its charts from file://, in both colour schemes, with nothing for
    axe-core to find.
    """
    page = watched(color_scheme=scheme).page
    page.goto(_address(week, file))
    _draw_all(page)
    assert _axe_violations(page) == []


@pytest.mark.parametrize("file", FILES)
def test_a_page_fits_a_phone(watched: Callable[..., Any], week: Path, file: str) -> None:
    """At 390 px no page is wider than the screen; tables scroll inside themselves."""
    page = watched(width=390).page
    page.goto(_address(week, file))
    _draw_all(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390


def test_without_script_a_unit_is_not_shown_but_told(
    watched: Callable[..., Any], week: Path
) -> None:
    """A unit's page without script says so instead of standing empty."""
    page = watched(java_script_enabled=False).page
    page.goto((week / "vehicle.html").as_uri())
    assert "needs its script" in page.locator("main").inner_text()


def test_without_script_the_lists_are_still_there(watched: Callable[..., Any], week: Path) -> None:
    """Every vehicle stands in the page itself; script only finds, sorts and draws."""
    page = watched(java_script_enabled=False).page
    page.goto((week / "fleet.html").as_uri())
    assert page.locator("#vehicles tbody tr:visible").count() == 60


def test_a_long_list_can_be_used(watched: Callable[..., Any], tmp_path: Path) -> None:
    """Of 2,000 vehicles the urgent ones are shown first.

    All can be shown, found and sorted (how fast: dashboards.bench).
    """
    folder = write_finished_week(
        tmp_path, invented_week(vehicles=2000, evses=400, per_vehicle=12, sites=20)
    )
    page = watched().page
    page.goto((folder / "fleet.html").as_uri())
    page.get_by_text("4 of 2,001 shown").wait_for()
    page.get_by_label("Find", exact=True).fill("V-1999")
    beyond = page.get_by_role("list", name="Found beyond this list")
    beyond.get_by_role("link", name="V-1999").click()
    page.locator("#unit[data-ready='V-1999']").wait_for()


def test_the_keyboard_reaches_the_content_first(watched: Callable[..., Any], week: Path) -> None:
    """The first stop of the Tab key skips the head of the page; sorting works by Enter."""
    page = watched().page
    page.goto((week / "sites.html").as_uri())
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"
    page.locator("#evses").get_by_role("button", name="Failed", exact=True).focus()
    page.keyboard.press("Enter")
    assert page.locator("#evses th[aria-sort]").get_attribute("aria-sort") == "descending"


def test_paper_gets_words_not_buttons(watched: Callable[..., Any], week: Path) -> None:
    """In print there is no menu and no search form, reasons are whole, and ink is black on white in
    dark mode too.
    """
    page = watched(color_scheme="dark").page
    page.goto((week / "fleet.html").as_uri())
    page.emulate_media(media="print")
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    assert not page.get_by_role("navigation").is_visible()
    assert not page.locator("form").first.is_visible()
    assert page.evaluate("getComputedStyle(document.body).color") == "rgb(0, 0, 0)"
    assert page.locator("#vehicles .reason").first.get_by_text("97 % × 120 EUR").is_visible()


def test_a_list_shows_more_only_where_there_is_more(
    watched: Callable[..., Any], tmp_path: Path
) -> None:
    """A short list has no such button; of 250 vehicles a hundred are laid out, two hundred after a click, all on paper."""
    page = watched().page
    for vehicles in (40, 250):
        write_pages(tmp_path, invented_week(vehicles=vehicles, evses=6, per_vehicle=3))
        page.goto((tmp_path / "fleet.html").as_uri())
        page.select_option("form.finder [name=call]", "")
        assert page.get_by_role("button", name="Show more").is_visible() == (vehicles > 100)
    shown = "document.querySelectorAll('#vehicles tbody tr:not([hidden])').length"
    assert page.evaluate(shown) == 100
    page.get_by_role("button", name="Show more (150)").click()
    assert page.evaluate(shown) == 200
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    assert page.evaluate(shown) == 250
    page.fill("form.finder [name=text]", "V-0249")
    assert page.evaluate(shown) == 1
