"""The page of a case: what stands on it, whole sentences, and what it must not say before it is so."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any
from xml.etree import ElementTree as ET

from pipeline.refer.bench import Case, Reading, assess, parse_reading
from pipeline.refer.bench.case import prior_without_logs
from pipeline.refer.bench.case_sheet import MOST_READINGS, Found, case_data, case_pdf
from pipeline.refer.bench.drawings import Wave, expected_wave, waveform_svg
from pipeline.refer.bench.drawings.svg import PAPER

AT = datetime(2026, 4, 1, 9, 30, tzinfo=UTC)


def data(*readings: Reading, found: Found | None = None, **about: Any) -> dict[str, Any]:
    """The page of these readings."""
    case = Case(prior_without_logs(), readings, **about)
    return case_data(case, assess(case), found, AT)


ASKED = parse_reading("ac_reach", "stops_before_asking", at=AT)
REVERSE = parse_reading("cp_pe_reverse_ohm", "2.74 kΩ", instrument="hand meter", at=AT)
FORWARD = parse_reading("cp_pe_forward_ohm", "2k75")


def test_a_settled_case_says_what_was_measured_and_what_it_rests_on() -> None:
    """Answers and figures apart, each figure with its time and meaning; the threshold is the bench's own (decided)."""
    told = data(
        ASKED, REVERSE, FORWARD, vehicle_id="Van 7", fleet_words="By the logs: the vehicle, 92 %."
    )
    assert (told["title"], told["subtitle"]) == ("Van 7", "Bench case, 2026-04-01")
    assert told["found"] == "Not yet found. Most probable: shorted pilot diode, over 99 %."
    assert (
        told["found_more"] == "Stop: shorted pilot diode, over 99 %. Nothing more needs measuring."
    )
    assert told["asked"] == [
        "Why does the vehicle not charge?",
        "How far does AC charging come? seen, fails within a minute, before the contactor closes",
    ]
    assert told["measured"] == [
        ["01 Apr 09:30", "Pilot to earth, leads exchanged: black on CP, red on PE (reverse): 2.74 kΩ",
         "Fits: shorted pilot diode. Speaks against all others."],
        ["", "Pilot to earth, red lead on CP, black on PE (forward): 2.75 kΩ", "Fits: shorted pilot diode."],
    ]  # fmt: skip
    assert "open pilot diode or wire (under 1 %)" in told["ruled_out"]
    assert not any("shorted" in line for line in told["ruled_out"])
    assert told["rests_on"][:2] == [
        "By the logs: the vehicle, 92 %.",
        "2 readings at the vehicle, with: hand meter.",
    ]
    assert told["rests_on"][-1] == "A part is named from 97 % on; here it is over 99 %."
    assert (told["doubts"], told["more"]) == ([], "")
    assert told["lines"] == [
        "Odometer", "Instrument and its number", "Measured by", "Date, signature", "Repair agreed (yes, no)",
        "Photo number, or place of the photos",
    ]  # fmt: skip
    assert told["drawing_note"].startswith(
        "Expected of: shorted pilot diode. Nominal levels by IEC 61851-1"
    )
    assert "local codes and licensed practice come before this page. Times are UTC." in told["foot"]


def test_what_was_found_stands_before_what_the_readings_say() -> None:
    """A person's finding is the headline, with name and day; the readings' own answer stands below it."""
    found = Found("diode_shorted", "Ada", AT, None)
    told = data(REVERSE, FORWARD, found=found)
    assert told["found"] == "Found: a shorted diode, entered by Ada on 2026-04-01."
    assert told["found_more"] == "By the readings: shorted pilot diode, over 99 %."
    noted = data(REVERSE, FORWARD, found=Found("odd", "Ada", AT, "Seen."))
    assert noted["found"] == "Found: odd, entered by Ada on 2026-04-01. Seen."


def test_an_open_case_names_what_is_still_possible() -> None:
    """Two levels of a sound pilot settle nothing: no part is named, and what remains is told with its share."""
    high, low = (
        parse_reading(k, v, state="B2") for k, v in (("cp_high_v", "9"), ("cp_low_v", "-12"))
    )
    told = data(high, low)
    assert told["title"] == "Vehicle"
    assert told["found"].startswith(
        "Not yet found. Most probable: AC side of the on-board charger, "
    )
    assert told["found_more"] == "More is to be measured before a part is named."
    assert told["ruled_out"][0].startswith("Still possible: ")
    assert told["ruled_out"][-1].endswith("(under 1 %)")
    assert told["rests_on"][0] == "2 readings at the vehicle; the instruments are not named."


def test_answers_asked_at_the_vehicle_count_as_measured() -> None:
    """What the interview brought stands apart from what was tried at the vehicle, by how the question is declared."""
    told = data(ASKED, parse_reading("asks", "stays"))
    assert [row[1] for row in told["measured"]] == [
        "With a pilot simulator in B2 (timer off, battery not full): does the vehicle step to C? it stays in B"
    ]
    assert len(told["asked"]) == 2


def test_the_wave_drawn_is_that_of_the_state_read_last() -> None:
    """Levels of the state read last stand beside what the leader would show there; those of a healthy vehicle do not."""
    rows = (("cp_high_v", "9", "B2", ""), ("cp_high_v", "6", "C2", ""), ("cp_low_v", "-12", "C2", ""),
            ("cp_high_v", "5", "C2", "known-good"))  # fmt: skip
    readings = [parse_reading(k, v, state=s, note=n) for k, v, s, n in rows]
    case = Case(prior_without_logs(), tuple(readings))
    names = ("expected, C2", "this vehicle")
    want = waveform_svg(
        expected_wave(assess(case).leader, "C"), Wave(6.0, -12.0, None), names, PAPER
    )
    assert data(*readings)["wave"] == want
    in_b = data(*readings[:1])
    leader = assess(Case(prior_without_logs(), tuple(readings[:1]))).leader
    names = ("expected, B2", "this vehicle")
    assert in_b["wave"] == waveform_svg(
        expected_wave(leader, "B"), Wave(9.0, None, None), names, PAPER
    )
    nothing = ET.fromstring(data(REVERSE)["wave"])  # noqa: S314 - our own drawing
    assert "not measured yet" in [t.text for t in nothing.iter("{http://www.w3.org/2000/svg}text")]


def test_more_readings_than_fit_are_counted_and_the_page_is_the_same_each_time() -> None:
    """Rows beyond the page are told as a number; the same case gives the same bytes."""
    told = data(*[REVERSE] * (MOST_READINGS + 2))
    assert len(told["measured"]) == MOST_READINGS
    assert told["more"] == "2 further readings are kept with the case."
    case = Case(prior_without_logs(), (REVERSE,))
    page = case_pdf(case, assess(case), None, AT)
    assert page.startswith(b"%PDF")
    assert page == case_pdf(case, assess(case), None, AT)
