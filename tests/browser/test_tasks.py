"""Thirteen tasks of three people, as questions they ask; each answered within three clicks.

Typing and choosing from a list are not counted; opening the start page is where a task begins.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.browser
CLICKS = 3


class Person:
    """A page, and how often it was clicked."""

    def __init__(self, page: Any) -> None:
        self.page = page
        self.clicks = 0

    def click(self, role: str, name: str, *, within: str = "body", exact: bool = False) -> None:
        """Click what has that role and name."""
        self.clicks += 1
        assert self.clicks <= CLICKS
        self.page.locator(within).get_by_role(role, name=name, exact=exact).first.click()

    def sees(self, text: str, within: str = "main") -> None:
        """Wait until the text is shown."""
        self.page.locator(within).get_by_text(text).first.wait_for()


@pytest.fixture
def start(watched: Callable[..., Any], week: Path) -> Callable[[str], Person]:
    """Opens a page of the week from disk."""

    def open_page(page: str) -> Person:
        person = Person(watched().page)
        person.page.goto((week / f"{page}.html").as_uri())
        return person

    return open_page


Start = Callable[[str], Person]


def test_manager_which_vans_go_to_the_workshop_and_why(start: Start) -> None:
    """'Which vans, and why?' No click; one more unfolds what the decision weighed."""
    one = start("fleet")
    one.sees("1 vehicle to the workshop")
    one.sees("40 of 40 AC attempts failed")
    one.page.locator("#vehicles details.reason summary").first.click()
    one.sees("97 % × 120 EUR for another week of waiting (116)")


def test_manager_what_does_waiting_cost(start: Start) -> None:
    """'What has it cost, what does each week cost, where do I change that?' No click."""
    one = start("fleet")
    one.sees("Each week more (EUR)")
    one.sees("cost_week_without_ac")


def test_manager_how_is_a_vehicle_by_its_plate(start: Start) -> None:
    """'How is HB 0017?' It is clear; the search finds it by plate, its page shows every attempt."""
    one = start("sites")
    one.page.get_by_role("searchbox", name="Find a vehicle or EVSE").fill("hb 0017")
    one.click("link", "V-0017", within="#matches")
    one.sees("40 attempts, and how far each came")


def test_manager_finds_a_clear_vehicle_in_the_list(start: Start) -> None:
    """'Is V-0042 in the list?' The choice of calls never hides a match."""
    one = start("fleet")
    one.page.get_by_label("Find", exact=True).fill("v-0042")
    assert one.page.locator("#vehicles tbody tr:visible").count() == 1
    one.click("link", "V-0042", within="#vehicles")
    one.sees("Clear")


def test_manager_a_vehicle_that_never_plugged_in(start: Start) -> None:
    """'And the one that stands still?' It is in no list of attempts, and has its page all the same."""
    one = start("fleet")
    one.page.get_by_role("searchbox", name="Find a vehicle or EVSE").fill("V-idle")
    one.click("link", "V-idle", within="#matches")
    one.sees("No attempt in the look-back.")


def test_manager_what_do_i_tell_the_driver(start: Start) -> None:
    """'What do I tell the driver?' On the Monday list, a note a vehicle, to print, as CSV and calendar."""
    one = start("fleet")
    one.click("link", "Monday list", within="nav")
    one.sees("Note for the driver of V-0000")
    for name in ("Table (CSV)", "Calendar file (ICS)"):
        assert one.page.get_by_role("link", name=name).is_visible()


def test_manager_what_changed_since_last_week(start: Start) -> None:
    """'What is new?' No click."""
    start("fleet").sees("was “Watch”")


def test_manager_how_was_it_the_week_before(start: Start) -> None:
    """'And the week before?' The switcher keeps the page."""
    one = start("fleet")
    one.page.locator("#weeks").select_option(label="2026-W13")
    one.page.wait_for_url("**/2026-W13/fleet.html")
    one.sees("No vehicle to the workshop, 2 to watch")


def test_operator_is_it_my_box_and_with_whom(start: Start) -> None:
    """'Is it my box? Which vehicles failed there?' One click from the list to the EVSE's page."""
    one = start("sites")
    one.sees("1 EVSE fails whichever vehicle plugs in")
    one.click("link", "Page, attempts and what to check E-001")
    one.sees("Which vehicles plugged in")
    one.sees("If it is the EVSE, which part")


def test_operator_from_a_vehicle_in_the_picture_to_its_page(start: Start) -> None:
    """'And this row?' Every name in the picture is a link."""
    one = start("sites")
    one.click("link", "V-0000", within=".matrix")
    one.sees("shorted pilot diode")


def test_operator_since_when_and_what_changed_there(start: Start) -> None:
    """'Since when, and what did we change?' Onset and new firmware stand in one chart, months by name."""
    one = start("evse")
    one.page.goto(one.page.url + "#E-001")
    one.page.locator("#strip").scroll_into_view_if_needed()
    one.page.locator("#strip svg").wait_for()
    for text in ("firmware 2.5", "failing since", "January"):
        assert one.page.locator("#strip svg").get_by_text(text).count(), text


def test_workshop_what_will_the_meter_show(start: Start) -> None:
    """'What do I measure, what should I see?' One click to the pack; the cautions come first."""
    one = start("workshop")
    one.page.get_by_role("complementary", name="Before anyone touches it").wait_for()
    one.click("link", "Evidence pack V-0000")
    one.page.locator("#bench").wait_for()


def test_workshop_did_our_repair_hold(start: Start) -> None:
    """'Did V-0003 hold?' Its page tells finding, repair and every attempt since."""
    one = start("workshop")
    one.click("link", "V-0003", within="#proving")
    one.sees("repaired shorted pilot diode")
    one.sees("Proving its repair")
