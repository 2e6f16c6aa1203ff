"""Cautions beside every step at a vehicle or an EVSE, and numbers with their nouns."""

from __future__ import annotations

from pipeline.publish.evse_checks import CAUTIONS as CAUTIONS_AT_AN_EVSE
from pipeline.refer.pack.cautions import CAUTIONS

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
