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

from dashboards.pages import PAGES

pytestmark = pytest.mark.browser

FILES = [*(f"{page}.html" for page in PAGES), "referrals/V-0000/index.html"]
AXE = "axe_playwright_python"


def _axe_violations(page: Any) -> list[str]:
    """What axe-core finds against WCAG 2.2 A and AA, in a line each."""
    page.evaluate((files(AXE) / "axe.min.js").read_text(encoding="utf-8"))
    rules = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
    found = page.evaluate("tags => axe.run(document, {runOnly: tags, preload: false})", rules)[
        "violations"
    ]
    return [f"{v['id']}: {v['help']}: {v['nodes'][0]['html'][:200]}" for v in found]


def _draw_all(page: Any) -> None:
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
    page.goto((week / file).as_uri())
    _draw_all(page)
    assert _axe_violations(page) == []


@pytest.mark.parametrize("file", FILES)
def test_a_page_fits_a_phone(watched: Callable[..., Any], week: Path, file: str) -> None:
    """At 390 px no page is wider than the screen; tables scroll inside themselves."""
    page = watched(width=390).page
    page.goto((week / file).as_uri())
    _draw_all(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390


def test_a_manager_finds_a_vehicle_and_reads_its_story(
    watched: Callable[..., Any], week: Path
) -> None:
    """Find by typing, sort by a head, open the story, go on to the evidence pack."""
    page = watched().page
    page.goto((week / "fleet.html").as_uri())
    assert (
        page.locator("h1").inner_text() == "1 vehicle to refer, 1 to watch, 1 proving after repair"
    )
    assert page.locator("#vehicles tbody tr:visible").count() == 4
    page.get_by_label("Show").select_option("")
    page.get_by_role("button", name="AC failed").click()
    assert page.locator("#vehicles tbody tr").first.locator("th").inner_text() == "V-0000"
    page.get_by_label("Find", exact=True).fill("v-0000")
    assert page.locator("#vehicles tbody tr:visible").count() == 1
    page.get_by_role("button", name="V-0000").click()
    story = page.get_by_role("dialog")
    assert "Larch 3" in story.inner_text()
    assert "Latest failures" in story.inner_text()
    story.get_by_role("link", name="Open the evidence pack").click()
    page.locator("h1", has_text="shorted pilot diode").wait_for()


def test_the_story_has_an_address_and_closes_by_key(
    watched: Callable[..., Any], week: Path
) -> None:
    """A story can be linked to, opened by keyboard and closed with Escape."""
    page = watched().page
    page.goto((week / "fleet.html").as_uri() + "#vehicle=V-0007")
    page.get_by_role("dialog").wait_for()
    page.keyboard.press("Escape")
    assert page.get_by_role("dialog").count() == 0
    page.get_by_role("button", name="V-0000").focus()
    page.keyboard.press("Enter")
    page.get_by_role("dialog").wait_for()


def test_an_operator_sees_row_column_and_block(watched: Callable[..., Any], week: Path) -> None:
    """The picture outlines a bad row, a bad column and a bad block, each in its own stroke."""
    page = watched().page
    page.goto((week / "sites.html").as_uri())
    _draw_all(page)
    for cause in ("vehicle", "evse", "pairing"):
        assert page.locator(f'#matrix-1 svg [stroke="var(--{cause})"]').count() >= 1, cause


def test_a_workshop_gets_from_the_list_to_the_pack(watched: Callable[..., Any], week: Path) -> None:
    """The cautions stand before the list, and the pack is one click away."""
    page = watched().page
    page.goto((week / "workshop.html").as_uri())
    page.get_by_role("complementary", name="Before anyone touches it").wait_for()
    page.get_by_role("link", name="Evidence pack of V-0000").click()
    assert "On the bench" in page.locator("main").inner_text()


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
    page.get_by_text("4 of 2000 shown").wait_for()
    page.get_by_label("Show").select_option("")
    page.get_by_text("2000 of 2000 shown").wait_for()
    page.get_by_label("Find", exact=True).fill("V-1999")
    assert page.locator("#vehicles tbody tr:visible").count() == 1


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
    assert not page.get_by_role("navigation").is_visible()
    assert not page.get_by_role("search").is_visible()
    assert page.evaluate("getComputedStyle(document.body).color") == "rgb(0, 0, 0)"
    assert (
        page.evaluate("getComputedStyle(document.querySelector('td.why > div')).display") == "block"
    )
