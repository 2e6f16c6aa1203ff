"""A whole bench session on a phone: interview, readings, the next step, a slip, a correction, the finding, the A4 page."""

from __future__ import annotations

import io
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import pytest

pytestmark = pytest.mark.browser
PHONE = {"width": 390, "has_touch": True, "is_mobile": True}


def _violations(page: Any) -> list[str]:
    """What axe-core finds against WCAG 2.2 A and AA, in a line each."""
    page.evaluate((files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8"))
    rules = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
    found = page.evaluate("tags => axe.run(document, {runOnly: tags, preload: false})", rules)[
        "violations"
    ]
    return [f"{v['id']}: {v['help']}: {v['nodes'][0]['html'][:200]}" for v in found]


def _fits(page: Any) -> bool:
    return bool(page.evaluate("document.documentElement.scrollWidth <= innerWidth"))


def _trace(path: Path) -> Path:
    """A shorted diode in B2, as an oscilloscope exports it."""
    t = np.arange(6000) / 1e5
    v = np.where(np.mod(t * 1000, 1) < 0.2667, 8.79, -8.79)
    path.write_text("s,V\n" + "".join(f"{a:.6f},{b:.3f}\n" for a, b in zip(t, v, strict=True)))
    return path


def _open(page: Any, at: str, vehicle: str = "Van 7 blue") -> None:
    page.goto(f"{at}/bench")
    page.fill("input[name=vehicle]", vehicle)
    page.check("input[value=cType2]")
    page.select_option("select[name=ac_reach]", "stops_before_asking")
    page.select_option("select[name=ac_where]", "everywhere")
    page.click("text=To the bench")


def test_a_whole_session_on_a_phone(
    watched: Callable[..., Any], served: Callable[..., str], tmp_path: Path
) -> None:
    """From the first question to a corrected finding at 390 px: each page fits, each step says leads, state and cautions."""
    at, one = served(), watched(**PHONE, timezone_id="Europe/Oslo")
    page = one.page
    _open(page, at)
    assert (
        page.inner_text(".next h2")
        == "Next: Pilot to earth, leads exchanged: black on CP, red on PE (reverse)"
    )
    assert "made safe" in page.inner_text(".next .facts")
    assert "Prove dead" in page.inner_text(".next .caution")
    assert page.locator(".next svg text", has_text="black on CP").count() == 1
    assert _fits(page)
    assert _violations(page) == []

    page.fill("#enter input[name=value]", "2,740")
    page.click("#enter button[type=submit]")
    assert "may be 2.74 ohm or 2740 ohm" in page.inner_text("[role=alert]")
    one.troubles.clear()  # the refusal's own status

    page.click("button[data-set=OL]")
    assert page.input_value("#enter input[name=value]") == "OL"
    page.fill("#enter input[name=value]", "2.74 kΩ")
    page.click("#enter button[type=submit]")
    assert page.inner_text(".done") == "The reading is recorded."
    assert "The pair decides" in page.inner_text(".next")
    page.fill("#enter input[name=value]", "2k75")
    page.click("#enter button[type=submit]")
    assert "Stop: shorted pilot diode" in page.inner_text(".next")
    assert _fits(page)
    assert _violations(page) == []

    page.click("text=Hand in an oscilloscope")
    page.set_input_files(
        "form[action='/bench/trace'] input[type=file]", _trace(tmp_path / "scope.csv")
    )
    page.click("text=Read the trace")
    assert "Pilot's negative level in B2: -8.8 V" in page.inner_text(".readings")
    assert page.locator(".drawing.pair svg text", has_text="low -8.8 V").count() >= 1


NOW_HERE = "new Date(Date.now() - new Date().getTimezoneOffset() * 6e4).toISOString().slice(0, 16)"
FINDING = "form[action='/bench/finding']"


def test_a_finding_is_checked_and_corrected(
    watched: Callable[..., Any], served: Callable[..., str]
) -> None:
    """What the readings contradict is asked back; today's local time is taken; a correction stands in place, both kept."""
    at, one = served(), watched(**PHONE, timezone_id="Europe/Oslo")
    page = one.page
    _open(page, at)
    record = page.locator(FINDING).locator("button")
    page.select_option(f"{FINDING} select[name=finding]", "no_fault_found")
    page.fill(f"{FINDING} input[name=cp_pe_forward_ohm]", "2.74 kΩ")
    page.fill(f"{FINDING} input[name=cp_pe_reverse_ohm]", "2.74 kΩ")
    record.click()
    assert "and you chose no fault. Sure?" in page.inner_text("[role=alert]")
    one.troubles.clear()  # the refusal's own status
    page.select_option(f"{FINDING} select[name=finding]", "diode_shorted")
    page.fill(f"{FINDING} input[name=at]", page.evaluate(NOW_HERE))
    record.click()
    assert "The finding is recorded" in page.inner_text(".done")

    page.select_option(f"{FINDING} select[name=finding]", "inlet_or_wiring")
    page.fill(f"{FINDING} input[name=cp_pe_reverse_ohm]", "OL")
    page.select_option(f"{FINDING} select[name=corrects]", index=1)
    page.fill(f"{FINDING} input[name=reason]", "the inlet was wet, now dry")
    record.click()
    assert "reverse over range" in page.inner_text("section:has(#found)")
    assert "Corrected by" in page.inner_text("section:has(#found)")
    assert _fits(page)
    assert page.request.get(f"{at}/bench/sheet?id=Van+7+blue").body().startswith(b"%PDF")


def test_a_reading_taken_back_is_kept_and_weighs_nothing(
    watched: Callable[..., Any], served: Callable[..., str]
) -> None:
    """Struck through with who and why; the probabilities are as before it."""
    at, page = served(), watched(**PHONE).page
    _open(page, at)
    before = page.inner_text(".probable")
    page.fill("#enter input[name=value]", "2.74 kΩ")
    page.click("#enter button[type=submit]")
    assert page.inner_text(".probable") != before
    page.locator(".readings li").last.locator("summary").click()
    page.locator(".readings li").last.locator("input[name=reason]").fill("leads on the wrong car")
    page.locator(".readings li").last.locator("button").click()
    assert page.inner_text(".probable") == before
    assert "leads on the wrong car" in page.inner_text(".readings .gone")


def test_a_photo_is_kept_small_and_plain(
    watched: Callable[..., Any], served: Callable[..., str], tmp_path: Path
) -> None:
    """A photo comes back as a new JPEG, at most 2000 px, without what the phone wrote into it."""
    image = pytest.importorskip("PIL.Image")
    exif = image.Exif()
    exif[0x010F] = "a maker of phones"
    picture = tmp_path / "p.jpg"
    image.effect_noise((2600, 1300), 40).convert("RGB").save(picture, exif=exif)
    at, page = served(), watched(**PHONE).page
    _open(page, at)
    page.click("text=Add a photo")
    page.set_input_files("form[action='/bench/photo'] input[type=file]", picture)
    page.click("text=Keep the photo")
    body = page.request.get(at + page.get_attribute(".photos img", "src")).body()
    kept = image.open(io.BytesIO(body))
    assert (kept.format, kept.size) == ("JPEG", (2000, 1000))
    assert b"a maker of phones" not in body
    assert not kept.getexif()
