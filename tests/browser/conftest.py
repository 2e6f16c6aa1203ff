"""A headless Chromium, a server of the review app, and a watch over what pages ask for."""

from __future__ import annotations

import shutil
import socket
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import uvicorn

from dashboards.review.app import create_app
from pipeline.measure.screenshots import FLAGS
from pipeline.settings.serve import ServeSettings
from pipeline.storage.decisions import open_decisions
from pipeline.storage.decisions.bench_store import bench_store

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "dashboards"))

from invented import invented_week, write_finished_week

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """One Chromium for all tests; skipped where there is none."""
    if CHROMIUM is None:
        pytest.skip("no chromium on this machine: apt-get install chromium")
    sync_api = pytest.importorskip(
        "playwright.sync_api", reason="the playwright package is not installed"
    )
    with sync_api.sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        yield started
        started.close()


class Watched:
    """A page that remembers what went wrong in it and what it asked for."""

    def __init__(self, page: Any) -> None:
        self.page = page
        self.troubles: list[str] = []
        self.asked: list[str] = []
        page.on(
            "console",
            lambda said: self.troubles.append(said.text) if said.type == "error" else None,
        )
        page.on("pageerror", lambda error: self.troubles.append(str(error)))
        page.on("request", lambda request: self.asked.append(request.url))


@pytest.fixture
def watched(browser: Any) -> Iterator[Callable[..., Watched]]:
    """Makes watched pages, each in a context of its own.

    Afterwards none may have had trouble or asked another host.
    """
    made: list[Watched] = []

    def make(width: int = 1280, **options: Any) -> Watched:
        context = browser.new_context(viewport={"width": width, "height": 900}, **options)
        made.append(Watched(context.new_page()))
        return made[-1]

    yield make
    for one in made:
        assert one.troubles == []
        outside = [
            url for url in one.asked if not url.startswith(("file:", "data:", "http://127.0.0.1:"))
        ]
        assert outside == []
        one.page.context.close()


@pytest.fixture(scope="session")
def week(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A finished week of an invented fleet, as a run leaves it, and beside it the week before."""
    out, data = tmp_path_factory.mktemp("out"), invented_week()
    write_finished_week(out, replace(data, week="2026-W13", vehicles=data.vehicles_before))
    return write_finished_week(out, data)


@pytest.fixture
def served(week: Path, tmp_path: Path) -> Iterator[Callable[..., str]]:
    """Starts the review app on a free port of this machine; gives its address."""
    servers: list[tuple[Any, threading.Thread]] = []

    def start(run: Callable[..., str] = lambda *_: week.name, **settings: Any) -> str:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        where, warehouse = str(tmp_path / "decisions.sqlite"), tmp_path / "w.duckdb"
        decisions = open_decisions(where)
        app = create_app(
            warehouse,
            week.parent,
            decisions,
            run,
            ServeSettings(port=port, **settings),
            bench=bench_store(decisions, where, warehouse),
        )
        server = uvicorn.Server(uvicorn.Config(app, host="127.0.0.1", port=port, log_level="error"))
        thread = threading.Thread(target=server.run, daemon=True)
        thread.start()
        servers.append((server, thread))
        until = time.monotonic() + 20
        while not server.started and time.monotonic() < until:
            time.sleep(0.02)
        return f"http://127.0.0.1:{port}"

    yield start
    for server, thread in servers:
        server.should_exit = True
        thread.join(timeout=10)
