"""What people type into the review's forms, checked before it is kept."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from types import MappingProxyType
from typing import Any

from pipeline.core.errors import DecisionError
from pipeline.core.local_time import moment
from pipeline.core.quantities import Quantity, QuantityError, parse_quantity
from pipeline.core.wording import FINDINGS

DECISIONS = ("accept", "hold", "dismiss", "withdraw")
LONGEST_TEXT = 2000
CLOCKS_APART = timedelta(minutes=10)
"""A phone's clock may be ahead of the server's by so much; such a time counts as now (decided)."""

# label, unit, least, most: a reading beyond is a slip of the pen, not a measurement (a meter ends
# near 40-50 MΩ; practice).
NUMBERS: Mapping[str, tuple[str, str, float, float]] = MappingProxyType(
    {
        "pp_pe_v": ("Proximity to earth, unplugged", "V", -1.0, 15.0),
        "cp_pe_forward_ohm": ("Pilot to earth", "Ω", 0.0, 1e9),
        "cp_pe_reverse_ohm": ("Pilot to earth, leads exchanged", "Ω", 0.0, 1e9),
    }
)


@dataclass(frozen=True)
class Review:
    """A decision as given; `seen` is the number of the last one when the form was made."""

    decision: str
    reason: str
    seen: int


def _text(given: Mapping[str, str], name: str) -> str:
    return given.get(name, "").replace("\r\n", "\n").replace("\x00", "").strip()[:LONGEST_TEXT]


def parse_review(given: Mapping[str, str]) -> Review:
    """The decision. Raises DecisionError saying what is wrong with it."""
    decision, reason, seen = (
        given.get("decision", ""),
        _text(given, "reason"),
        given.get("seen", ""),
    )
    if decision not in DECISIONS:
        raise DecisionError("Nothing is decided yet", next_step="choose accept, hold or dismiss")
    if not reason:
        raise DecisionError(
            "The reason is missing",
            next_step="say why; the next reader will ask",
        )
    return Review(
        decision, reason, int(seen) if seen.isascii() and seen.isdigit() and len(seen) < 9 else 0
    )


def parse_finding(given: Mapping[str, str], now: datetime | None = None) -> dict[str, Any]:
    """The finding, by the columns of the decisions store: figures as people type them (over range is
    infinite), times local to the device that sent them unless they carry an offset.

    Raises DecisionError or QuantityError saying what is wrong with it.
    """
    now = now or datetime.now(UTC)
    if given.get("finding") not in FINDINGS:
        raise DecisionError("Nothing is found yet", next_step="choose what was found")
    at = _moment(given, "at") or now
    repaired = _moment(given, "repaired_at")
    if at > now + CLOCKS_APART or (repaired and repaired > now + CLOCKS_APART):
        raise DecisionError("A finding cannot be of the future", next_step="check the dates")
    if repaired and repaired < at:
        raise DecisionError(
            "The repair cannot come before the finding", next_step="check the dates"
        )
    row = {
        "finding": given["finding"],
        "at_utc": min(at, now),
        "repaired_at_utc": repaired and min(repaired, now),
        "note": _text(given, "note") or None,
    }
    measured = quantities(given)
    figures = {name: measured[name].value if name in measured else None for name in NUMBERS}
    over = {name: math.inf for name, quantity in measured.items() if quantity.over_range}
    return {**row, **figures, **over}


def quantities(given: Mapping[str, str]) -> dict[str, Quantity]:
    """The readings that came with a finding. Raises QuantityError naming which and how to write it."""
    out = {}
    for name, (label, unit, least, most) in NUMBERS.items():
        text = _text(given, name)
        if text:
            try:
                out[name] = parse_quantity(text, "V" if unit == "V" else "ohm", (least, most))
            except QuantityError as error:
                raise QuantityError(f"{label}: {error.what}", next_step=error.next_step) from error
    return out


def _moment(given: Mapping[str, str], name: str) -> datetime | None:
    text = _text(given, name)
    return moment(text, _text(given, "zone")) if text else None
