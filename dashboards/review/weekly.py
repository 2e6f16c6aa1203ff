"""The weeks' pages, and the review of a vehicle: decide on its call, enter a finding."""

from __future__ import annotations

from typing import Any

import polars as pl
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, RedirectResponse, Response

from dashboards.fleet import fleet_headline
from dashboards.packs import render_evidence
from dashboards.page_data import PageData
from dashboards.pages import PAGES, render_page, span_of
from dashboards.review.context import (
    MAY,
    Context,
    address,
    allow,
    checked_form,
    context,
    menu,
    page,
    person,
    seen_by,
)
from dashboards.review.forms import FINDINGS, NUMBERS, Review, parse_finding, parse_review
from dashboards.review.people import Person
from dashboards.snapshots import weeks
from dashboards.words import VEHICLE_CALLS, sentence
from pipeline.core.errors import ConflictError, DecisionError, WhichsideError
from pipeline.publish.addresses import pack_folder

_TO_REVIEW = ("refer", "watch", "proving")
_FIELDS = ("decision", "reason", "finding", "at", "repaired_at", "note", *NUMBERS)


def home(request: Request) -> Response:
    """On to the newest week's first page for the role."""
    who = person(request)
    found = weeks(context(request).out)
    if found:
        return RedirectResponse(address(found[0], MAY[who.role][0]), status_code=303)
    return page(
        request, "empty.html.j2", "", title="No week yet", may_hand_in="upload" in MAY[who.role]
    )


def week_page(request: Request) -> Response:
    """A page of a finished week, with no more in it than the role may see."""
    name = request.path_params["page"]
    if name not in PAGES:
        raise HTTPException(404, "there is no such page")
    who = allow(request, name)
    known = context(request)
    key = (request.path_params["week"], name, who.role, who.sites)
    return HTMLResponse(known.page_once(key, lambda: _render(known, known.week(key[0]), name, who)))


def _render(known: Context, whole: PageData, name: str, who: Person) -> str:
    data = seen_by(whole, who)
    packs = {vehicle: address(data.week, "pack", id=vehicle) for vehicle in data.evidence}
    reviewed = {"manager": _under_review(data), "workshop": data.vehicles}.get(
        who.role, data.vehicles.clear()
    )
    reviews = {
        vehicle: address(data.week, "vehicle", id=vehicle) for vehicle in reviewed["vehicle_id"]
    }
    links = menu(who, data.week, signed_in=known.people is not None)
    return render_page(name, data, menu=links, assets="/assets/", packs=packs, reviews=reviews)


def _under_review(data: PageData) -> pl.DataFrame:
    return data.vehicles.filter(pl.col("call").is_in(_TO_REVIEW))


def review_page(request: Request) -> Response:
    """The week's list for the meeting: what is decided, what is open."""
    allow(request, "review")
    known = context(request)
    data = known.week(request.path_params["week"])
    reviews = known.decisions.frames().reviews.filter(pl.col("week") == data.week)
    latest = {row["vehicle_id"]: row for row in reviews.to_dicts()}
    order = {call: rank for rank, call in enumerate(VEHICLE_CALLS)}
    rank = pl.col("call").replace_strict(order, default=99, return_dtype=pl.Int64)
    rows = (
        _under_review(data)
        .sort(rank, pl.col("p_vehicle").neg(), "vehicle_id", nulls_last=True)
        .to_dicts()
    )
    for row in rows:
        row["decided"] = latest.get(row["vehicle_id"])
        row["link"] = address(data.week, "vehicle", id=row["vehicle_id"])
    open_ones = sum(row["decided"] is None for row in rows)
    view: dict[str, Any] = {
        "rows": rows,
        "open": open_ones,
        "headline": fleet_headline(data.vehicles),
        "weeks": weeks(known.out),
    }
    return page(
        request,
        "review.html.j2",
        "review",
        title="Review",
        week=data.week,
        span=span_of(data.week),
        **view,
    )


def _vehicle(request: Request, vehicle: str | None) -> tuple[Person, PageData, dict[str, Any]]:
    who = allow(request, "review", "workshop")
    data = seen_by(context(request).week(request.path_params["week"]), who)
    rows = data.vehicles.filter(pl.col("vehicle_id") == (vehicle or "")).to_dicts()
    if not rows:
        raise HTTPException(
            404, "there is no such vehicle in this week, or it is not for you to see"
        )
    return who, data, rows[0]


def vehicle_page(request: Request) -> Response:
    """A vehicle with its forms."""
    who, data, row = _vehicle(request, request.query_params.get("id"))
    return _vehicle_view(request, who, data, row, saved=request.query_params.get("saved"))


def _vehicle_view(  # noqa: PLR0913 - what the form needs to come back as it was sent
    request: Request,
    who: Person,
    data: PageData,
    row: dict[str, Any],
    *,
    saved: str | None = None,
    error: WhichsideError | None = None,
    given: dict[str, str] | None = None,
    status: int = 200,
) -> Response:
    vehicle = row["vehicle_id"]
    decisions = context(request).decisions
    seen = decisions.last_review(vehicle)
    kept = decisions.frames()
    tests = data.next_tests.filter(pl.col("vehicle_id") == vehicle).to_dicts()
    view: dict[str, Any] = {
        "v": row,
        "tests": tests,
        "seen": seen,
        "reviews": kept.reviews.filter(pl.col("vehicle_id") == vehicle).to_dicts(),
        "findings": kept.findings.filter(pl.col("vehicle_id") == vehicle).to_dicts(),
        "may_decide": who.role == "manager",
        "pack": address(data.week, "pack", id=vehicle) if vehicle in data.evidence else None,
        "saved": saved if saved in {"decision", "finding"} else None,
        "fault": None if error is None else f"{error.what}. {sentence(error.next_step or '')}.",
        "given": {**dict.fromkeys(_FIELDS, ""), **(given or {})},
        "finding_words": FINDINGS,
        "finding_numbers": NUMBERS,
    }
    here = "review" if who.role == "manager" else "workshop"
    return page(
        request,
        "vehicle.html.j2",
        here,
        status=status,
        title=vehicle,
        week=data.week,
        span=span_of(data.week),
        **view,
    )


async def decide(request: Request) -> Response:
    """Record a decision on a vehicle's call, unless somebody else decided since the form was made
    (409).
    """
    form = await checked_form(request)
    given = {key: str(value) for key, value in form.items() if key != "csrf"}
    who, data, row = await run_in_threadpool(_vehicle, request, given.get("id"))
    if who.role != "manager":
        raise HTTPException(403, "deciding is for the fleet manager")
    try:
        await run_in_threadpool(
            _keep_review, request, data.week, row["vehicle_id"], parse_review(given), who
        )
    except (ConflictError, DecisionError) as error:
        status = 409 if isinstance(error, ConflictError) else 422
        return await run_in_threadpool(
            _vehicle_view, request, who, data, row, error=error, given=given, status=status
        )
    return RedirectResponse(
        address(data.week, "vehicle", id=row["vehicle_id"], saved="decision"), status_code=303
    )


def _keep_review(request: Request, week: str, vehicle: str, review: Review, who: Person) -> None:
    context(request).decisions.review(
        vehicle, week, review.decision, review.reason, who.name, after=review.seen
    )


async def find(request: Request) -> Response:
    """Record what the workshop found."""
    form = await checked_form(request)
    given = {key: str(value) for key, value in form.items() if key != "csrf"}
    who, data, row = await run_in_threadpool(_vehicle, request, given.get("id"))
    try:
        finding = {"vehicle_id": row["vehicle_id"], **parse_finding(given)}
        await run_in_threadpool(context(request).decisions.finding, finding, who.name)
    except DecisionError as error:
        return await run_in_threadpool(
            _vehicle_view, request, who, data, row, error=error, given=given, status=422
        )
    return RedirectResponse(
        address(data.week, "vehicle", id=row["vehicle_id"], saved="finding"), status_code=303
    )


def pack(request: Request) -> Response:
    """A referred vehicle's evidence page."""
    who, data, row = _vehicle(request, request.query_params.get("id"))
    vehicle = row["vehicle_id"]
    if vehicle not in data.evidence:
        raise HTTPException(404, "this vehicle has no evidence pack")
    folder = context(request).out / data.week / "referrals" / pack_folder(vehicle)
    sheet = address(data.week, "sheet", id=vehicle) if _sheet(folder) else None
    links = menu(who, data.week, signed_in=context(request).people is not None)
    return HTMLResponse(
        render_evidence(data.evidence[vehicle], sheet=sheet, assets="/assets/", menu=links)
    )


def sheet(request: Request) -> Response:
    """A referred vehicle's printable sheet."""
    _, data, row = _vehicle(request, request.query_params.get("id"))
    found = _sheet(context(request).out / data.week / "referrals" / pack_folder(row["vehicle_id"]))
    if row["vehicle_id"] not in data.evidence or found is None:
        raise HTTPException(404, "this vehicle has no printable sheet")
    return FileResponse(found, media_type="application/pdf", content_disposition_type="inline")


def _sheet(folder: Any) -> Any:
    return next(iter(sorted(folder.glob("*.pdf"))), None)
