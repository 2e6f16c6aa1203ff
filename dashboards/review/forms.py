"""What people type into the review's forms, checked before it is kept."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from types import MappingProxyType
from typing import Any

from pipeline.core.errors import DecisionError

DECISIONS = ("accept", "hold", "dismiss")
LONGEST_TEXT = 2000

FINDINGS: Mapping[str, str] = MappingProxyType(
    {
        "diode_shorted": "shorted pilot diode",
        "diode_leaky": "leaking pilot diode",
        "diode_open": "open pilot diode",
        "charger_other": "another fault of the on-board charger",
        "inlet_or_wiring": "inlet or wiring",
        "no_fault_found": "no fault found",
    }
)
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
            next_step=f"say why you {decision} it; the next reader will ask",
        )
    return Review(
        decision, reason, int(seen) if seen.isascii() and seen.isdigit() and len(seen) < 9 else 0
    )


def parse_finding(given: Mapping[str, str], now: datetime | None = None) -> dict[str, Any]:
    """The finding, by the columns of the decisions store. Numbers may have a decimal comma; times
    without an offset are UTC.

    Raises DecisionError saying what is wrong with it.
    """
    now = now or datetime.now(UTC)
    if given.get("finding") not in FINDINGS:
        raise DecisionError("Nothing is found yet", next_step="choose what was found")
    at = _moment(given, "at") or now
    repaired = _moment(given, "repaired_at")
    if at > now or (repaired and repaired > now):
        raise DecisionError("A finding cannot be of the future", next_step="check the dates")
    if repaired and repaired < at:
        raise DecisionError(
            "The repair cannot come before the finding", next_step="check the dates"
        )
    row = {
        "finding": given["finding"],
        "at_utc": at,
        "repaired_at_utc": repaired,
        "note": _text(given, "note") or None,
    }
    return {**row, **{name: _number(given, name) for name in NUMBERS}}


def _number(given: Mapping[str, str], name: str) -> float | None:
    label, unit, least, most = NUMBERS[name]
    text = _text(given, name).replace(",", ".")
    if not text:
        return None
    try:
        value = float(text)
    except ValueError as error:
        raise DecisionError(
            f"{label} is not a number in {unit}", next_step="write figures only, like 2740"
        ) from error
    if not least <= value <= most:
        raise DecisionError(
            f"{label} cannot be {value:g} {unit}",
            next_step=f"it lies between {least:g} and {most:g} {unit}",
        )
    return value


def _moment(given: Mapping[str, str], name: str) -> datetime | None:
    text = _text(given, name)
    if not text:
        return None
    try:
        read = datetime.fromisoformat(text)
        return read.replace(tzinfo=UTC) if read.tzinfo is None else read.astimezone(UTC)
    except (ValueError, OverflowError) as error:
        raise DecisionError(
            "A time is not of the right form", next_step="write it like 2026-04-01 14:30"
        ) from error
