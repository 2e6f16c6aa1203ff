"""What current a duty cycle offers (IEC 61851-1 Table A.8, SAE J1772 Table 6).

The laws 0.6 d and 2.5 (d - 64) are as given by secondary sources; the narrow bands beside them are from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Meaning = Literal["current", "digital", "none"]


@dataclass(frozen=True)
class Offer:
    """What a duty cycle says: a current in A, digital communication only (5 %), or no charging (0 A)."""

    meaning: Meaning
    current_a: float


_NOTHING = Offer("none", 0.0)


def offered_current(duty_pct: float) -> Offer:
    """The current a vehicle may draw at this duty cycle, A.

    Raises ValueError outside 0 to 100 %.
    """
    if not 0 <= duty_pct <= 100:
        raise ValueError(f"a duty cycle lies between 0 and 100 %, not at {duty_pct}")
    bands = (
        (duty_pct < 3, _NOTHING),
        (duty_pct <= 7, Offer("digital", 0.0)),
        (duty_pct < 8, _NOTHING),
        (duty_pct < 10, Offer("current", 6.0)),
        (duty_pct <= 85, Offer("current", 0.6 * duty_pct)),
        (duty_pct <= 96, Offer("current", 2.5 * (duty_pct - 64))),
        (duty_pct <= 97, Offer("current", 80.0)),
    )
    return next((offer for holds, offer in bands if holds), _NOTHING)
