"""Writing the pages: one folder that opens from disk, needs no server and asks no other host."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import timedelta
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

import vl_convert

from dashboards import unit_page
from dashboards.addresses import pack_links
from dashboards.fleet import fleet_view
from dashboards.kept import kept
from dashboards.language import Language
from dashboards.markup import STATIC, environment
from dashboards.monday import monday_csv, monday_ics, monday_view
from dashboards.page_data import PageData
from dashboards.reader import Reader, settings_of, turned_away_of
from dashboards.records import records_view
from dashboards.sites import sites_view
from dashboards.units import SHARD, Kind
from dashboards.workshop import workshop_view
from pipeline.core.weeks import week_end, week_start


@dataclass(frozen=True)
class Page:
    """A page: its name in the menu (a key of the strings file, or the name itself), its template,
    and the view that makes what the template needs: plain rows, from the week's data and its reader.
    """

    name: str
    template: str
    view: Callable[[PageData, Reader], dict[str, Any]]


PAGES: Mapping[str, Page] = {
    "fleet": Page("menu.fleet", "fleet.html.j2", fleet_view),
    "monday": Page("menu.monday", "monday.html.j2", monday_view),
    "sites": Page("menu.sites", "sites.html.j2", sites_view),
    "workshop": Page("menu.workshop", "workshop.html.j2", workshop_view),
    "data": Page("menu.data", "records.html.j2", records_view),
}
UNIT_PAGES: tuple[Kind, Kind] = ("vehicle", "evse")
ASSETS = "assets"
SCRIPTS = ("pages.js", "unit.js")
STYLES = ("look.css", "pages.css")
Menu = list[tuple[str, str, str]]


@cache
def chart_script() -> str:
    """The one script that draws charts, from the packaged copies of Vega, Vega-Lite and Vega-Embed."""
    made_by = version("vl-convert-python")
    return kept(
        f"charts-{made_by}.js",
        lambda: str(vl_convert.javascript_bundle()),  # type: ignore[call-arg]  # its stub forgets the defaults
    )


def span_of(week: str, t: Language | None = None) -> str:
    """The days of an ISO week in words."""
    t = t or Language()
    first, last = week_start(week), week_end(week) - timedelta(days=1)
    return f"{t.day(first, year=False)} – {t.day(last)}"


def language_of(data: PageData) -> Language:
    """The language the run's settings ask for."""
    return Language(str(settings_of(data, "pages").get("language") or "en"))


def page_name(page: str, t: Language) -> str:
    """A page's name in the menu."""
    name = PAGES[page].name
    return t(name) if name.startswith("menu.") else name


def render_page(
    page: str,
    data: PageData,
    *,
    reader: Reader | None = None,
    menu: Menu | None = None,
    assets: str = f"{ASSETS}/",
    downloads_from: str | None = "",
) -> str:
    """One page, by its key in PAGES, as HTML.

    menu: (key, name, address) of the pages that may be reached; assets: where the scripts and the
    style sheet are; downloads_from: where the week's tables are, None where they may not be taken.
    """
    reader = reader or static_reader(data)
    view = PAGES[page].view(data, reader)
    frame = page_frame(data, reader, page, menu=menu, assets=assets, downloads_from=downloads_from)
    return environment().get_template(PAGES[page].template).render(**view, **frame)


def page_frame(
    data: PageData,
    reader: Reader,
    page: str,
    *,
    menu: Menu | None,
    assets: str,
    downloads_from: str | None,
) -> dict[str, Any]:
    """What every page's template needs besides its own view."""
    t = reader.t
    name = f"{page}.html" if assets == f"{ASSETS}/" else page
    return {
        "t": t,
        "units": reader.units,
        "sheets": reader.sheets,
        "week": data.week,
        "weeks": [(week, f"{prefix}{name}") for week, prefix in reader.weeks.items()],
        "span": span_of(data.week, t),
        "menu": menu or [(key, page_name(key, t), f"{key}.html") for key in PAGES],
        "here": page,
        "assets": assets,
        "downloads_from": downloads_from,
        "turned_away": turned_away_of(data),
        "look_back": (data.run.get("settings") or {}).get("look_back_weeks"),
        "frame": reader.frame(data, assets, SHARD),
    }


def static_reader(data: PageData) -> Reader:
    """Who opens the week's folder from disk."""
    return Reader(
        t=language_of(data),
        packs=pack_links(data.evidence),
        sheets=unit_page.sheet_links(data),
        weeks={week: "" if week == data.week else f"../{week}/" for week in data.weeks},
    )


def write_assets(folder: Path) -> None:
    """The chart script, our scripts and the style sheets, once for all pages."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "charts.js").write_text(chart_script(), encoding="utf-8")
    for name in (*SCRIPTS, *STYLES):
        (folder / name).write_text((STATIC / name).read_text(encoding="utf-8"), encoding="utf-8")


def write_pages(week_dir: Path, data: PageData) -> None:
    """Every page (`fleet.html` and so on), the units' data, the Monday list, into the week's folder."""
    reader = static_reader(data)
    write_assets(week_dir / ASSETS)
    for page in PAGES:
        text = render_page(page, data, reader=reader)
        (week_dir / f"{page}.html").write_text(text, encoding="utf-8")
    for kind in UNIT_PAGES:
        frame = page_frame(data, reader, kind, menu=None, assets=f"{ASSETS}/", downloads_from="")
        text = unit_page.render(data, reader, kind, frame)
        (week_dir / f"{kind}.html").write_text(text, encoding="utf-8")
    unit_page.write_data(week_dir / ASSETS, data, reader)
    (week_dir / "monday.csv").write_text(monday_csv(reader.t, data), encoding="utf-8", newline="")
    (week_dir / "monday.ics").write_text(monday_ics(reader.t, data), encoding="utf-8", newline="")
