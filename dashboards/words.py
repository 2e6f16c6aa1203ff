"""Cautions beside every step at a vehicle or an EVSE, and numbers with their nouns."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from pipeline.publish.evse_checks import CAUTIONS as CAUTIONS_AT_AN_EVSE
from pipeline.refer.pack.cautions import CAUTIONS
from pipeline.registry import load_file

TRANSLATED = Path(__file__).resolve().parent / "cautions.yaml"

LOCAL_FIRST = (
    "Local codes, the maker's procedure and licensed practice come before anything on this page."
)
BENCH_CAUTIONS = (*CAUTIONS, LOCAL_FIRST)
EVSE_CAUTIONS = CAUTIONS_AT_AN_EVSE


@cache
def _translated() -> dict[str, dict[str, str]]:
    return {row["en"]: row for row in load_file(TRANSLATED)["cautions"]}


def caution(line: str, language: str) -> str:
    """A caution in the pages' language; one that nobody has translated in English, never left out."""
    return _translated().get(line, {}).get(language, line)


def count(number: int, one: str, many: str | None = None) -> str:
    """A number with its noun: `1 vehicle`, `3 vehicles`, `no vehicle`."""
    if number == 0:
        return f"no {one}"
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def sentence(text: str) -> str:
    """The text with its first letter large."""
    return text[:1].upper() + text[1:]
