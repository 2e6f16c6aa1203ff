"""How often each unit was tried, failed and kept silent, and with how many partners."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.attribute.evidence import Evidence
from pipeline.attribute.states.identify import enough_to_clear
from pipeline.attribute.states.kinds import EVSE, VEHICLE
from pipeline.attribute.states.model import Bools, Floats, Ints, tally
from pipeline.settings.attribute import AttributeSettings

LATELY_DAYS = 21
"""Days that count as 'lately' for a unit without an onset: what could clear it must be recent."""


def unit_counts(
    evidence: Evidence, kind: int, units: int, begun_days: Floats, settings: AttributeSettings
) -> list[pl.Series]:
    """Attempts, failures, silences and partners of each unit; `lately` is since the onset's early
    end, or the last weeks where it is not suspected.
    """
    unit = evidence.columns[kind]
    other = EVSE if kind == VEHICLE else VEHICLE
    cells, width = evidence.cells, evidence.sizes[other]
    mine, theirs = cells.columns[kind], cells.columns[other]
    # whom nobody named may be one that is counted already: no partner of its own
    known = theirs < (evidence.evses if kind == VEHICLE else evidence.vehicles).height
    size = evidence.sizes[kind]
    start = np.where(np.isnan(begun_days), evidence.days - LATELY_DAYS, begun_days)
    recent = np.append(start, np.zeros(size - units))[unit] <= evidence.at_days
    last = evidence.day >= evidence.days - LATELY_DAYS
    told = ~evidence.silent

    def partners(keep: Bools) -> Ints:
        return _distinct(mine, theirs, known & cells.any(keep), size, width)

    counts = {
        "attempts": _count(unit, told, size),
        "failures": _count(unit, evidence.failed, size),
        "silent": _count(unit, evidence.silent, size),
        "silent_lately": _count(unit, evidence.silent & recent, size),
        "asked_lately": _count(unit, evidence.asked & recent, size),
        "failures_lately": _count(unit, evidence.failed & recent, size),
        "attempts_since": _count(unit, told & recent, size),
        "partners": partners(told | evidence.silent),
        "partners_failed": partners(evidence.failed),
        "partners_silent": partners(evidence.silent & recent),
        "partners_failed_lately": partners(evidence.event & recent),
    }
    lately = tally(unit, np.where(last & told, evidence.weight, 0.0), size)
    clear = enough_to_clear(lately, settings.thin_failures_power)
    return [
        *(pl.Series(name, values[:units]) for name, values in counts.items()),
        pl.Series("attempts_lately", lately[:units]),
        pl.Series("can_clear", clear[:units]),
    ]


def _count(unit: Ints, keep: Bools, size: int) -> Ints:
    return np.bincount(unit[keep], minlength=size)


def _distinct(unit: Ints, other: Ints, keep: Bools, size: int, width: int) -> Ints:
    """Number of distinct partners of each unit among the kept attempts, or cells of attempts."""
    pairs = np.unique(unit[keep] * width + other[keep])
    return np.bincount(pairs // width, minlength=size)
