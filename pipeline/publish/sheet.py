"""The printable A4 sheet of an evidence pack (one leaf, two sides), as PDF bytes: the same evidence gives the same bytes.

The page is set by `schemas/templates/sheet.typ`.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

from pipeline.core.printable import CELL, printable
from pipeline.core.wording import FINDINGS, coupler, probability
from pipeline.publish.typeset import typeset
from pipeline.refer.bench.drawings import PAPER
from pipeline.refer.pack.charts import outcome_shown
from pipeline.refer.pack.drawn import drawings
from pipeline.refer.pack.model import BenchReading, Control, Evidence
from pipeline.registry import SCHEMAS

TEMPLATE = SCHEMAS / "templates" / "sheet.typ"
STAGES = ("charged", "delivering", "energised", "requested", "offered", "plugged")
STAGE_WORDS = ("charged", "delivering", "contactor closed", "vehicle asks", "PWM on", "plugged in")
CONTROLS, WEIGHTS, RULED_OUT, STRIPS = 8, 7, 6, 3
"""Rows that fit the page; the screen page and evidence.json hold all."""
LOW_TOP_V, LOW_BOTTOM_V = -4.5, -13.5
"""Range of the negative level that is drawn."""


def sheet_pdf(evidence: Evidence) -> bytes:
    """The sheet as PDF: two A4 pages, the bench first and what the logs say behind it.

    Fonts are embedded; it is dated with the end of the week it reports.
    """
    return typeset(TEMPLATE, sheet_data(evidence), evidence.look_back_to_utc)


def sheet_data(evidence: Evidence) -> dict[str, Any]:
    """What the template sets: strings to print, and places as shares of the plot."""
    e, v = evidence, evidence.vehicle
    model = " ".join(str(part) for part in (v.vehicle_model, v.model_year) if part is not None)
    tally = e.tally
    return {
        "title": printable(f"{v.vehicle_id}: {e.claim.suspect_words}", CELL),
        "subtitle": printable(f"{model}  ·  {e.week}", CELL),
        "claim": printable(e.claim.text),
        "facts": printable(
            f"{f'VIN {v.vin}. ' if v.vin else ''}Look-back {_day(e.look_back_from_utc)} to {_day(e.look_back_to_utc)}: "
            f"{tally.ac_failures} of {tally.ac_attempts} AC attempts failed, at {tally.evses_failed_at} EVSEs; "
            f"{tally.early_b_failures} in state B or on the step to C within a minute; "
            f"{tally.dc_charged} of {tally.dc_attempts} DC attempts charged. "
            f"Probability of a faulty pilot diode: {probability(e.claim.p_diode)}."
        ),
        **_strip(e),
        **_pilot(e),
        **_argument(e),
        **_bench(e),
        "foot": printable(
            "All times UTC. Every figure is counted from the logs of the look-back; the full pack with every attempt is in "
            "evidence.json. The maker's procedure, local codes and licensed practice come before this sheet."
        ),
    }


def _argument(e: Evidence) -> dict[str, Any]:
    more = len(e.controls) - CONTROLS
    controls = [
        [c.evse_id, c.week, c.diode_check, _own(c), _others(c)] for c in e.controls[:CONTROLS]
    ]
    text = e.controls_text + (
        f" The latest {CONTROLS} of {len(e.controls)} are shown." if more > 0 else ""
    )
    return {
        "controls_text": printable(text),
        "controls": [[printable(c, CELL) for c in row] for row in controls],
        "weights": [
            [
                printable(w.title, CELL),
                printable(w.seen, 170),
                f"× {w.factor:.2g}" if w.factor >= 1 else f"÷ {1 / w.factor:.2g}",
            ]
            for w in e.weights[:WEIGHTS]
        ],
        "ruled_out": [
            printable(f"{r.explanation} ({r.strength.replace('_', ' ')}): {r.how}.", 200)
            for r in e.ruled_out[:RULED_OUT]
        ],
        "refutes": [printable(line) for line in e.refutes],
        "doubts": [printable(line) for line in e.doubts] or ["Nothing known to be missing."],
    }


def _own(c: Control) -> str:
    if not c.attempts:
        return f"{c.silent} never asked"
    quiet = f", {c.silent} never asked" if c.silent else ""
    return f"{c.failures} of {c.attempts}{quiet}"


def _others(c: Control) -> str:
    quiet = f", {c.other_silent} never asked" if c.silent else ""
    return f"{c.other_failures} of {c.other_attempts}{quiet} ({c.other_vehicles} vehicles)"


def _bench(e: Evidence) -> dict[str, Any]:
    choices = [choice for field in e.form for choice in field.choices]
    return {
        "cautions": [printable(line) for line in e.bench.cautions],
        "deference": [printable(line) for line in e.bench.deference],
        "readings": [_reading(r) for r in e.bench.readings],
        "form": [
            {"label": f.label + (f" ({f.unit})" if f.unit else "")} for f in e.form if not f.choices
        ],
        "lines": ["Odometer", "Instrument and its number", "Measured by", "Signature"],
        "choices": [FINDINGS.get(choice, choice) for choice in choices],
        **drawings(e, PAPER),
    }


def _reading(r: BenchReading) -> dict[str, str]:
    """One row: what and how, how the vehicle stands, both columns, and the note."""
    return {
        "order": str(r.order), "what": printable(r.what, 140), "how": printable(r.how, 140), "stands": printable(r.stands, CELL),
        "if_suspect": printable(r.if_suspect, 170), "if_sound": printable(r.if_sound, 170), "note": printable(r.note),
        "decides": "" if r.decides else "decides nothing alone",
    }  # fmt: skip


def _strip(e: Evidence) -> dict[str, Any]:
    # one strip a coupler: the three most used
    groups: dict[str, list[dict[str, Any]]] = {}
    for a in e.strip:
        reached = "charged" if a.outcome == "charged" else a.stage
        kind = outcome_shown(a)
        point: dict[str, Any] = {"x": _share(a.at, e), "y": STAGES.index(reached), "kind": kind}
        groups.setdefault(f"{a.supply}, {coupler(a.coupler)}", []).append(point)
    largest: list[tuple[str, list[dict[str, Any]]]] = sorted(
        groups.items(), key=lambda item: (-len(item[1]), item[0])
    )[:STRIPS]
    parts = []
    for name, points in sorted(largest, key=lambda item: item[0]):
        points.sort(key=_failed_last)
        parts.append({"coupler": printable(name, 32), "attempts": points})
    key = (
        "• charged   × failed   □ never asked, nothing explains it   ○ other (waits, refused, pulled out). "
        "How far each attempt came, by outlet."
    )
    return {"strip": parts, "stages": list(STAGE_WORDS), "ticks": _ticks(e), "strip_key": key}


def _failed_last(point: dict[str, Any]) -> tuple[bool, float]:
    """What went wrong lies on top of what charged."""
    return point["kind"] in {"failed", "silent"}, point["x"]


def _ticks(e: Evidence) -> list[dict[str, Any]]:
    weeks = max(1, (e.look_back_to_utc - e.look_back_from_utc) // timedelta(weeks=1))
    step = max(1, weeks // 6)
    at = [e.look_back_from_utc + timedelta(weeks=w) for w in range(0, weeks, step)]
    return [{"at": _share(t, e), "label": f"{t:%d %b}"} for t in at]


def _pilot(e: Evidence) -> dict[str, Any]:
    def height(volts: float) -> float:
        return min(max((LOW_TOP_V - volts) / (LOW_TOP_V - LOW_BOTTOM_V), 0.0), 1.0)

    low = [b for b in e.pilot.bands if b.side == "low"]
    seen: Sequence[Any] = [b for b in low if "shorted" in b.name] + [
        b for b in low if "shorted" not in b.name
    ][:1]
    points = [
        {"x": _share(r.at, e), "y": height(r.low_v), "b": r.state == "B2"}
        for r in e.pilot.readings
        if r.low_v is not None
    ]
    return {
        "pilot_text": printable(e.pilot.text),
        "pilot_points": points,
        "pilot_bands": [
            {
                "name": printable(b.name, 40),
                "top": height(b.hi_v),
                "bottom": height(b.lo_v),
                "sound": "healthy" in b.name,
            }
            for b in seen
        ],
        "pilot_ticks": [{"at": height(v), "label": f"{v:.0f} V"} for v in (-6.0, -9.0, -12.0)],
        "pilot_key": "● B2   □ C2. Negative level of the pilot in each attempt; bands: IEC 61851-1 Annex A (second-hand), derived.",
    }


def _share(at: datetime, e: Evidence) -> float:
    return round((at - e.look_back_from_utc) / (e.look_back_to_utc - e.look_back_from_utc), 4)


def _day(at: datetime) -> str:
    return f"{at:%Y-%m-%d}"
