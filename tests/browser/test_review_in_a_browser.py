"""The review as three people do it, clicked through in Chromium against the served app."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from invented import PASSWORD, write_people
from test_pages_in_a_browser import _axe_violations

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def people(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A manager, an operator and a workshop."""
    return write_people(tmp_path_factory.mktemp("people") / "people.json")


def _sign_in(page: Any, address: str, name: str) -> None:
    page.goto(address)
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()


def test_a_manager_decides(
    watched: Callable[..., Any], served: Callable[..., str], people: Path
) -> None:
    """Sign in, open the list, read the vehicle, hold it with a reason, see it on the list, sign
    out.
    """
    page = watched().page
    _sign_in(page, served(people=people), "mona")
    assert (
        "2 still to decide" in page.locator("h1").inner_text()
        or "3 still to decide" in page.locator("h1").inner_text()
    )
    assert _axe_violations(page) == []
    page.get_by_role("link", name="V-0000").click()
    assert _axe_violations(page) == []
    page.get_by_label("Hold: look again next week").check()
    page.get_by_label("Reason").fill("its driver is away until Monday")
    page.get_by_role("button", name="Record the decision").click()
    page.get_by_text("The decision is recorded. It can be taken back below").wait_for()
    page.locator("#unit").get_by_text("its driver is away until Monday").wait_for()
    page.get_by_role("link", name="Decide", exact=True).click()
    page.locator("#review").get_by_text("held").wait_for()
    page.get_by_role("link", name="Sign out").click()
    page.get_by_role("button", name="Sign out").click()
    page.get_by_role("heading", name="Sign in").wait_for()


def test_a_manager_hands_in_a_delivery_and_watches(
    watched: Callable[..., Any], served: Callable[..., str], week: Path, tmp_path: Path
) -> None:
    """The progress moves without a reload by hand, and ends at the review of the finished week."""

    def run(_delivery: Path, progress: Any) -> str:
        for done in range(4):
            progress("reading the files", done, 4)
            time.sleep(0.4)
        return week.name

    file = tmp_path / "vehicles.csv"
    file.write_text("vehicle_id\n", encoding="utf-8")
    page = watched().page
    page.goto(served(run=run) + "/upload")
    assert _axe_violations(page) == []
    page.get_by_label("Files").set_input_files(file)
    page.get_by_role("button", name="Hand in and run").click()
    page.get_by_text("reading the files").wait_for(timeout=10_000)
    assert _axe_violations(page) == []
    page.get_by_role("link", name=f"Go to the review of {week.name}").click(timeout=20_000)
    page.locator("h1", has_text="still to decide").wait_for()


def test_an_operator_sees_the_picture_of_own_sites(
    watched: Callable[..., Any], served: Callable[..., str], people: Path
) -> None:
    """Charts draw under the strict content policy; nothing of another site is there."""
    page = watched().page
    _sign_in(page, served(people=people), "otto")
    page.locator("#rates").scroll_into_view_if_needed()
    page.locator("#rates svg").wait_for(timeout=15_000)
    assert _axe_violations(page) == []
    page.locator("#rates svg .mark-symbol path").first.hover(force=True)
    page.locator("#vg-tooltip-element.visible").wait_for(timeout=15_000)
    page.locator(".matrix").get_by_role("link", name="V-0000").first.click()
    page.locator("#strip").scroll_into_view_if_needed()
    page.locator("#strip svg").wait_for(timeout=15_000)
    assert _axe_violations(page) == []
    assert "yard-1" not in page.content()


def test_a_workshop_enters_a_finding(
    watched: Callable[..., Any], served: Callable[..., str], people: Path
) -> None:
    """From the list to the pack and back, then the finding with its readings, under the cautions."""
    page = watched(width=390).page
    _sign_in(page, served(people=people), "wilma")
    page.get_by_role("link", name="Evidence pack V-0000").click()
    page.locator("#strip").scroll_into_view_if_needed()
    page.locator("#strip svg").wait_for(timeout=15_000)
    assert _axe_violations(page) == []
    page.go_back()
    page.get_by_role("link", name="Enter a finding V-0000").click()
    page.get_by_text("Before anyone measures").wait_for()
    page.get_by_role("combobox", name="Found").select_option("diode_shorted")
    page.get_by_label("Pilot to earth, leads exchanged").fill("2740")
    page.get_by_role("button", name="Record the finding").click()
    page.get_by_text("The finding is recorded.").wait_for()
    page.get_by_text("shorted pilot diode").first.wait_for()


def test_hostile_words_do_nothing(watched: Callable[..., Any], served: Callable[..., str]) -> None:
    """A script typed as a reason is shown as text and never runs."""
    one = watched()
    one.page.on("dialog", lambda dialog: (one.troubles.append("a script ran"), dialog.dismiss()))
    one.page.goto(served() + "/")
    one.page.get_by_role("link", name="V-0000").click()
    one.page.get_by_label("Accept: it goes").check()
    one.page.get_by_label("Reason").fill('<script>alert(1)</script><img src=x onerror="alert(2)">')
    one.page.get_by_role("button", name="Record the decision").click()
    assert "<script>alert(1)</script>" in one.page.locator("main").inner_text()
