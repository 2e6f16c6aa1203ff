"""What is entered at the bench: answers, readings, findings, photos and traces; each kept, none changed."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from dashboards.review.bench_case import COUPLERS, questions
from dashboards.review.bench_pages import (
    address_of,
    asked_back,
    refused,
    store_of,
    vehicle_of,
    view_of,
)
from dashboards.review.bench_store import BenchStore
from dashboards.review.context import checked_form
from dashboards.review.forms import parse_finding, quantities
from dashboards.review.people import Person
from dashboards.review.photos import MOST_BYTES, as_kept
from dashboards.review.rights import allow
from pipeline.core.errors import DecisionError, WhichsideError
from pipeline.core.local_time import moment
from pipeline.refer.bench import Reading, parse_reading
from pipeline.refer.bench.case import DRIED, row_of_reading
from pipeline.refer.bench.finding import finding_doubts
from pipeline.refer.bench.trace import trace_readings


async def open_case(request: Request) -> Response:
    """Keep the interview's answers as the case's first readings."""
    who = allow(request, "bench")
    form = await checked_form(request)
    vehicle = vehicle_of(str(form.get("vehicle", "")))
    couplers = ";".join(str(c) for c in form.getlist("coupler") if c in COUPLERS)
    for question in questions():
        answer = str(form.get(question["kind"], ""))
        if answer:
            told = Reading(question["kind"], answer=answer, coupler=couplers, at=datetime.now(UTC))
            row = row_of_reading(vehicle, told)
            await run_in_threadpool(store_of(request).keep_reading, row, who.name)
    return RedirectResponse(address_of(vehicle), status_code=303)


async def enter(request: Request) -> Response:
    """Keep a reading or answer as typed."""
    who = allow(request, "bench")
    form = await checked_form(request)
    vehicle = vehicle_of(str(form.get("id", "")))
    given = {key: str(value) for key, value in form.items() if key != "csrf"}
    try:
        await run_in_threadpool(_keep, store_of(request), vehicle, given, who)
    except WhichsideError as error:
        return await run_in_threadpool(refused, request, who, vehicle, error, given)
    return RedirectResponse(address_of(vehicle, saved="reading"), status_code=303)


def _keep(store: BenchStore, vehicle: str, given: dict[str, str], who: Person) -> None:
    now = datetime.now(UTC)
    reading = parse_reading(
        given.get("reading", ""),
        given.get("value", "").strip(),
        state=given.get("state"),
        instrument=given.get("instrument"),
        note="known-good" if given.get("known_good") else given.get("note", "").strip(),
        at=moment(given["at"], given.get("zone", "")) if given.get("at") else now,
    )
    if given.get("dried"):
        store.keep_reading(row_of_reading(vehicle, Reading(DRIED, answer="yes", at=now)), who.name)
    store.keep_reading(row_of_reading(vehicle, reading), who.name)


async def take_back(request: Request) -> Response:
    """Take a reading or finding back, with a reason."""
    who = allow(request, "bench")
    form = await checked_form(request)
    vehicle = vehicle_of(str(form.get("id", "")))
    table = {"reading": "decision_reading", "finding": "decision_finding"}.get(
        str(form.get("what"))
    )
    number = str(form.get("number", ""))
    if table is None or not number.isdigit():
        raise HTTPException(404, "there is no such entry")
    try:
        await run_in_threadpool(
            store_of(request).withdraw, table, int(number), who.name, str(form.get("reason", ""))
        )
    except WhichsideError as error:
        return await run_in_threadpool(refused, request, who, vehicle, error, {})
    return RedirectResponse(address_of(vehicle, saved="withdrawn"), status_code=303)


async def find(request: Request) -> Response:
    """Keep or correct a finding, once it agrees with what was measured or the person is sure."""
    who = allow(request, "bench")
    form = await checked_form(request)
    vehicle = vehicle_of(str(form.get("id", "")))
    given = {key: str(value) for key, value in form.items() if key != "csrf"}
    try:
        row = {"vehicle_id": vehicle, **parse_finding(given)}
        view = await run_in_threadpool(view_of, request, who, vehicle)
        doubts = finding_doubts(row["finding"], quantities(given), view.case.readings)
        if doubts and not given.get("sure"):
            return await run_in_threadpool(asked_back, request, who, vehicle, doubts, given)
        await run_in_threadpool(_keep_finding, store_of(request), row, given, who)
    except WhichsideError as error:
        return await run_in_threadpool(refused, request, who, vehicle, error, given)
    return RedirectResponse(address_of(vehicle, saved="finding"), status_code=303)


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
    vehicle = vehicle_of(str(form.get("id", "")))
    try:
        _, body = await _one_file(form)
        plain = await run_in_threadpool(as_kept, body)
        row = {
            "vehicle_id": vehicle,
            "at_utc": datetime.now(UTC),
            "media_type": "image/jpeg",
            "note": str(form.get("note", ""))[:200] or None,
        }
        await run_in_threadpool(store_of(request).keep_file, row, plain, who.name)
    except WhichsideError as error:
        return await run_in_threadpool(refused, request, who, vehicle, error, {})
    finally:
        await form.close()
    return RedirectResponse(address_of(vehicle, saved="photo"), status_code=303)


async def trace(request: Request) -> Response:
    """Keep an oscilloscope's trace; its levels become readings."""
    who = allow(request, "bench")
    form = await checked_form(request, files=1)
    vehicle = vehicle_of(str(form.get("id", "")))
    try:
        name, body = await _one_file(form)
        state = str(form.get("state", "")) or None
        await run_in_threadpool(_keep_trace, store_of(request), vehicle, name, body, state, who)
    except WhichsideError as error:
        return await run_in_threadpool(refused, request, who, vehicle, error, {})
    finally:
        await form.close()
    return RedirectResponse(address_of(vehicle, saved="trace"), status_code=303)


def _keep_trace(
    store: BenchStore, vehicle: str, name: str, body: bytes, state: str | None, who: Person
) -> None:
    shown = " ".join(name.split())[-80:]
    readings, said = trace_readings(body.decode("utf-8", "replace"), where=shown, state=state)
    at = datetime.now(UTC)
    row = {
        "vehicle_id": vehicle,
        "at_utc": at,
        "media_type": "text/csv",
        "note": f"{shown}. {said}"[:1900],
    }
    store.keep_file(row, body, who.name)
    for one in readings:
        read = replace(one, at=at, instrument="oscilloscope", note=f"from {shown}")
        store.keep_reading(row_of_reading(vehicle, read), who.name)
