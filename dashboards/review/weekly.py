"""The weeks' pages, the list for the meeting, the search's index and the downloads."""

from __future__ import annotations

import polars as pl
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, RedirectResponse, Response

from dashboards.fleet import fleet_headline, rank
from dashboards.monday import monday_csv, monday_ics
from dashboards.page_data import PageData
from dashboards.pages import PAGES, language_of, page_frame, render_page
from dashboards.review.context import Context, address, context, data_for, menu, page, reader_of
from dashboards.review.people import Person
from dashboards.review.rights import MAY, allow, person, seen_by
from dashboards.review.vehicle_pages import TO_REVIEW
from dashboards.snapshots import weeks
from dashboards.unit_page import index_script
from pipeline.publish.week_folder import CSV_TABLES, PARQUET_TABLES

LIVE = ("monday",)
"""Pages that show decisions as they stand now, never as kept from an earlier look."""
DOWNLOADS = frozenset(
    [*(f"{name}.csv" for name in CSV_TABLES)]
    + [f"{name}.parquet" for name in (*CSV_TABLES, *PARQUET_TABLES)]
)


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
    if name in LIVE:
        return HTMLResponse(_render(known, data_for(request, who), name, who))
    key = (request.path_params["week"], name, who.role, who.sites)
    return HTMLResponse(
        known.page_once(key, lambda: _render(known, seen_by(known.week(key[0]), who), name, who))
    )


def _render(known: Context, data: PageData, name: str, who: Person) -> str:
    reader = reader_of(known, data, who)
    links = menu(who, data.week, reader.t, signed_in=known.people is not None)
    files = f"/week/{data.week}/file/" if who.role == "manager" else None
    return render_page(
        name, data, reader=reader, menu=links, assets="/assets/", downloads_from=files
    )


def review_page(request: Request) -> Response:
    """The week's list for the meeting: what is decided, what is open."""
    who = allow(request, "review")
    known = context(request)
    data = data_for(request, who)
    reader = reader_of(known, data, who)
    said = data.decisions.filter(pl.col("week") == data.week).to_dicts()
    latest = {row["vehicle_id"]: row for row in said}
    due = data.vehicles.filter(pl.col("call").is_in(TO_REVIEW))
    rows = due.sort(rank(), pl.col("p_vehicle").neg(), "vehicle_id", nulls_last=True).to_dicts()
    for row in rows:
        last = latest.get(row["vehicle_id"])
        row["decided"] = None if last and last["decision"] == "withdraw" else last
    frame = page_frame(
        data,
        reader,
        "review",
        menu=menu(who, data.week, reader.t, signed_in=known.people is not None),
        assets="/assets/",
        downloads_from=None,
    )
    frame.pop("here")
    return page(
        request,
        "review.html.j2",
        "review",
        **{
            **frame,
            "title": reader.t("review.title"),
            "rows": rows,
            "open": sum(row["decided"] is None for row in rows),
            "headline": fleet_headline(reader.t, data.vehicles),
        },
    )


def index_script_of(request: Request) -> Response:
    """The index of every unit that the asker may see, for the search."""
    who = person(request)
    known = context(request)
    key = (request.path_params["week"], "index", who.role, who.sites)
    text = known.page_once(key, lambda: index_script(seen_by(known.week(key[0]), who)))
    return Response(text, media_type="text/javascript")


def download(request: Request) -> Response:
    """A table of the week, for the manager; the Monday list as decided until now."""
    who = allow(request, "fleet")
    name = request.path_params["name"]
    data = data_for(request, who)
    t = language_of(data)
    made = {"monday.csv": (monday_csv, "text/csv"), "monday.ics": (monday_ics, "text/calendar")}
    named = {"content-disposition": f'attachment; filename="{data.week}-{name}"'}
    if name in made:
        make, kind = made[name]
        return Response(make(t, data), media_type=f"{kind}; charset=utf-8", headers=named)
    if name not in DOWNLOADS:
        raise HTTPException(404, "there is no such file")
    return FileResponse(context(request).out / data.week / name, headers=named)
