"""Who asks, and what their role may reach and see."""

from __future__ import annotations

from starlette.exceptions import HTTPException
from starlette.requests import Request

from dashboards.page_data import PageData
from dashboards.pages import PAGES
from dashboards.review.people import Person
from dashboards.review.sessions import Session
from dashboards.seen_by import at_sites, referred_only

UNITS_OF: dict[str, tuple[str, ...]] = {
    "manager": ("vehicle", "evse"),
    "operator": ("vehicle", "evse"),
    "workshop": ("vehicle",),
}
MAY: dict[str, tuple[str, ...]] = {
    "manager": ("review", *PAGES, "bench", "upload"),
    "operator": ("sites",),
    "workshop": ("workshop", "bench"),
}


def session(request: Request) -> Session:
    """The request's session; the gate has seen to it that there is one."""
    found: Session = request.state.session
    return found


def person(request: Request) -> Person:
    """Who asks; 401 when nobody has signed in."""
    who = session(request).person
    if who is None:
        raise HTTPException(401, "sign in first")
    return who


def allow(request: Request, *pages: str) -> Person:
    """Who asks, when their role has one of the pages; 403 otherwise."""
    who = person(request)
    if not set(pages) & set(MAY[who.role]):
        raise HTTPException(403, "this page is not for your role")
    return who


def seen_by(data: PageData, who: Person) -> PageData:
    """The part of a week that somebody may see."""
    if who.role == "operator":
        return at_sites(data, who.sites)
    return referred_only(data) if who.role == "workshop" else data


def allow_units(request: Request, kind: str) -> Person:
    """Who asks, when their role has pages of such units; 403 otherwise."""
    who = person(request)
    if kind not in UNITS_OF[who.role]:
        raise HTTPException(403, "this page is not for your role")
    return who
