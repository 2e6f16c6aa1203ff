"""The page of an EVSE in the app: all that is known of it, and the form for work done there."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import polars as pl
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, RedirectResponse, Response

from dashboards.page_data import PageData
from dashboards.review.context import (
    address,
    checked_form,
    context,
    data_for,
    reader_of,
    unit_response,
)
from dashboards.review.forms import LONGEST_TEXT
from dashboards.review.people import Person
from dashboards.review.rights import allow_units, person
from dashboards.words import sentence
from pipeline.core.errors import DecisionError
from pipeline.core.local_time import moment
from pipeline.publish.addresses import SHEET, pack_folder
from pipeline.publish.evse_sheet import SHEETS
from pipeline.publish.week_folder import harmless
from pipeline.registry import registry

WORK_FILE = ("at", "evse_id", "finding", "repaired_at", "note")
_FIELDS = ("work_finding", "at", "repaired_at", "note")


def _evse(request: Request, evse: str | None) -> tuple[Person, PageData, str]:
    who = allow_units(request, "evse")
    data = data_for(request, who)
    known = pl.concat([data.evses["evse_id"], data.about_evses["evse_id"]])
    if evse is None or evse not in known:
        raise HTTPException(404, "there is no such EVSE in this week, or it is not yours to see")
    return who, data, evse


def evse_page(request: Request) -> Response:
    """An EVSE with the form for work done there."""
    who, data, evse = _evse(request, request.query_params.get("id"))
    return _view(request, who, data, evse, saved=request.query_params.get("saved") == "work")


def _view(
    request: Request,
    who: Person,
    data: PageData,
    evse: str,
    *,
    saved: bool = False,
    error: DecisionError | None = None,
    given: dict[str, str] | None = None,
) -> Response:
    done = context(request).decisions.frames().works.filter(pl.col("evse_id") == evse)
    words = next(
        c.field.values
        for c in registry().table("decision_work").columns
        if c.name == "work_finding"
    )
    view: dict[str, Any] = {
        "evse": evse,
        "zone": _zone(data, evse),
        "works": done.to_dicts(),
        "work_words": words,
        "saved": reader_of(context(request), data, who).t("work.recorded") if saved else None,
        "fault": None if error is None else f"{error.what}. {sentence(error.next_step or '')}.",
        "given": {**dict.fromkeys(_FIELDS, ""), **(given or {})},
    }
    return unit_response(
        request, who, data, "evse", evse, view, status=200 if error is None else 422
    )


def _zone(data: PageData, evse: str) -> str:
    zones = data.about_evses.filter(pl.col("evse_id") == evse)["timezone"]
    return str(zones.item()) if zones.len() else "UTC"


async def record_work(request: Request) -> Response:
    """Keep what was done at an EVSE, as a row of sites/work.csv."""
    form = await checked_form(request)
    given = {key: str(value) for key, value in form.items() if key != "csrf"}
    who, data, evse = await run_in_threadpool(_evse, request, given.get("id"))
    try:
        row = {"evse_id": evse, **parse_work(given, _zone(data, evse))}
        await run_in_threadpool(context(request).decisions.work, row, who.name)
    except DecisionError as error:
        return await run_in_threadpool(_view, request, who, data, evse, error=error, given=given)
    return RedirectResponse(address(data.week, "evse", id=evse, saved="work"), status_code=303)


def parse_work(given: dict[str, str], zone: str, now: datetime | None = None) -> dict[str, Any]:
    """What was done, from the form; times without an offset are in the site's zone.

    Raises DecisionError saying what is wrong with it.
    """
    now = now or datetime.now(UTC)
    if not given.get("work_finding"):
        raise DecisionError("Nothing is found yet", next_step="choose what was found")
    times = {name: given.get(name, "").strip() for name in ("at", "repaired_at")}
    read = {name: moment(text, zone) if text else None for name, text in times.items()}
    repaired = read["repaired_at"]
    looked = read["at"] or (repaired if repaired and repaired < now else now)
    note = given.get("note", "").replace("\x00", "").strip()[:LONGEST_TEXT]
    return {
        "at_utc": looked,
        "work_finding": given["work_finding"],
        "repaired_at_utc": repaired,
        "note": note or None,
    }


def work_file(request: Request) -> Response:
    """Every row entered here as `sites/work.csv`, for the sites one may see."""
    who = person(request)
    if who.role == "workshop":
        raise HTTPException(403, "this file is not for your role")
    data = data_for(request, who)
    mine = pl.concat([data.evses["evse_id"], data.about_evses["evse_id"]]).implode()
    kept = context(request).decisions.frames().works.filter(pl.col("evse_id").is_in(mine))
    times = pl.col(pl.Datetime("us", "UTC")).dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    named = {"at_utc": "at", "work_finding": "finding", "repaired_at_utc": "repaired_at"}
    rows = harmless(kept).with_columns(times).rename(named).select(WORK_FILE)
    return Response(
        rows.write_csv(),
        media_type="text/csv; charset=utf-8",
        headers={"content-disposition": 'attachment; filename="work.csv"'},
    )


def evse_sheet(request: Request) -> Response:
    """A called EVSE's printable sheet."""
    _, data, evse = _evse(request, request.query_params.get("id"))
    found = context(request).out / data.week / SHEETS / pack_folder(evse) / SHEET
    if not found.is_file():
        raise HTTPException(404, "this EVSE has no printable sheet")
    return FileResponse(found, media_type="application/pdf", content_disposition_type="inline")
