"""The page of a vehicle in the app: all that is known of it, a decision on its call, a finding."""

from __future__ import annotations

from typing import Any

import polars as pl
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, RedirectResponse, Response

from dashboards.packs import render_evidence
from dashboards.page_data import PageData
from dashboards.reader import turned_away_of
from dashboards.review.context import (
    address,
    checked_form,
    context,
    data_for,
    menu,
    reader_of,
    unit_response,
)
from dashboards.review.forms import NUMBERS, Review, parse_finding, parse_review
from dashboards.review.people import Person
from dashboards.review.rights import allow, allow_units
from dashboards.words import sentence
from pipeline.core.errors import ConflictError, DecisionError, WhichsideError
from pipeline.core.wording import FINDINGS
from pipeline.publish.addresses import pack_folder

TO_REVIEW = ("refer", "watch", "proving")
_FIELDS = ("decision", "reason", "finding", "at", "repaired_at", "note", *NUMBERS)
_SAVED = {
    "decision": "decide.recorded",
    "withdraw": "decide.taken_back",
    "finding": "find.recorded",
}


def _vehicle(request: Request, vehicle: str | None) -> tuple[Person, PageData, dict[str, Any]]:
    """Who asks, what they may see, and the vehicle's row (only its id where it has no attempt)."""
    who = allow_units(request, "vehicle")
    data = data_for(request, who)
    mine = pl.col("vehicle_id") == (vehicle or "")
    rows = data.vehicles.filter(mine).to_dicts()
    listed = data.about_vehicles.filter(mine).height
    if not rows and not listed:
        raise HTTPException(
            404, "there is no such vehicle in this week, or it is not for you to see"
        )
    return who, data, rows[0] if rows else {"vehicle_id": vehicle, "call": None}


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
    t = reader_of(context(request), data, who).t
    own = data.decisions.filter(pl.col("vehicle_id") == vehicle).to_dicts()
    kept = decisions.frames().findings.filter(pl.col("vehicle_id") == vehicle)
    last = own[-1] if own and own[-1]["decision"] != "withdraw" else None
    view: dict[str, Any] = {
        "v": row,
        "seen": decisions.last_review(vehicle),
        "last": last,
        "findings": kept.to_dicts() if who.role != "operator" else [],
        "may_decide": who.role == "manager" and row["call"] in TO_REVIEW,
        "may_find": who.role != "operator",
        "saved": t(_SAVED[saved]) if saved in _SAVED else None,
        "fault": None if error is None else f"{error.what}. {sentence(error.next_step or '')}.",
        "given": {**dict.fromkeys(_FIELDS, ""), **(given or {})},
        "finding_words": FINDINGS,
        "finding_numbers": NUMBERS,
    }
    return unit_response(request, who, data, "vehicle", vehicle, view, status=status)


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
        review = parse_review(given)
        await run_in_threadpool(_keep_review, request, data.week, row["vehicle_id"], review, who)
    except (ConflictError, DecisionError) as error:
        status = 409 if isinstance(error, ConflictError) else 422
        return await run_in_threadpool(
            _vehicle_view, request, who, data, row, error=error, given=given, status=status
        )
    saved = "withdraw" if review.decision == "withdraw" else "decision"
    return RedirectResponse(
        address(data.week, "vehicle", id=row["vehicle_id"], saved=saved), status_code=303
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
    if who.role == "operator":
        raise HTTPException(403, "findings on vehicles are the workshop's")
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
    allow(request, "review", "workshop")
    who, data, row = _vehicle(request, request.query_params.get("id"))
    vehicle = row["vehicle_id"]
    if vehicle not in data.evidence:
        raise HTTPException(404, "this vehicle has no evidence pack")
    folder = context(request).out / data.week / "referrals" / pack_folder(vehicle)
    sheet = address(data.week, "sheet", id=vehicle) if _sheet(folder) else None
    t = reader_of(context(request), data, who).t
    links = menu(who, data.week, t, signed_in=context(request).people is not None)
    return HTMLResponse(
        render_evidence(
            data.evidence[vehicle],
            sheet=sheet,
            assets="/assets/",
            menu=links,
            back=address(data.week, "workshop"),
            turned_away=turned_away_of(data),
        )
    )


def sheet(request: Request) -> Response:
    """A referred vehicle's printable sheet."""
    allow(request, "review", "workshop")
    _, data, row = _vehicle(request, request.query_params.get("id"))
    found = _sheet(context(request).out / data.week / "referrals" / pack_folder(row["vehicle_id"]))
    if row["vehicle_id"] not in data.evidence or found is None:
        raise HTTPException(404, "this vehicle has no printable sheet")
    return FileResponse(found, media_type="application/pdf", content_disposition_type="inline")


def _sheet(folder: Any) -> Any:
    return next(iter(sorted(folder.glob("*.pdf"))), None)
