"""The bench in the review app as it is shown: a case, its readings, the next step, what is kept."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any
from urllib.parse import urlencode

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from dashboards.review.bench_case import (
    COUPLERS,
    KINDS_WITH_FIGURES,
    BenchView,
    bench_view,
    drawings,
    questions,
)
from dashboards.review.bench_store import BenchStore
from dashboards.review.context import context, page
from dashboards.review.people import Person
from dashboards.review.photos import MOST_BYTES
from dashboards.review.rights import allow, seen_by
from dashboards.snapshots import weeks
from dashboards.words import BENCH_CAUTIONS, sentence
from pipeline.core.errors import ConflictError, WhichsideError
from pipeline.core.wording import FINDINGS
from pipeline.refer.bench import bench_declared
from pipeline.refer.bench.case import STATES
from pipeline.refer.bench.case_sheet import Found, case_pdf
from pipeline.refer.bench.next_reading import Proposal
from pipeline.refer.bench.outcomes import READING_WORDS

LONGEST_NAME = 120

_FINDING_FIELDS = (
    "finding",
    "pp_pe_v",
    "cp_pe_forward_ohm",
    "cp_pe_reverse_ohm",
    "at",
    "repaired_at",
    "note",
    "corrects",
    "reason",
    "sure",
)


def store_of(request: Request) -> BenchStore:
    """Where the bench keeps; HTTPException 404 where it is not open."""
    found: BenchStore | None = context(request).bench
    if found is None:
        raise HTTPException(404, "the bench is not open here")
    return found


def vehicle_of(value: str | None) -> str:
    """The vehicle that is named; HTTPException 404 where none is."""
    name = " ".join((value or "").replace("\x00", "").split())
    if not name or len(name) > LONGEST_NAME:
        raise HTTPException(404, "name the vehicle: its number, plate, or words of your own")
    return name


def view_of(request: Request, who: Person, vehicle: str) -> BenchView:
    """The case of a vehicle, as far as the asker may see the newest week."""
    known = context(request)
    found = weeks(known.out)
    data = seen_by(known.week(found[0]), who) if found else None
    return bench_view(vehicle, store_of(request).entries("decision_reading", vehicle), data)


def bench_home(request: Request) -> Response:
    """Vehicles at the bench, and the interview that opens a case."""
    allow(request, "bench")
    return page(
        request,
        "bench.html.j2",
        "bench",
        title="Bench",
        vehicles=store_of(request).vehicles(),
        questions=questions(),
        couplers=COUPLERS,
        fault=None,
        given={},
    )


def address_of(vehicle: str, **more: str) -> str:
    """The page of a vehicle at the bench."""
    return "/bench/case?" + urlencode({"id": vehicle, **more})


def case_page(request: Request) -> Response:
    """A vehicle at the bench."""
    who = allow(request, "bench")
    vehicle = vehicle_of(request.query_params.get("id"))
    return _case(
        request,
        who,
        vehicle,
        step=request.query_params.get("step"),
        saved=request.query_params.get("saved"),
    )


def _case(
    request: Request, who: Person, vehicle: str, *, status: int = 200, **said: Any
) -> Response:
    view = view_of(request, who, vehicle)
    chosen = _chosen(view, said.get("step"))
    store = store_of(request)
    found = store.entries("decision_finding", vehicle)
    return page(
        request,
        "bench_case.html.j2",
        "bench",
        status=status,
        title=vehicle,
        view=view,
        next=chosen,
        others=[p for p in view.assessment.next if chosen is None or p.name != chosen.name],
        drawn=drawings(view, chosen),
        suspects=bench_declared().suspects,
        answers=bench_declared().answers,
        cautions=BENCH_CAUTIONS,
        states=STATES,
        kinds={k: READING_WORDS[k].format(state="the state given") for k in KINDS_WITH_FIGURES},
        finding_words=FINDINGS,
        findings=found,
        files=store.entries("decision_attachment", vehicle),
        saved=_SAVED.get(said.get("saved") or ""),
        fault=said.get("fault"),
        doubts=said.get("doubts", ()),
        given={**dict.fromkeys(_FINDING_FIELDS, ""), **said.get("given", {})},
        most_mb=MOST_BYTES >> 20,
    )


_SAVED = {
    "reading": "The reading is recorded.",
    "withdrawn": "It is taken back; it is kept, and counts no more.",
    "finding": "The finding is recorded. It counts from the next week's list on.",
    "photo": "The photo is kept.",
    "trace": "The trace is kept, and its levels are readings now.",
}


def _chosen(view: BenchView, name: str | None) -> Proposal | None:
    offered = view.assessment.next
    return next((p for p in offered if p.name == name), offered[0] if offered else None)


def refused(
    request: Request, who: Person, vehicle: str, error: WhichsideError, given: dict[str, str]
) -> Response:
    """The page again, with what was wrong and what was typed."""
    status = 409 if isinstance(error, ConflictError) else 422
    fault = f"{error.what}. {sentence(error.next_step or '')}."
    return _case(
        request, who, vehicle, status=status, fault=fault, given=given, step=given.get("step")
    )


def asked_back(
    request: Request, who: Person, vehicle: str, doubts: tuple[str, ...], given: dict[str, str]
) -> Response:
    """The page again, with what speaks against the finding."""
    return _case(request, who, vehicle, status=422, doubts=doubts, given=given)


def kept_file(request: Request) -> Response:
    """A photo of the vehicle, as kept."""
    allow(request, "bench")
    vehicle, sha = vehicle_of(request.query_params.get("id")), request.path_params["sha"]
    store = store_of(request)
    mine = next(
        (
            e.row
            for e in store.entries("decision_attachment", vehicle)
            if e.row["content_sha256"] == sha
        ),
        None,
    )
    body = None if mine is None else store.file(sha, mine["media_type"])
    if mine is None or body is None:
        raise HTTPException(404, "there is no such file")
    named = (
        {}
        if mine["media_type"] == "image/jpeg"
        else {"content-disposition": f'attachment; filename="{sha[:12]}.csv"'}
    )
    return Response(body, media_type=mine["media_type"], headers=named)


def case_sheet(request: Request) -> Response:
    """The case on one A4 page."""
    who = allow(request, "bench")
    vehicle = vehicle_of(request.query_params.get("id"))
    view = view_of(request, who, vehicle)
    standing = [
        e for e in store_of(request).entries("decision_finding", vehicle) if e.withdrawn_by is None
    ]
    last = standing[-1].row if standing else None
    found = None
    if last is not None:
        found = Found(last["finding"], last["decided_by"], last["at_utc"], last["note"])
    body = case_pdf(view.case, view.assessment, found, datetime.now(UTC))
    return Response(
        body,
        media_type="application/pdf",
        headers={"content-disposition": 'inline; filename="case.pdf"'},
    )
