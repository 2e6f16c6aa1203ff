"""The contract's vocabulary in words that need no glossary."""

from __future__ import annotations

from pipeline.publish.evse_checks import CAUTIONS as CAUTIONS_AT_AN_EVSE
from pipeline.refer.pack.bench_steps import CAUTIONS

VEHICLE_CALLS = {
    "refer": "Refer",
    "proving": "Proving",
    "watch": "Watch",
    "insufficient_data": "Too little to say",
    "proved": "Proved",
    "clear": "Clear",
}
EVSE_CALLS = {
    "faulty": "Faulty",
    "watch": "Watch",
    "insufficient_data": "Too little to say",
    "clear": "Clear",
}

CALL_MEANINGS = {
    "refer": "the failures follow this vehicle; take it to the workshop",
    "watch": "something is off, but not enough to spend money on",
    "clear": "no sign of a fault",
    "insufficient_data": "too few attempts, or always at the same charger: the data cannot say",
    "proving": "back from repair; its next charges are being counted",
    "proved": "enough good charges since the repair",
    "faulty": "the failures follow this EVSE, whichever vehicle plugs in",
}

STAGES = {
    "plugged": "plugged in, no offer yet",
    "offered": "power offered, not asked for",
    "requested": "vehicle asked, contactor open",
    "energised": "contactor closed",
    "delivering": "energy flowing",
}

CAUSES = {
    "vehicle": "vehicle",
    "evse": "EVSE",
    "pairing": "pairing",
    "other": "chance, driver or grid",
}

SEVERITIES = {"reject": "not used", "distrust": "used with less weight", "note": "noted"}

LOCAL_FIRST = (
    "Local codes, the maker's procedure and licensed practice come before anything on this page."
)
BENCH_CAUTIONS = (*CAUTIONS, LOCAL_FIRST)
EVSE_CAUTIONS = CAUTIONS_AT_AN_EVSE


def count(number: int, one: str, many: str | None = None) -> str:
    """A number with its noun: `1 vehicle`, `3 vehicles`, `no vehicle`."""
    if number == 0:
        return f"no {one}"
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def sentence(text: str) -> str:
    """The text with its first letter large."""
    return text[:1].upper() + text[1:]
