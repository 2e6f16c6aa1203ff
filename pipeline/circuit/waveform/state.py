"""The pilot's state from its levels, by the bands of IEC 61851-1 Annex A with tolerance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from pipeline.circuit.pilot import high_window, low_window

Fit = Literal["within", "touches", "outside"]

BOUNDARIES_V = ((10.5, "A"), (7.5, "B"), (4.5, "C"), (1.5, "D"), (-1.5, "E"))
"""Half way between the nominal 12, 9, 6, 3 and 0 V: what equipment cuts at (derived from open firmware's limits)."""
NEAR_ZERO_V = 1.0
"""State E: the pilot within this of earth, from memory."""


@dataclass(frozen=True)
class PilotState:
    """State letter with 1 (steady) or 2 (PWM on); how the levels lie to the windows parts within tolerance can give.

    `high_fit` and `low_fit` are 'within' the window, 'touches' it with a part of the interval, or 'outside'; `low_fit` is None
    where there is no negative level.
    """

    name: str
    high_fit: Fit
    low_fit: Fit | None


def letter(high_v: float) -> str:
    """State letter of a positive (or steady) level, V."""
    return next((name for least, name in BOUNDARIES_V if high_v > least), "F")


def pilot_state(
    high: tuple[float, float, float], low: tuple[float, float, float] | None
) -> PilotState:
    """State from the positive level (value, lower and upper end, V) and, with the PWM on, the negative one."""
    name = letter(high[0])
    full = name if name in {"E", "F"} else f"{name}{1 if low is None else 2}"
    low_fit = None if low is None else _fit(low, *_low_bounds())
    return PilotState(full, _fit(high, *_high_bounds(name)), low_fit)


def _low_bounds() -> tuple[float, float]:
    window = low_window("A")
    return window.lo_v, window.hi_v


def _high_bounds(name: str) -> tuple[float, float]:
    if name == "E":
        return -NEAR_ZERO_V, NEAR_ZERO_V
    if name == "F":
        return _low_bounds()
    window = high_window(name)
    return window.lo_v, window.hi_v


def _fit(level: tuple[float, float, float], lo_v: float, hi_v: float) -> Fit:
    if lo_v <= level[1] and level[2] <= hi_v:
        return "within"
    return "touches" if level[1] <= hi_v and level[2] >= lo_v else "outside"
