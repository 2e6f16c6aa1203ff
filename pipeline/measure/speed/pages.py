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
    """Per page: `megabytes`, `first_paint_s`, `seconds` until the page is laid out and its lists can
    be used, and where it has a list, `filter_s` from a typed letter to the rows it leaves; medians.

    Charts are drawn when they come into view and are in the time only as far as the first screen
    holds them. Raises WhichsideError when Chromium or playwright is missing.
    """
    with chromium_at_work() as browser:
        return {page: _median(browser, week / f"{page}.html", rounds) for page in PAGES}


def _median(browser: Any, file: Path, rounds: int) -> dict[str, float]:
    opened = [_open(browser, file.as_uri()) for _ in range(rounds)]
    middle = {name: sorted(one[name] for one in opened)[rounds // 2] for name in opened[0]}
    return {"megabytes": round(file.stat().st_size / 1e6, 2), **middle}


_FILTER = """() => {
  const field = document.querySelector('form.finder [name=text]');
  if (!field) return null;
  const start = performance.now();
  field.value = '7';
  field.dispatchEvent(new Event('input', { bubbles: true }));
  document.body.getBoundingClientRect();
  return (performance.now() - start) / 1000;
}"""
_PAINT = "performance.getEntriesByName('first-contentful-paint')[0].startTime / 1000"


def _open(browser: Any, address: str) -> dict[str, float]:
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    start = time.perf_counter()
    page.goto(address)
    page.evaluate("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")
    told = {"seconds": round(time.perf_counter() - start, 3)}
    told["first_paint_s"] = round(float(page.evaluate(_PAINT)), 3)
    filtered = page.evaluate(_FILTER)
    page.close()
    return told if filtered is None else {**told, "filter_s": round(float(filtered), 4)}


if __name__ == "__main__":
    sys.stdout.write(json.dumps(measure(Path(sys.argv[1]).resolve()), indent=1) + "\n")
