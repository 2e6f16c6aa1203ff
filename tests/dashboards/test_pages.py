"""The pages as files.

Whole, small, self-contained, and deaf to what a log would like them to do.
"""

from __future__ import annotations

import html.parser
import json
import re
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest
from invented import invented_week, nothing

from dashboards.pages import ASSETS, PAGES, UNIT_PAGES, render_page, write_pages

HOSTILE = '</script><script>alert(1)</script><img src=x onerror="alert(2)">\x1b[31m\u202e=1+1'


class _Elements(html.parser.HTMLParser):
    """Collects start tags, and what stands inside script elements."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.scripts: list[str] = []
        self._in_script = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._in_script = tag == "script"
        if self._in_script:
            self.scripts.append("")

    def handle_endtag(self, tag: str) -> None:
        self._in_script = self._in_script and tag != "script"

    def handle_data(self, data: str) -> None:
        if self._in_script:
            self.scripts[-1] += data


def _parse(text: str) -> _Elements:
    parser = _Elements()
    parser.feed(text)
    return parser


def test_every_page_and_its_assets_are_written(tmp_path: Path) -> None:
    """The folder holds the pages, the Monday list, and one copy of what they share: scripts, look,
    the index and the data of units.
    """
    write_pages(tmp_path, invented_week())
    pages = {f"{page}.html" for page in (*PAGES, *UNIT_PAGES)}
    assert {path.name for path in tmp_path.iterdir()} == pages | {
        ASSETS,
        "monday.csv",
        "monday.ics",
    }
    assert {path.name for path in (tmp_path / ASSETS).iterdir()} == {
        "charts.js", "pages.js", "unit.js", "look.css", "pages.css", "index.js", "vehicles-0.js", "evses-0.js",
    }  # fmt: skip


@pytest.mark.parametrize("page", PAGES)
def test_a_page_names_no_other_host(page: str) -> None:
    """No address in a page leads away from its folder."""
    for tag, attributes in _parse(render_page(page, invented_week())).tags:
        for name in ("src", "href", "action"):
            address = attributes.get(name) or ""
            assert address == "data:," or not re.match(r"[a-z]+:|//", address), (
                f"{tag} {name}={address}"
            )


@pytest.mark.parametrize("page", PAGES)
def test_a_week_without_anything_still_has_its_pages(page: str) -> None:
    """Empty frames make a page that says so, not an error."""
    assert "<h1>" in render_page(page, nothing())


@pytest.mark.parametrize("page", PAGES)
def test_hostile_text_stays_text(page: str) -> None:
    """Markup, control and direction characters in every text column, key and note of the input
    become visible text.
    """
    data = invented_week(vehicles=9, evses=6, per_vehicle=12)
    spoiled = {}
    for name in (
        "vehicles",
        "evses",
        "pairings",
        "attempts",
        "rejected",
        "impossible",
        "next_tests",
    ):
        frame: pl.DataFrame = getattr(data, name)
        kept = {"call", "outcome", "supply", "stage", "severity"}
        columns = [c for c, kind in frame.schema.items() if kind == pl.String and c not in kept]
        spoiled[name] = frame.with_columns((pl.col(c) + HOSTILE) for c in columns)
    run = json.loads(json.dumps(dict(data.run)))
    run["inputs"][0]["file"] += HOSTILE
    run["versions"][HOSTILE] = HOSTILE
    run["inputs"][0]["message"] = HOSTILE
    run["inputs"][0]["unknown_columns"] = [HOSTILE]
    rules, rates = (
        frame.with_columns(pl.col(pl.String) + HOSTILE)
        for frame in (data.rule_results, data.rule_rates)
    )
    evil = replace(data, run=run, rule_results=rules, rule_rates=rates, **spoiled)
    clean, dirty = (render_page(page, week) for week in (data, evil))
    scripts = [sum(tag == "script" for tag, _ in _parse(text).tags) for text in (clean, dirty)]
    assert scripts[0] == scripts[1]
    assert not [
        tag for tag, attributes in _parse(dirty).tags if tag == "img" or "onerror" in attributes
    ]
    assert "\x1b" not in dirty
    assert "\u202e" not in dirty
    for script in _parse(dirty).scripts:
        assert "<" not in script
        if script.strip():
            json.loads(script)


def test_the_words_of_the_week() -> None:
    """Headlines state the finding.

    What is referred, what is at fault, that all lines are accounted for.
    """
    data = invented_week()
    assert "1 vehicle to the workshop, 1 to watch, 1 proving its repair" in render_page(
        "fleet", data
    )
    assert "1 EVSE fails whichever vehicle plugs in" in render_page("sites", data)
    assert "1 incompatible pairing" in render_page("sites", data)
    assert "All 1,061 lines are accounted for: 2 rejected, 8 repeats" in render_page("data", data)


def test_an_account_that_does_not_add_up_is_the_headline() -> None:
    """A lost line is said first and loudest."""
    data = invented_week()
    run = json.loads(json.dumps(dict(data.run)))
    run["inputs"][0]["used"] -= 1
    assert "The accounts of 1 file do not add up" in render_page("data", invented_week(run=run))


def test_cautions_stand_wherever_somebody_may_reach_for_a_tool() -> None:
    """Sites with a faulty EVSE and the workshop page print the cautions and defer to codes, maker
    and licence.
    """
    for page in ("sites", "workshop"):
        text = render_page(page, invented_week())
        assert "Before anyone touches it" in text
        for word in ("live", "gloves", "licensed", "Local codes"):
            assert word in text


def test_a_page_for_two_thousand_vehicles_stays_small(tmp_path: Path) -> None:
    """Every page of 2,000 vehicles at 400 EVSEs stays under 3 MB."""
    write_pages(tmp_path, invented_week(vehicles=2000, evses=400, per_vehicle=60, sites=20))
    for page in PAGES:
        assert (tmp_path / f"{page}.html").stat().st_size < 3_000_000, page
