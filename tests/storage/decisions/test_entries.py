"""Readings, findings and their corrections: appended, never changed, both kept, with author."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import pytest
import sqlalchemy as sa

from pipeline.core.errors import ConflictError, DecisionError, StoreError
from pipeline.storage.decisions import Decisions, open_decisions
from pipeline.storage.decisions.entries import (
    correct_finding,
    entries,
    keep_attachment,
    keep_reading,
    vehicles_at_the_bench,
    withdraw,
)

AT = datetime(2026, 4, 2, 9, 30, tzinfo=UTC)


@pytest.fixture
def store(where: str) -> Iterator[Decisions]:
    """An empty store, of each kind."""
    opened = open_decisions(where)
    yield opened
    opened.close()


def finding(**differs: Any) -> dict[str, Any]:
    """A finding of V-1."""
    return {"vehicle_id": "V-1", "at_utc": AT, "finding": "diode_shorted", **differs}


def reading(**differs: Any) -> dict[str, Any]:
    """A reading of V-1."""
    return {
        "vehicle_id": "V-1",
        "at_utc": AT,
        "reading": "cp_pe_reverse_ohm",
        "reading_value": "OL",
        **differs,
    }


def test_a_corrected_finding_supersedes_and_both_are_kept(store: Decisions) -> None:
    """What a run takes is the new finding; the old one is there with who put what in its place, and why."""
    first = store.finding(finding(), "Ada")
    second = correct_finding(
        store, first, finding(finding="inlet_or_wiring"), "Ben", "it was the wet inlet"
    )
    assert store.frames().findings["finding"].to_list() == ["inlet_or_wiring"]
    old, new = entries(store, "decision_finding", "V-1")
    assert (old.number, old.withdrawn_by, old.why, old.replaced_by) == (
        first,
        "Ben",
        "it was the wet inlet",
        second,
    )
    assert (new.number, new.withdrawn_by) == (second, None)


def test_what_is_taken_back_counts_no_more(store: Decisions) -> None:
    """A reading or finding withdrawn is kept and left out of what a run takes."""
    number = store.finding(finding(), "Ada")
    one, two = (
        keep_reading(store, reading(reading_value=value), "Ada") for value in ("OL", "2740")
    )
    withdraw(store, "decision_finding", number, "Ada", "wrong vehicle")
    withdraw(store, "decision_reading", one, "Ada", "leads exchanged")
    frames = store.frames()
    assert frames.findings.is_empty()
    assert frames.readings["reading_value"].to_list() == ["2740"]
    assert [e.withdrawn_by for e in entries(store, "decision_reading", "V-1")] == ["Ada", None]
    assert entries(store, "decision_reading", "V-1")[1].number == two


def test_nobody_corrects_what_somebody_corrected_meanwhile(store: Decisions) -> None:
    """The second correction of one entry is a conflict that names the first author."""
    number = store.finding(finding(), "Ada")
    withdraw(store, "decision_finding", number, "Ben", "wrong vehicle")
    for attempt in (
        lambda: correct_finding(store, number, finding(), "Cas", "no"),
        lambda: withdraw(store, "decision_finding", number, "Cas", "no"),
    ):
        with pytest.raises(ConflictError, match="Ben"):
            attempt()


def test_a_correction_is_of_the_same_vehicle_and_says_why(store: Decisions) -> None:
    """Another vehicle's finding, a number that is none, or no reason: refused, nothing kept."""
    number = store.finding(finding(), "Ada")
    with pytest.raises(DecisionError, match="V-1"):
        correct_finding(store, number, finding(vehicle_id="V-2"), "Ada", "slip")
    with pytest.raises(DecisionError, match="no entry 99"):
        withdraw(store, "decision_reading", 99, "Ada", "slip")
    with pytest.raises(DecisionError, match="reason is empty"):
        withdraw(store, "decision_finding", number, "Ada", " ")
    assert store.frames().findings.height == 1


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"reading": "cp_ohm"}, "no reading"),
        ({"at_utc": None}, "at_utc is missing"),
        ({"vehicle_id": " "}, "vehicle_id is empty"),
        ({"note": "x" * 3000}, "too long"),
        ({"volts": 3}, "no such column"),
        ({"reading_spread": -1.0}, "cannot be"),
    ],
)
def test_a_reading_that_is_none_is_refused(
    store: Decisions, wrong: dict[str, Any], said: str
) -> None:
    """Columns and words are those declared."""
    with pytest.raises(DecisionError, match=said):
        keep_reading(store, reading(**wrong), "Ada")


def test_over_range_is_kept_in_a_finding(store: Decisions) -> None:
    """The healthy reverse reading is over range: it is kept as infinite ohms, volts never are."""
    store.finding(finding(finding="no_fault_found", cp_pe_reverse_ohm=math.inf), "Ada")
    assert store.frames().findings["cp_pe_reverse_ohm"].to_list() == [math.inf]
    with pytest.raises(DecisionError, match="pp_pe_v"):
        store.finding(finding(pp_pe_v=math.inf), "Ada")


def test_vehicles_and_attachments_are_found(store: Decisions) -> None:
    """The bench's vehicles come with the last entered first; a photo is noted with its hash."""
    for vehicle in ("V-1", "van with the blue door", "V-1"):
        keep_reading(store, reading(vehicle_id=vehicle), "Ada")
    assert [vehicle for vehicle, _ in vehicles_at_the_bench(store)] == [
        "V-1",
        "van with the blue door",
    ]
    photo = {
        "vehicle_id": "V-1",
        "at_utc": AT,
        "content_sha256": "0" * 64,
        "media_type": "image/jpeg",
        "file_bytes": 9,
    }
    keep_attachment(store, photo, "Ada")
    assert entries(store, "decision_attachment", "V-1")[0].row["content_sha256"] == "0" * 64


def test_new_tables_are_append_only_too(store: Decisions) -> None:
    """No row of them can be changed or removed."""
    keep_reading(store, reading(), "Ada")
    for sql in ("UPDATE decision_reading SET note = 'x'", "DELETE FROM decision_reading"):
        with pytest.raises(StoreError, match="append-only"), store.writing() as con:
            con.execute(sa.text(sql))
