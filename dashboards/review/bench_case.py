"""A vehicle at the bench as the page shows it: its case from what is kept, assessed, with drawings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol

import polars as pl
from markupsafe import Markup

from dashboards.page_data import PageData
from pipeline.core.errors import WhichsideError
from pipeline.refer.bench import (
    Assessment,
    Case,
    Proposal,
    Reading,
    assess,
    bench_declared,
)
from pipeline.refer.bench.case import prior_from_week, prior_without_logs, reading_of_row
from pipeline.refer.bench.drawings import Wave, circuit_svg, expected_wave, inlet_svg, panel_svg
from pipeline.refer.bench.drawings.inlets import Lead

INTERVIEW = ("ac_reach", "ac_where", "dc_ccs", "dc_own", "trouble_codes", "another_cable")
COUPLERS: Mapping[str, str] = {
    "cType2": "Type 2",
    "cCCS2": "CCS 2 (Type 2 with DC)",
    "cType1": "Type 1",
    "cCCS1": "CCS 1 (Type 1 with DC)",
    "cG105": "CHAdeMO",
}
_LEADS: Mapping[str, Lead] = {
    "cp_pe_forward_ohm": "forward",
    "cp_pe_reverse_ohm": "reverse",
    "pp_pe_v": "proximity",
    "pp_pe_ohm": "proximity",
    "cp_high_v": "scope",
    "cp_low_v": "scope",
    "cp_mean_v": "forward",
}


class Kept(Protocol):
    """A finding, reading or attachment as the store gives it."""

    @property
    def number(self) -> int:
        """Its number."""

    @property
    def row(self) -> Mapping[str, Any]:
        """Its columns."""

    @property
    def withdrawn_by(self) -> str | None:
        """Who took it back, if anybody."""

    @property
    def withdrawn_at_utc(self) -> datetime | None:
        """When."""

    @property
    def why(self) -> str | None:
        """Why."""

    @property
    def replaced_by(self) -> int | None:
        """The entry in its place."""


@dataclass(frozen=True)
class BenchView:
    """What the page needs of a vehicle."""

    vehicle: str
    case: Case
    assessment: Assessment
    prior_words: str
    entries: tuple[tuple[Kept, str, str], ...]
    """Entry, written out, what it means (empty where taken back)."""
    unread: tuple[str, ...]


def bench_view(vehicle: str, entries: tuple[Kept, ...], data: PageData | None) -> BenchView:
    """The case of a vehicle from its kept readings; `data`: the newest week as far as the asker may see it."""
    prior, words, couplers = believed(vehicle, data)
    read: dict[int, Reading] = {}
    unread = []
    for entry in entries:
        if entry.withdrawn_by is None:
            try:
                read[entry.number] = reading_of_row(entry.row)
            except WhichsideError as error:
                unread.append(f"Reading {entry.number} cannot be understood: {error.what}")
    told = {c for r in read.values() if r.coupler for c in r.coupler.split(";") if c}
    case = Case(prior, tuple(read.values()), tuple(sorted(told)) or couplers, vehicle, words)
    result = assess(case, setup=_setup(case))
    meanings = dict(zip(read, result.meanings, strict=True))
    shown = tuple(
        (e, meanings[e.number].shown, meanings[e.number].means)
        if e.number in meanings
        else (e, _raw(e.row), "")
        for e in entries
    )
    return BenchView(vehicle, case, result, words, shown, tuple(unread))


def _raw(row: Mapping[str, Any]) -> str:
    return f"{row['reading']} {row['reading_value']}" + (
        f" in {row['pilot_state']}" if row["pilot_state"] else ""
    )


def believed(vehicle: str, data: PageData | None) -> tuple[dict[str, float], str, tuple[str, ...]]:
    """Prior, where it comes from, and the vehicle's couplers."""
    rows = [] if data is None else data.vehicles.filter(pl.col("vehicle_id") == vehicle).to_dicts()
    if data is None or not rows or rows[0]["p_vehicle"] is None:
        return (
            prior_without_logs(),
            "No logs of this vehicle: of vehicles that do not charge, each cause as often as judged.",
            (),
        )
    row, pack = rows[0], data.evidence.get(vehicle)
    suspects = (
        dict(pack["claim"]["suspects"])
        if pack
        else {row["suspect"]: 0.8, "unclear": 0.2}
        if row["suspect"]
        else {}
    )
    couplers = tuple(pack["vehicle"]["inlets"]) if pack else ()
    words = f"From the list of {data.week}: {row['reason']}"
    return prior_from_week(float(row["p_vehicle"]), suspects), words, couplers


def _setup(case: Case) -> str:
    """How the vehicle stands: as the last reading left it."""
    for reading in reversed(case.readings):
        for step in bench_declared().steps.values():
            if (step.kind, step.state) == (reading.kind, reading.state) and step.setup != "any":
                return step.setup
    return "any"


def drawings(view: BenchView, proposal: Proposal | None) -> dict[str, Markup | None]:
    """The inlet with the next step's leads, expected and observed waveform, and the circuit."""
    coupler = next((c for c in view.case.couplers if inlet_svg(c, None)), "cType2")
    lead = _LEADS.get(proposal.step.kind) if proposal else None
    state = proposal.step.state if proposal and proposal.step.state else "B2"
    leader = view.assessment.leader
    expected = expected_wave(leader, "C" if state.startswith("C") else "B")
    drawn = {
        "inlet": inlet_svg(coupler, lead) if lead else None,
        "expected": panel_svg(f"expected, {state}", expected),
        "observed": panel_svg("this vehicle", _observed(view.case, state), observed=True),
        "circuit": circuit_svg(leader),
    }
    return {name: None if svg is None else Markup(svg) for name, svg in drawn.items()}  # noqa: S704 - our own drawing, words escaped


def _short(suspect: str) -> str:
    return bench_declared().suspects[suspect].part.partition(" (")[0]


def _observed(case: Case, state: str) -> Wave | None:
    found = {
        r.kind: r.quantity.value
        for r in case.readings
        if r.quantity and r.state == state and not r.known_good
    }
    high, low = found.get("cp_high_v"), found.get("cp_low_v")
    if high is None and low is None:
        return None
    return Wave(high if high is not None else 0.0, low, found.get("cp_duty_pct"))


def questions(asked: tuple[str, ...] = INTERVIEW) -> list[dict[str, Any]]:
    """Interview questions with their answers, for the form."""
    answers = bench_declared().answers
    return [
        {
            "kind": kind,
            "question": answers[kind].question,
            "choices": list(zip(answers[kind].answers, answers[kind].words, strict=True)),
        }
        for kind in asked
    ]


KINDS_WITH_FIGURES = (
    "cp_pe_forward_ohm",
    "cp_pe_reverse_ohm",
    "cp_low_v",
    "cp_high_v",
    "cp_mean_v",
    "cp_duty_pct",
    "pp_pe_v",
    "pp_pe_ohm",
)
