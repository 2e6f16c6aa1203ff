"""What an electrician checks at an EVSE called at fault, and what must be said before anyone does."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from pydantic import BaseModel, ConfigDict

from pipeline.circuit.pilot import high_window, low_window
from pipeline.registry import load_folder

CAUTIONS = (
    "Stop using an EVSE that is called faulty until it has been looked at; do not open it yourself.",
    "Treat it as live. Isolate it at its supply, lock it off, and prove it dead before any cover comes off.",
    "Only licensed people work on an EVSE or its supply. Insulating gloves where the maker or the local code asks for them.",
    "Local codes, the maker's procedure and licensed practice come before anything on this page.",
)


class _Declared(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
    why: str
    steps: tuple[str, ...]
    source: str


@dataclass(frozen=True)
class Checks:
    """Why this part, what to check in order, and where the steps come from."""

    why: str
    steps: tuple[str, ...]
    source: str


@cache
def checks(part: str | None) -> Checks:
    """The checks for a suspected part; those of `unclear` where the part is not declared."""
    declared = load_folder("checks")
    body = _Declared.model_validate(declared.get(part or "unclear", declared["unclear"]))
    high, low = high_window("B"), low_window("B")
    levels = {
        "high": f"+{high.lo_v:.1f} to +{high.hi_v:.1f} V",
        "low": f"−{-low.hi_v:.1f} to −{-low.lo_v:.1f} V",
    }
    return Checks(body.why, tuple(step.format(**levels) for step in body.steps), body.source)
