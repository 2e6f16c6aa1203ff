"""Writing the pages: one folder that opens from disk, needs no server and asks no other host."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import timedelta
from functools import cache
from pathlib import Path
from typing import Any

import vl_convert

from dashboards.addresses import pack_links
from dashboards.fleet import fleet_view
from dashboards.markup import STATIC, environment
from dashboards.page_data import PageData
from dashboards.records import records_view
from dashboards.sites import sites_view
from dashboards.workshop import workshop_view
from pipeline.core.weeks import week_end, week_start

Links = dict[str, str]
"""Vehicle → address."""


@dataclass(frozen=True)
class Page:
    """A page: its name in the menu, its template, and the view that makes what the template needs.

    A view takes the week's data and the addresses of vehicles' evidence pages and of their reviews,
    and gives plain rows.
    """

    name: str
    template: str
    view: Callable[[PageData, Links, Links], dict[str, Any]]


PAGES: Mapping[str, Page] = {
    "fleet": Page("Fleet", "fleet.html.j2", fleet_view),
    "sites": Page("Sites", "sites.html.j2", lambda data, _packs, _reviews: sites_view(data)),
    "workshop": Page("Workshop", "workshop.html.j2", workshop_view),
    "data": Page("Data", "records.html.j2", lambda data, _packs, _reviews: records_view(data)),
}
ASSETS = "assets"
Menu = list[tuple[str, str, str]]


@cache
def chart_script() -> str:
    """The one script that draws charts, from the packaged copies of Vega, Vega-Lite and Vega-Embed."""
    return str(vl_convert.javascript_bundle())  # type: ignore[call-arg]  # its stub forgets the defaults


def span_of(week: str) -> str:
    """The days of an ISO week in words."""
    first, last = week_start(week), week_end(week) - timedelta(days=1)
    return f"{first.day} {first:%b} to {last.day} {last:%b %Y}"


def render_page(
    page: str,
    data: PageData,
    *,
    menu: Menu | None = None,
    assets: str = f"{ASSETS}/",
    packs: Links | None = None,
    reviews: Links | None = None,
) -> str:
    """One page, by its key in PAGES, as HTML.

    menu: (key, name, address) of the pages that may be reached; assets: where the scripts and the
    style sheet are; packs, reviews: address of a vehicle's evidence page, and of its review where a
    server has one.
    """
    links = pack_links(data.evidence) if packs is None else packs
    view = PAGES[page].view(data, links, reviews or {})
    frame = {
        "week": data.week,
        "span": span_of(data.week),
        "menu": menu or [(key, one.name, f"{key}.html") for key, one in PAGES.items()],
        "here": page,
        "assets": assets,
        "turned_away": data.run.get("turned_away") or [],
        "look_back": (data.run.get("settings") or {}).get("look_back_weeks"),
    }
    return environment().get_template(PAGES[page].template).render(**view, **frame)


def write_assets(folder: Path) -> None:
    """The chart script, our script and the style sheet, once for all pages."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "charts.js").write_text(chart_script(), encoding="utf-8")
    for name in ("pages.js", "pages.css"):
        (folder / name).write_text((STATIC / name).read_text(encoding="utf-8"), encoding="utf-8")


def write_pages(week_dir: Path, data: PageData) -> None:
    """Every page (`fleet.html` and so on) and their assets, into the week's folder."""
    write_assets(week_dir / ASSETS)
    for page in PAGES:
        (week_dir / f"{page}.html").write_text(render_page(page, data), encoding="utf-8")
