"""Handing in a delivery through the browser, and watching its run."""

from __future__ import annotations

import re
import secrets
import shutil
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response

from dashboards.review.context import Context, address, checked_form, context, page
from dashboards.review.rights import allow
from dashboards.review.runs import RunState

_COPY_BYTES = 1 << 20


def plain_name(given: str, taken: Iterable[str]) -> str:
    """A file name that stays inside its folder.

    Last part only, plain characters, not used before.
    """
    last = re.split(r"[/\\]", given)[-1]
    name = re.sub(r"[^A-Za-z0-9._-]+", "_", last).lstrip(".")[-120:] or "file"
    used = set(taken)
    return name if name not in used else f"{secrets.token_hex(4)}-{name}"


async def hand_in_page(request: Request) -> Response:
    """The form, and the runs so far."""
    allow(request, "upload")
    return page(
        request,
        "upload.html.j2",
        "upload",
        title="Hand in",
        runs=context(request).runs.all(),
        fault=None,
    )


async def hand_in(request: Request) -> Response:
    """Keep the files as a delivery and queue a run over it."""
    who = allow(request, "upload")
    known = context(request)
    form = await checked_form(request, files=known.settings.upload_files_cap)
    try:
        files = [
            item for item in form.getlist("files") if isinstance(item, UploadFile) and item.filename
        ]
        folder = await run_in_threadpool(_keep, known.deliveries, files) if files else None
    finally:
        await form.close()
    if folder is None:
        view = {"runs": known.runs.all(), "fault": "Choose at least one file."}
        return page(request, "upload.html.j2", "upload", status=400, title="Hand in", **view)
    return RedirectResponse(f"/runs/{known.runs.start(folder, who.name).key}", status_code=303)


def _keep(deliveries: Path, files: list[UploadFile]) -> Path:
    folder = deliveries / f"{datetime.now(UTC):%Y%m%dT%H%M%S}-{secrets.token_hex(3)}"
    folder.mkdir(parents=True)
    names: list[str] = []
    for item in files:
        names.append(plain_name(item.filename or "", names))
        with (folder / names[-1]).open("xb") as kept:
            shutil.copyfileobj(item.file, kept, _COPY_BYTES)
    return folder


def _state(request: Request) -> RunState:
    allow(request, "upload")
    state = context(request).runs.find(request.path_params["key"])
    if state is None:
        raise HTTPException(404, "there is no such run")
    return state


async def run_page(request: Request) -> Response:
    """How far a run is."""
    state = _state(request)
    files = await run_in_threadpool(became_of, context(request), state) if state.week else []
    nothing = bool(files) and not any(row["used"] for row in files)
    view: dict[str, Any] = {
        "run": state,
        "link": _link(state),
        "files": files,
        "nothing": nothing,
    }
    return page(request, "run.html.j2", "upload", title="Run", **view)


def became_of(known: Context, state: RunState) -> list[dict[str, Any]]:
    """What became of each file of a run's delivery, those turned away first; from the week's accounts."""
    if state.week is None:
        return []
    names = {
        path.relative_to(known.deliveries / state.delivery).as_posix()
        for path in (known.deliveries / state.delivery).rglob("*")
        if path.is_file()
    }
    rows = [dict(row) for row in known.week(state.week).run.get("inputs") or ()]
    away = {row["file"]: row for row in known.week(state.week).run.get("turned_away") or ()}
    own = [
        {**row, "why": (away.get(row["file"]) or {}).get("reason") or row.get("message")}
        for row in rows
        if row["file"] in names
    ]
    return sorted(own, key=lambda row: (row["used"] > 0, -row["rejected"], row["file"]))


async def run_state(request: Request) -> Response:
    """The same for the page's script."""
    state = _state(request)
    told = {"status": state.status, "step": state.step, "done": state.done, "total": state.total}
    return JSONResponse({**told, "over": state.over})


def _link(state: RunState) -> str | None:
    return address(state.week, "review") if state.week else None
