"""The bench in the review app: a case, its readings, the next step, traces, photos and the finding."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any
from urllib.parse import urlencode

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from dashboards.review.bench_case import (
    COUPLERS,
    KINDS_WITH_FIGURES,
    BenchView,
    bench_view,
    drawings,
    questions,
)
from dashboards.review.bench_store import BenchStore
from dashboards.review.context import allow, checked_form, context, page, seen_by
from dashboards.review.forms import parse_finding, quantities
from dashboards.review.people import Person
from dashboards.review.photos import MOST_BYTES, as_kept
from dashboards.snapshots import weeks
from dashboards.words import BENCH_CAUTIONS, sentence
from pipeline.core.errors import ConflictError, DecisionError, WhichsideError
from pipeline.core.local_time import moment
from pipeline.core.wording import FINDINGS
from pipeline.refer.bench import bench_declared, parse_reading
from pipeline.refer.bench.case import DRIED, STATES, plain
from pipeline.refer.bench.case_sheet import Found, case_pdf
from pipeline.refer.bench.finding import finding_doubts
from pipeline.refer.bench.next_reading import Proposal
from pipeline.refer.bench.outcomes import READING_WORDS
from pipeline.refer.bench.trace import trace_readings

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


def _store(request: Request) -> BenchStore:
    found: BenchStore | None = context(request).bench
    if found is None:
        raise HTTPException(404, "the bench is not open here")
    return found


def _vehicle_of(value: str | None) -> str:
    name = " ".join((value or "").replace("\x00", "").split())
    if not name or len(name) > LONGEST_NAME:
        raise HTTPException(404, "name the vehicle: its number, plate, or words of your own")
    return name


def _view(request: Request, who: Person, vehicle: str) -> BenchView:
    known = context(request)
    found = weeks(known.out)
    data = seen_by(known.week(found[0]), who) if found else None
    return bench_view(vehicle, _store(request).entries("decision_reading", vehicle), data)


def bench_home(request: Request) -> Response:
    """Vehicles at the bench, and the interview that opens a case."""
    allow(request, "bench")
    return page(
        request,
        "bench.html.j2",
        "bench",
        title="Bench",
        vehicles=_store(request).vehicles(),
        questions=questions(),
        couplers=COUPLERS,
        fault=None,
        given={},
    )


async def open_case(request: Request) -> Response:
    """Keep the interview's answers as the case's first readings."""
    who = allow(request, "bench")
    form = await checked_form(request)
    vehicle = _vehicle_of(str(form.get("vehicle", "")))
    couplers = ";".join(str(c) for c in form.getlist("coupler") if c in COUPLERS)
    for question in questions():
        answer = str(form.get(question["kind"], ""))
        if answer:
            row = _reading_row(vehicle, question["kind"], answer, coupler=couplers)
            await run_in_threadpool(_store(request).keep_reading, row, who.name)
    return RedirectResponse(_to(vehicle), status_code=303)


def _to(vehicle: str, **more: str) -> str:
    return "/bench/case?" + urlencode({"id": vehicle, **more})


def case_page(request: Request) -> Response:
    """A vehicle at the bench."""
    who = allow(request, "bench")
    vehicle = _vehicle_of(request.query_params.get("id"))
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
    view = _view(request, who, vehicle)
    chosen = _chosen(view, said.get("step"))
    store = _store(request)
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


async def enter(request: Request) -> Response:
    """Keep a reading or answer as typed."""
    who = allow(request, "bench")
    form = await checked_form(request)
    vehicle = _vehicle_of(str(form.get("id", "")))
    given = {key: str(value) for key, value in form.items() if key != "csrf"}
    try:
        await run_in_threadpool(_keep, _store(request), vehicle, given, who)
    except WhichsideError as error:
        return await run_in_threadpool(_refused, request, who, vehicle, error, given)
    return RedirectResponse(_to(vehicle, saved="reading"), status_code=303)


def _refused(
    request: Request, who: Person, vehicle: str, error: WhichsideError, given: dict[str, str]
) -> Response:
    status = 409 if isinstance(error, ConflictError) else 422
    fault = f"{error.what}. {sentence(error.next_step or '')}."
    return _case(
        request, who, vehicle, status=status, fault=fault, given=given, step=given.get("step")
    )


def _keep(store: BenchStore, vehicle: str, given: dict[str, str], who: Person) -> None:
    kind, value = given.get("reading", ""), given.get("value", "").strip()
    note = "known-good" if given.get("known_good") else given.get("note", "").strip()
    reading = parse_reading(
        kind, value, state=given.get("state"), instrument=given.get("instrument"), note=note
    )
    if given.get("dried"):
        store.keep_reading(_reading_row(vehicle, DRIED, "yes"), who.name)
    kept = plain(reading)
    at = moment(given["at"], given.get("zone", "")) if given.get("at") else None
    row = _reading_row(
        vehicle, kind, kept, state=reading.state, instrument=reading.instrument, note=note, at=at
    )
    store.keep_reading(row, who.name)


def _reading_row(vehicle: str, kind: str, value: str, **more: Any) -> dict[str, Any]:
    at = more.get("at") or datetime.now(UTC)
    return {
        "vehicle_id": vehicle,
        "at_utc": at,
        "reading": kind,
        "reading_value": value,
        "pilot_state": more.get("state") or None,
        "coupler": more.get("coupler") or None,
        "instrument": more.get("instrument") or None,
        "note": more.get("note") or None,
        "reading_spread": more.get("spread"),
    }


async def take_back(request: Request) -> Response:
    """Take a reading or finding back, with a reason."""
    who = allow(request, "bench")
    form = await checked_form(request)
    vehicle = _vehicle_of(str(form.get("id", "")))
    table = {"reading": "decision_reading", "finding": "decision_finding"}.get(
        str(form.get("what"))
    )
    number = str(form.get("number", ""))
    if table is None or not number.isdigit():
        raise HTTPException(404, "there is no such entry")
    try:
        await run_in_threadpool(
            _store(request).withdraw, table, int(number), who.name, str(form.get("reason", ""))
        )
    except WhichsideError as error:
        return await run_in_threadpool(_refused, request, who, vehicle, error, {})
    return RedirectResponse(_to(vehicle, saved="withdrawn"), status_code=303)


async def find(request: Request) -> Response:
    """Keep or correct a finding, once it agrees with what was measured or the person is sure."""
    who = allow(request, "bench")
    form = await checked_form(request)
    vehicle = _vehicle_of(str(form.get("id", "")))
    given = {key: str(value) for key, value in form.items() if key != "csrf"}
    try:
        row = {"vehicle_id": vehicle, **parse_finding(given)}
        view = await run_in_threadpool(_view, request, who, vehicle)
        doubts = finding_doubts(row["finding"], quantities(given), view.case.readings)
        if doubts and not given.get("sure"):
            return await run_in_threadpool(_asked_back, request, who, vehicle, doubts, given)
        await run_in_threadpool(_keep_finding, _store(request), row, given, who)
    except WhichsideError as error:
        return await run_in_threadpool(_refused, request, who, vehicle, error, given)
    return RedirectResponse(_to(vehicle, saved="finding"), status_code=303)


def _asked_back(
    request: Request, who: Person, vehicle: str, doubts: tuple[str, ...], given: dict[str, str]
) -> Response:
    return _case(request, who, vehicle, status=422, doubts=doubts, given=given)


def _keep_finding(
    store: BenchStore, row: dict[str, Any], given: dict[str, str], who: Person
) -> None:
    corrects = given.get("corrects", "")
    if corrects.isdigit():
        store.correct_finding(int(corrects), row, who.name, given.get("reason", ""))
    else:
        store.finding(row, who.name)


async def _one_file(form: FormData) -> tuple[str, bytes]:
    item = form.get("file")
    if not isinstance(item, UploadFile) or not item.filename:
        raise DecisionError("No file was chosen", next_step="choose one")
    body = await item.read(MOST_BYTES + 1)
    if len(body) > MOST_BYTES:
        raise DecisionError(
            "The file is too large", next_step=f"keep it under {MOST_BYTES >> 20} MB"
        )
    return item.filename, body


async def photo(request: Request) -> Response:
    """Keep a photo, made small and plain."""
    who = allow(request, "bench")
    form = await checked_form(request, files=1)
    vehicle = _vehicle_of(str(form.get("id", "")))
    try:
        _, body = await _one_file(form)
        plain = await run_in_threadpool(as_kept, body)
        row = {
            "vehicle_id": vehicle,
            "at_utc": datetime.now(UTC),
            "media_type": "image/jpeg",
            "note": str(form.get("note", ""))[:200] or None,
        }
        await run_in_threadpool(_store(request).keep_file, row, plain, who.name)
    except WhichsideError as error:
        return await run_in_threadpool(_refused, request, who, vehicle, error, {})
    finally:
        await form.close()
    return RedirectResponse(_to(vehicle, saved="photo"), status_code=303)


async def trace(request: Request) -> Response:
    """Keep an oscilloscope's trace; its levels become readings."""
    who = allow(request, "bench")
    form = await checked_form(request, files=1)
    vehicle = _vehicle_of(str(form.get("id", "")))
    try:
        name, body = await _one_file(form)
        state = str(form.get("state", "")) or None
        await run_in_threadpool(_keep_trace, _store(request), vehicle, name, body, state, who)
    except WhichsideError as error:
        return await run_in_threadpool(_refused, request, who, vehicle, error, {})
    finally:
        await form.close()
    return RedirectResponse(_to(vehicle, saved="trace"), status_code=303)


def _keep_trace(
    store: BenchStore, vehicle: str, name: str, body: bytes, state: str | None, who: Person
) -> None:
    shown = " ".join(name.split())[-80:]
    readings, said = trace_readings(body.decode("utf-8", "replace"), where=shown, state=state)
    row = {
        "vehicle_id": vehicle,
        "at_utc": datetime.now(UTC),
        "media_type": "text/csv",
        "note": f"{shown}. {said}"[:1900],
    }
    store.keep_file(row, body, who.name)
    for r in readings:
        value = plain(r)
        store.keep_reading(
            _reading_row(
                vehicle,
                r.kind,
                value,
                state=r.state,
                instrument="oscilloscope",
                note=f"from {shown}",
                spread=r.spread,
            ),
            who.name,
        )


def kept_file(request: Request) -> Response:
    """A photo of the vehicle, as kept."""
    allow(request, "bench")
    vehicle, sha = _vehicle_of(request.query_params.get("id")), request.path_params["sha"]
    store = _store(request)
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
    vehicle = _vehicle_of(request.query_params.get("id"))
    view = _view(request, who, vehicle)
    standing = [
        e for e in _store(request).entries("decision_finding", vehicle) if e.withdrawn_by is None
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
