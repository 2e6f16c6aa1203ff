"""How large a week's pages are and how fast they open.

`python -m pipeline.measure.speed.pages WEEK_FOLDER` (needs Chromium).
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path
from typing import Any

from dashboards.pages import PAGES
from pipeline.measure.screenshots import chromium_at_work


def measure(week: Path, rounds: int = 5) -> dict[str, dict[str, float]]:
    """Per page: `megabytes`, and `seconds`, the median time from asking until the page is laid out
    and its lists can be used.

    Charts are drawn when they come into view and are in the time only as far as the first screen
    holds them. Raises WhichsideError when Chromium or playwright is missing.
    """
    with chromium_at_work() as browser:
        return {
            page: {
                "megabytes": round((week / f"{page}.html").stat().st_size / 1e6, 2),
                "seconds": sorted(
                    _open(browser, (week / f"{page}.html").as_uri()) for _ in range(rounds)
                )[rounds // 2],
            }
            for page in PAGES
        }


def _open(browser: Any, address: str) -> float:
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    start = time.perf_counter()
    page.goto(address)
    page.evaluate("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")
    seconds = time.perf_counter() - start
    page.close()
    return round(seconds, 3)


if __name__ == "__main__":
    sys.stdout.write(json.dumps(measure(Path(sys.argv[1]).resolve()), indent=1) + "\n")
