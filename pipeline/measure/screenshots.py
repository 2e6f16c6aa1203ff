"""Pictures of the pages for the README.

`python -m pipeline.measure.screenshots WEEK_FOLDER INTO` (needs Chromium and playwright).
"""

from __future__ import annotations

import shutil
import socket
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import uvicorn

from dashboards.pages import PAGES
from dashboards.review.app import create_app
from pipeline.core.errors import WhichsideError
from pipeline.settings.serve import ServeSettings
from pipeline.storage.decisions import open_decisions

FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip
_WIDE, _TALLEST = 1280, 1500


@contextmanager
def chromium_at_work() -> Iterator[Any]:
    """A headless Chromium under playwright. Raises WhichsideError when either is missing."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    try:
        from playwright.sync_api import sync_playwright  # noqa: PLC0415 - of the test extra, needed here alone
    except ImportError as error:
        raise WhichsideError(
            "playwright is not installed", next_step="pip install playwright"
        ) from error
    if chromium is None:
        raise WhichsideError(
            "there is no chromium on this machine", next_step="apt-get install chromium"
        )
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=list(FLAGS))
        yield browser
        browser.close()


def take_pictures(week: Path, into: Path) -> list[Path]:
    """A PNG of each page of a finished week, of an evidence page and of the review.

    week: the week's folder. Raises WhichsideError when Chromium or playwright is missing.
    """
    into.mkdir(parents=True, exist_ok=True)
    addresses = {page: (week / f"{page}.html").as_uri() for page in PAGES}
    packs = sorted(week.glob("referrals/*/index.html"))
    if packs:
        addresses["evidence"] = packs[0].as_uri()
    with served(week.parent) as review, chromium_at_work() as browser:
        addresses["review"] = f"{review}/week/{week.name}/review"
        return [
            _picture(browser, address, into / f"{name}.png") for name, address in addresses.items()
        ]


def _picture(browser: Any, address: str, file: Path) -> Path:
    page = browser.new_page(viewport={"width": _WIDE, "height": 900}, color_scheme="light")
    page.goto(address)
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    page.wait_for_function(
        "[...document.querySelectorAll('.chart')].every(c => c.querySelector('svg'))"
    )
    height = min(_TALLEST, int(page.evaluate("document.documentElement.scrollHeight")))
    page.set_viewport_size({"width": _WIDE, "height": height})
    page.screenshot(path=str(file))
    page.close()
    return file


@contextmanager
def served(out: Path) -> Iterator[str]:
    """The review app over finished weeks on a free port of this machine, decisions in a passing
    store; yields its address.
    """
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with tempfile.TemporaryDirectory() as passing:
        room = Path(passing)
        app = create_app(
            room / "w.duckdb",
            out,
            open_decisions(room / "decisions.sqlite"),
            lambda *_: "",
            ServeSettings(port=port),
        )
        server = uvicorn.Server(uvicorn.Config(app, host="127.0.0.1", port=port, log_level="error"))
        thread = threading.Thread(target=server.run, daemon=True)
        thread.start()
        try:
            while not server.started and thread.is_alive():
                time.sleep(0.02)
            yield f"http://127.0.0.1:{port}"
        finally:
            server.should_exit = True
            thread.join(timeout=10)


if __name__ == "__main__":
    for picture in take_pictures(Path(sys.argv[1]).resolve(), Path(sys.argv[2])):
        sys.stdout.write(f"{picture}\n")
