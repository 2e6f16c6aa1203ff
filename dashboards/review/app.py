"""The review app put together: `create_app` gives an ASGI app, `serve` runs it."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from http import HTTPStatus
from pathlib import Path

import uvicorn
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from dashboards.markup import HERE, STATIC, environment
from dashboards.pages import chart_script
from dashboards.review import (
    bench_entries,
    bench_pages,
    evse_pages,
    handing_in,
    signing,
    vehicle_pages,
    weekly,
)
from dashboards.review.bench_store import BenchStore
from dashboards.review.connections import impatient
from dashboards.review.context import Context, page
from dashboards.review.gate import Gate
from dashboards.review.guard import LOOPBACK, WILDCARDS, Guard
from dashboards.review.kept import DecisionStore
from dashboards.review.people import People
from dashboards.review.runs import RunDelivery, Runs
from dashboards.review.sessions import Sessions
from dashboards.review.sign_in_log import SignInLog
from pipeline.core.errors import SettingsError, WhichsideError
from pipeline.settings.serve import ServeSettings

_ASSETS = {
    "look.css": "text/css",
    "pages.css": "text/css",
    "unit.js": "text/javascript",
    "pages.js": "text/javascript",
    "review.js": "text/javascript",
    "bench.js": "text/javascript",
    "bench.css": "text/css",
    "charts.js": "text/javascript",
}


async def _asset(request: Request) -> Response:
    name = request.path_params["name"]
    if name not in _ASSETS:
        raise HTTPException(404, "there is no such file")
    body = chart_script() if name == "charts.js" else (STATIC / name).read_text(encoding="utf-8")
    return Response(
        body, media_type=_ASSETS[name], headers={"Cache-Control": "private, max-age=3600"}
    )


async def _healthy(request: Request) -> Response:  # noqa: ARG001 - a view's form
    return JSONResponse({"status": "up"})


async def _failed(request: Request, error: Exception) -> Response:
    status, text = 500, "Something went wrong here. The server's log says what."
    if isinstance(error, HTTPException):
        status, text = error.status_code, error.detail
    elif isinstance(error, WhichsideError):
        text = str(error)
    if getattr(request.state, "session", None) is None:
        return Response(f"{text}\n", status, media_type="text/plain")
    return page(
        request, "failed.html.j2", "", status=status, title=HTTPStatus(status).phrase, text=text
    )


_ROUTES = [
    Route("/", weekly.home),
    Route("/week/{week}/review", weekly.review_page),
    Route("/week/{week}/vehicle", vehicle_pages.vehicle_page),
    Route("/week/{week}/decision", vehicle_pages.decide, methods=["POST"]),
    Route("/week/{week}/finding", vehicle_pages.find, methods=["POST"]),
    Route("/week/{week}/pack", vehicle_pages.pack),
    Route("/week/{week}/sheet", vehicle_pages.sheet),
    Route("/week/{week}/evse", evse_pages.evse_page),
    Route("/week/{week}/evse-sheet", evse_pages.evse_sheet),
    Route("/week/{week}/work", evse_pages.record_work, methods=["POST"]),
    Route("/week/{week}/work.csv", evse_pages.work_file),
    Route("/week/{week}/index.js", weekly.index_script_of),
    Route("/week/{week}/file/{name}", weekly.download),
    Route("/week/{week}/{page}", weekly.week_page),
    Route("/upload", handing_in.hand_in_page, methods=["GET"]),
    Route("/upload", handing_in.hand_in, methods=["POST"]),
    Route("/bench", bench_pages.bench_home, methods=["GET"]),
    Route("/bench", bench_entries.open_case, methods=["POST"]),
    Route("/bench/case", bench_pages.case_page),
    Route("/bench/reading", bench_entries.enter, methods=["POST"]),
    Route("/bench/withdraw", bench_entries.take_back, methods=["POST"]),
    Route("/bench/finding", bench_entries.find, methods=["POST"]),
    Route("/bench/photo", bench_entries.photo, methods=["POST"]),
    Route("/bench/trace", bench_entries.trace, methods=["POST"]),
    Route("/bench/file/{sha}", bench_pages.kept_file),
    Route("/bench/sheet", bench_pages.case_sheet),
    Route("/runs/{key}", handing_in.run_page),
    Route("/runs/{key}/state", handing_in.run_state),
    Route("/sign-in", signing.sign_in_page, methods=["GET"]),
    Route("/sign-in", signing.sign_in, methods=["POST"]),
    Route("/sign-out", signing.sign_out_page, methods=["GET"]),
    Route("/sign-out", signing.sign_out, methods=["POST"]),
    Route("/assets/{name}", _asset),
    Route("/healthy", _healthy),
]


def _check_address(settings: ServeSettings) -> None:
    """Raise SettingsError when other machines reach the address and nobody can sign in, or no host
    name is known.
    """
    if settings.host not in LOOPBACK and settings.people is None:
        raise SettingsError(
            f"{settings.host} can be reached from other machines, so people must sign in",
            next_step="name a file of people (made with `whichside person`), or listen on 127.0.0.1",
        )
    if settings.host in WILDCARDS and not settings.names:
        raise SettingsError(
            f"{settings.host} stands for every address, so the names browsers will use must be known",
            next_step='set serve.names in the settings, like names = ["charging.our-town.example"]',
        )


def create_app(
    store: Path,
    out: Path,
    decisions: DecisionStore,
    run: RunDelivery,
    settings: ServeSettings,
    *,
    bench: BenchStore | None = None,
) -> Starlette:
    """The review app over the finished weeks in `out`.

    store: the warehouse (deliveries handed in are kept beside it); decisions: the opened
    decisions store, closed with the app; run: takes a delivery and a progress, gives the week it
    finished; bench: the store as the bench uses it, without it there is no bench. Raises
    SettingsError when other machines reach the address and nobody can sign in or
    no host name is known.
    """
    _check_address(settings)
    runs = Runs(run, settings)

    @asynccontextmanager
    async def life(app: Starlette) -> AsyncIterator[None]:
        runs.take_up(app.state.context.deliveries)
        yield
        runs.close()
        app.state.context.decisions.close()

    gates = [Middleware(Guard, settings=settings), Middleware(Gate)]
    app = Starlette(
        routes=_ROUTES,
        middleware=gates,
        exception_handlers={HTTPException: _failed, WhichsideError: _failed},
        lifespan=life,
    )
    app.state.sign_in_limit = signing.SignInLimit(settings)
    people = settings.people
    app.state.context = Context(
        out=out,
        deliveries=store.parent / "handed_in",
        decisions=decisions,
        bench=bench,
        people=None if people is None else People(people),
        sign_ins=SignInLog(people and people.with_name(f"{people.name}.sign-ins.jsonl")),
        settings=settings,
        sessions=Sessions(settings),
        runs=runs,
        templates=environment(HERE / "review" / "templates"),
    )
    return app


def serve(
    store: Path,
    out: Path,
    decisions: DecisionStore,
    run: RunDelivery,
    settings: ServeSettings,
    *,
    bench: BenchStore | None = None,
) -> None:
    """Run the app until stopped. Raises what `create_app` raises."""
    app = create_app(store, out, decisions, run, settings, bench=bench)
    uvicorn.run(
        app,
        host=settings.host,
        port=settings.port,
        log_level="warning",
        server_header=False,
        proxy_headers=bool(settings.trusted_proxies),
        forwarded_allow_ips=list(settings.trusted_proxies),
        http=impatient(settings.header_seconds, settings.connections_cap),
        ws="none",
        ssl_certfile=settings.certificate,
        ssl_keyfile=settings.certificate_key,
    )


def clear_text_warning(settings: ServeSettings) -> str | None:
    """What to say where names and passwords would cross a network readable by others."""
    if settings.host in LOOPBACK or settings.https or settings.certificate:
        return None
    return (
        f"{settings.host}: passwords and pages cross the network in clear text. "
        "Set serve.certificate and serve.certificate_key, or put a TLS proxy in front and set serve.https"
    )
