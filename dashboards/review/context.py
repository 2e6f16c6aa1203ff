"""What every view needs: the finished weeks, the decisions, the people, the running jobs."""

from __future__ import annotations

import getpass
import threading
from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlencode

import polars as pl
from jinja2 import Environment
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse

from dashboards import unit_page
from dashboards.addresses import UnitLinks
from dashboards.language import Language
from dashboards.page_data import PageData
from dashboards.pages import PAGES, Menu, language_of, page_frame, page_name
from dashboards.reader import Reader, turned_away_of
from dashboards.review.bench_store import BenchStore
from dashboards.review.kept import DecisionStore
from dashboards.review.people import People, Person
from dashboards.review.rights import MAY, UNITS_OF, seen_by, session
from dashboards.review.runs import Runs
from dashboards.review.sessions import Sessions, same_token
from dashboards.review.sign_in_log import SignInLog
from dashboards.snapshots import Stamp, read_week, stamp, weeks
from dashboards.units import Kind
from pipeline.core.errors import NotEnoughDataError, StoreError
from pipeline.settings.serve import ServeSettings

_WITHOUT_WEEK = {"upload": "/upload", "bench": "/bench"}
_WEEKS_KEPT, _PAGES_KEPT = 2, 24


@dataclass
class Context:
    """One per app; kept in `app.state.context`."""

    out: Path
    deliveries: Path
    decisions: DecisionStore
    bench: BenchStore | None
    people: People | None
    sign_ins: SignInLog
    settings: ServeSettings
    sessions: Sessions
    runs: Runs
    templates: Environment
    _weeks: dict[tuple[str, Stamp], PageData] = field(default_factory=dict)
    _pages: dict[tuple[Hashable, Stamp], str] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    @property
    def at_desk(self) -> Person:
        """Who sits at this machine, where nobody need sign in."""
        try:
            return Person(getpass.getuser(), "manager")
        except (KeyError, OSError):
            return Person("this machine", "manager")

    def week(self, name: str) -> PageData:
        """A finished week, read once and again when a run has replaced it.

        404 when there is none.
        """
        try:
            key = (name, stamp(self.out, name))
            with self._lock:
                if key not in self._weeks:
                    _make_room(self._weeks, _WEEKS_KEPT)
                    self._weeks[key] = read_week(self.out, name)
                return self._weeks[key]
        except NotEnoughDataError as error:
            raise HTTPException(404, "there is no such finished week") from error

    def page_once(
        self, key: tuple[str, Hashable, Hashable, Hashable], render: Callable[[], str]
    ) -> str:
        """A page (key: week, page, role, sites) as rendered before, or rendered now.

        Anew when a run has replaced the week.
        """
        try:
            full = (key, stamp(self.out, key[0]))
        except NotEnoughDataError as error:
            raise HTTPException(404, "there is no such finished week") from error
        if full not in self._pages:
            text = render()
            with self._lock:
                _make_room(self._pages, _PAGES_KEPT)
                self._pages[full] = text
            return text
        return self._pages[full]


def _make_room(kept: dict[Any, Any], most: int) -> None:
    for old in list(kept)[: max(0, len(kept) - most + 1)]:
        del kept[old]


def context(request: Request) -> Context:
    """The app's context."""
    found: Context = request.app.state.context
    return found


def data_for(request: Request, who: Person) -> PageData:
    """What somebody may see of the asked week, with decisions as they stand now where they may see any."""
    known = context(request)
    data = seen_by(known.week(request.path_params["week"]), who)
    if who.role == "operator":
        return data
    live = known.decisions.frames().reviews.rename({"decided_at_utc": "decided_at"})
    mine = pl.concat([data.vehicles["vehicle_id"], data.about_vehicles["vehicle_id"]]).implode()
    return replace(data, decisions=live.filter(pl.col("vehicle_id").is_in(mine)))


def unit_response(
    request: Request,
    who: Person,
    data: PageData,
    kind: Kind,
    unit: str,
    view: dict[str, Any],
    *,
    status: int = 200,
) -> HTMLResponse:
    """The page of one unit with the role's forms around it."""
    known = context(request)
    reader = reader_of(known, data, who)
    links = menu(who, data.week, reader.t, signed_in=known.people is not None)
    frame = page_frame(data, reader, kind, menu=links, assets="/assets/", downloads_from=None)
    whole = {**unit_page.view(data, reader, kind, frame, unit), **view, "title": unit}
    whole.pop("here")
    return page(request, f"{kind}.html.j2", "", status=status, **whole)


async def checked_form(request: Request, *, files: int = 0) -> FormData:
    """A form whose token is the session's, with at most so many files; 403 otherwise.

    Who asked for files closes the form.
    """
    form = await request.form(max_files=files, max_fields=40)
    if not same_token(session(request), form.get("csrf")):
        await form.close()
        raise HTTPException(
            403,
            "this form is from another sign-in; go back, load the page again and send it once more",
        )
    return form


def address(week: str, page: str, **query: str) -> str:
    """Address of a page of a week."""
    return f"/week/{quote(week)}/{page}" + (f"?{urlencode(query)}" if query else "")


def menu(who: Person | None, week: str | None, t: Language, *, signed_in: bool) -> Menu:
    """The pages somebody may reach."""
    if who is None:
        return []
    pages = [
        (key, _name(key, t), _WITHOUT_WEEK.get(key) or address(week or "", key))
        for key in MAY[who.role]
    ]
    shown = [page for page in pages if week or page[0] in _WITHOUT_WEEK]
    return [*shown, ("sign-out", t("menu.sign_out"), "/sign-out")] if signed_in else shown


def _name(key: str, t: Language) -> str:
    return page_name(key, t) if key in PAGES else t(f"menu.{key}")


def reader_of(known: Context, data: PageData, who: Person) -> Reader:
    """How the app's pages lead for somebody: to what their role may reach."""
    kinds = UNITS_OF[who.role]
    prefix = {kind: f"/week/{quote(data.week)}/{kind}?id=" for kind in kinds}
    packs = data.evidence if who.role != "operator" else ()
    called = data.evses.filter(pl.col("call").is_in(["faulty", "watch"]))["evse_id"]
    return Reader(
        t=language_of(data),
        units=UnitLinks(prefix.get("vehicle"), prefix.get("evse")),
        packs={vehicle: address(data.week, "pack", id=vehicle) for vehicle in packs},
        sheets={evse: address(data.week, "evse-sheet", id=evse) for evse in called}
        if "evse" in kinds
        else {},
        benches={
            vehicle: f"/bench/case?{urlencode({'id': vehicle})}"
            for vehicle in (data.vehicles["vehicle_id"] if "bench" in MAY[who.role] else ())
        },
        reviews={
            vehicle: address(data.week, "vehicle", id=vehicle)
            for vehicle in (data.vehicles["vehicle_id"] if who.role != "operator" else ())
        },
        weeks={week: f"/week/{quote(week)}/" for week in weeks(known.out)},
        index=address(data.week, "index.js"),
    )


def page(
    request: Request, template: str, here: str, *, status: int = 200, **view: Any
) -> HTMLResponse:
    """A page of the review app itself."""
    known = context(request)
    found = weeks(known.out)
    week = view.pop("week", None) or (found[0] if found else None)
    who = session(request).person
    t: Language = view.pop("t", Language())
    frame: dict[str, Any] = {
        "week": week or "No finished week yet",
        "span": view.pop("span", ""),
        "menu": menu(who, week, t, signed_in=known.people is not None),
        "t": t,
        "units": UnitLinks(None, None),
        "sheets": {},
        "weeks": [],
        "frame": None,
        "downloads_from": None,
        "here": here,
        "assets": "/assets/",
        "look_back": None,
        "turned_away": _turned_away(known, week) if who else [],
        "csrf": session(request).csrf,
        "person": who,
    }
    text = known.templates.get_template(template).render(**{**frame, **view})
    return HTMLResponse(text, status_code=status)


def _turned_away(known: Context, week: str | None) -> list[Mapping[str, Any]]:
    """What the week on show does not rest on; nothing where there is no week, or none that can be read (it has its own page)."""
    try:
        return turned_away_of(known.week(week)) if week else []
    except (HTTPException, StoreError):
        return []
