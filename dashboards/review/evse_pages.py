"""The page of an EVSE in the app."""

from __future__ import annotations

import polars as pl
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, Response

from dashboards.page_data import PageData
from dashboards.review.context import allow_units, context, data_for, unit_response
from dashboards.review.people import Person
from dashboards.unit_page import SHEETS
from pipeline.publish.addresses import SHEET, pack_folder


def _evse(request: Request, evse: str | None) -> tuple[Person, PageData, str]:
    who = allow_units(request, "evse")
    data = data_for(request, who)
    known = pl.concat([data.evses["evse_id"], data.about_evses["evse_id"]])
    if evse is None or evse not in known:
        raise HTTPException(404, "there is no such EVSE in this week, or it is not yours to see")
    return who, data, evse


def evse_page(request: Request) -> Response:
    """An EVSE with all that is known of it."""
    who, data, evse = _evse(request, request.query_params.get("id"))
    return unit_response(request, who, data, "evse", evse, {})


def evse_sheet(request: Request) -> Response:
    """A called EVSE's printable sheet."""
    _, data, evse = _evse(request, request.query_params.get("id"))
    found = context(request).out / data.week / SHEETS / pack_folder(evse) / SHEET
    if not found.is_file():
        raise HTTPException(404, "this EVSE has no printable sheet")
    return FileResponse(found, media_type="application/pdf", content_disposition_type="inline")
