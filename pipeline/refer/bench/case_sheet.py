"""The case on one A4 page for whoever pays: asked, measured, found, ruled out, and what it rests on, in plain words."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import typst

from pipeline.core.printable import CELL, printable
from pipeline.core.wording import percent, probability
from pipeline.refer.bench.assess import RULED_OUT, SURE, Assessment, Meaning
from pipeline.refer.bench.case import Case, Reading
from pipeline.refer.bench.declared import READINGS, bench_declared
from pipeline.refer.bench.drawings import PAPER, Wave, circuit_svg, expected_wave, waveform_svg
from pipeline.refer.bench.finding import FOUND_WORDS
from pipeline.registry import SCHEMAS

TEMPLATE = SCHEMAS / "templates" / "case.typ"
MOST_READINGS = 14
"""Rows that fit the page; the rest is told as a number."""
LINES = (
    "Odometer",
    "Instrument and its number",
    "Measured by",
    "Date, signature",
    "Repair agreed (yes, no)",
    "Photo number, or place of the photos",
)


@dataclass(frozen=True)
class Found:
    """A finding as kept: its word, who entered it and when, the note; the standing one."""

    finding: str
    decided_by: str
    at_utc: datetime
    note: str | None


def case_pdf(case: Case, assessment: Assessment, found: Found | None, made_at: datetime) -> bytes:
    """The page as PDF, dated `made_at`; the same case gives the same bytes."""
    data = json.dumps(
        case_data(case, assessment, found, made_at), ensure_ascii=False, sort_keys=True
    )
    pdf = typst.compile(
        TEMPLATE.read_bytes(),
        format="pdf",
        sys_inputs={"data": data},
        ignore_system_fonts=True,
        timestamp=int(made_at.timestamp()),
    )
    if not isinstance(pdf, bytes):
        raise TypeError("the typesetter gave no single document")
    return pdf


def case_data(
    case: Case, assessment: Assessment, found: Found | None, made_at: datetime
) -> dict[str, Any]:
    """What the template sets."""
    measured = [
        m for m in assessment.meanings if m.reading.kind in READINGS or _seen_at_bench(m.reading)
    ]
    asked = [m for m in assessment.meanings if m not in measured]
    head, more = _found(assessment, found)
    leader, state = assessment.leader, _state(case)
    expected = expected_wave(leader, "C" if state.startswith("C") else "B")
    return {
        "title": printable(case.vehicle_id or "Vehicle", CELL),
        "subtitle": f"Bench case, {made_at:%Y-%m-%d}",
        "found": printable(head),
        "found_more": printable(more),
        "asked": [printable(line) for line in _asked(asked)],
        "measured": [
            [_when(m.reading), printable(m.shown, 120), printable(m.means, 170)]
            for m in measured[:MOST_READINGS]
        ],
        "more": f"{len(measured) - MOST_READINGS} further readings are kept with the case."
        if len(measured) > MOST_READINGS
        else "",
        "ruled_out": [printable(line, 150) for line in _ruled_out(assessment)],
        "rests_on": [
            printable(line, 260)
            for line in (case.fleet_words, *_rests_on(assessment, measured))
            if line
        ],
        "doubts": [printable(line) for line in assessment.contradictions],
        "wave": waveform_svg(
            expected, _observed(case, state), (f"expected, {state}", "this vehicle"), PAPER
        ),
        "circuit": circuit_svg(leader, PAPER),
        "drawing_note": f"Expected of: {bench_declared().suspects[leader].part}. Nominal levels by IEC 61851-1 "
        "Annex A, as given by secondary sources.",
        "lines": list(LINES),
        "foot": "Readings were taken by the people named; the probabilities are computed from them. "
        "The maker's procedure, local codes and licensed practice come before this page. Times are UTC.",
    }


def _seen_at_bench(reading: Reading) -> bool:
    answer = bench_declared().answers.get(reading.kind)
    return answer is None or answer.asked == "step"


def _when(reading: Reading) -> str:
    return "" if reading.at is None else f"{reading.at:%d %b %H:%M}"


def _found(assessment: Assessment, found: Found | None) -> tuple[str, str]:
    part = bench_declared().suspects[assessment.leader].part
    p = probability(assessment.posterior[assessment.leader])
    by_readings = f"By the readings: {part}, {p}. {assessment.detail}".strip()
    if found is None:
        return (
            f"Not yet found. Most probable: {part}, {p}.",
            assessment.stop or "More is to be measured before a part is named.",
        )
    word = FOUND_WORDS.get(found.finding, found.finding)
    note = f" {found.note}" if found.note else ""
    return (
        f"Found: {word}, entered by {found.decided_by} on {found.at_utc:%Y-%m-%d}.{note}",
        by_readings,
    )


def _asked(asked: Sequence[Meaning]) -> list[str]:
    lines = [m.shown for m in asked]
    return ["Why does the vehicle not charge?", *lines]


def _ruled_out(assessment: Assessment) -> list[str]:
    declared = bench_declared()
    out = [
        f"{declared.suspects[n].part} (under {percent(RULED_OUT)})"
        for n, p in assessment.posterior.items()
        if p < RULED_OUT
    ]
    left = [
        f"Still possible: {declared.suspects[n].part}, {probability(p)}"
        for n, p in list(assessment.posterior.items())[1:]
        if p >= RULED_OUT
    ]
    return [*left, *out] or ["Nothing yet."]


def _rests_on(assessment: Assessment, measured: Sequence[Meaning]) -> list[str]:
    instruments = sorted({m.reading.instrument for m in measured if m.reading.instrument})
    used = (
        f", with: {', '.join(instruments)}." if instruments else "; the instruments are not named."
    )
    basis = (
        "How parts within their tolerance would read, by IEC 61851-1 and SAE J1772 as given by secondary "
        "sources; one reading in a hundred is taken to mean nothing."
    )
    return [
        f"{len(measured)} readings at the vehicle{used}",
        basis,
        f"A part is named from {percent(SURE)} on; here it is {probability(assessment.posterior[assessment.leader])}.",
    ]


def _state(case: Case) -> str:
    """The state the levels were read in last; B2 where none were."""
    read = (r.state for r in reversed(case.readings) if r.quantity is not None)
    return next((state for state in read if state in {"B2", "C2"}), None) or "B2"


def _observed(case: Case, state: str) -> Wave | None:
    found = {
        r.kind: r.quantity.value
        for r in case.readings
        if r.quantity and r.state == state and not r.known_good
    }
    high = found.get("cp_high_v")
    return None if high is None else Wave(high, found.get("cp_low_v"), found.get("cp_duty_pct"))
