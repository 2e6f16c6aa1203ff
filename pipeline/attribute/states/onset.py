"""When the present fault began, attempt by attempt.

The chain of one unit with all others as already judged.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.attribute.evidence import NO_REPAIRS, Evidence, Repairs
from pipeline.attribute.states.likelihood import Solved, attempt_loglik
from pipeline.attribute.states.model import Bools, Floats, Ints, StateModel, add_repairs
from pipeline.attribute.states.smoothing import onset_weights, smooth

LONGEST_STEP_DAYS = 3.0
"""A chain's step, the usual time between two attempts, is at most this, so that onset and repair stay rare within it."""


EARLIER_DAYS = 60.0
"""Mean days that a fault which was there at the start had been there; assumed, as `onset_days` of vehicles."""
MEDIAN = 0.5


@dataclass(frozen=True)
class OnsetDays:
    """Days since the look-back began at which the onset's distribution reaches each asked level.

    (levels, units).
    """

    units: Ints
    days: Floats


def onset_days(
    evidence: Evidence,
    unit: Ints,
    solved: Solved,
    model: StateModel,
    units: Ints,
    levels: tuple[float, ...],
    repairs: Repairs = NO_REPAIRS,
) -> OnsetDays:
    """Quantiles of the onset for the given units.

    `unit` and `solved` (the chance that no other cause than the unit bites) are per attempt. Between two
    attempts the onset may lie anywhere alike, so a gap counts by its length. `repairs`: told ones of
    the units.
    """
    if not len(units):
        return OnsetDays(units, np.zeros((len(levels), 0)))
    place = np.full(int(unit.max(initial=0)) + 1, -1, dtype=np.int64)
    place[units] = np.arange(len(units))
    rows = np.flatnonzero(place[unit] >= 0)
    rows = rows[np.argsort(place[unit[rows]], kind="stable")]
    owner = place[unit[rows]]
    count = np.bincount(owner, minlength=len(units))
    longest = int(count.max(initial=0))
    column = longest - count[owner] + np.arange(len(rows)) - np.searchsorted(owner, owner)
    log_evidence = np.zeros((len(units), longest, model.states))
    log_evidence[owner, column] = attempt_loglik(
        evidence, rows, model, solved.reach[rows], solved.held[rows]
    )
    at = np.zeros((len(units), longest))
    at[owner, column] = evidence.at_days[rows]
    gap = np.diff(at, axis=1, prepend=0.0)
    slow = model.paced(min(evidence.days / max(float(np.median(count)), 1.0), LONGEST_STEP_DAYS))
    first = longest - count
    add_repairs(log_evidence, *_placed(repairs, place, at, first), slow.repaired)
    initial = slow.initial[units] if slow.initial.ndim > 1 else slow.initial
    seen_states = smooth(log_evidence, initial, slow.transition)
    weights = onset_weights(seen_states, slow.transition, slow.fault_mask)
    late = np.arange(longest)[None, :] > first[:, None]
    whole = np.where(late, weights * gap, 0.0)
    scale = np.where(late, gap, 0.0).sum(axis=1) / np.maximum(count - 1, 1)
    before = np.where(late, 0.0, weights).sum(axis=1) * scale
    return OnsetDays(
        units, np.stack([_quantile(whole, before, at, first, level) for level in levels])
    )


def _placed(repairs: Repairs, place: Ints, at: Floats, first: Ints) -> tuple[Ints, Ints, Bools]:
    """Of the repairs of placed units before their last attempt: row, column of the first attempt after, whether one came before."""
    asked = repairs.vehicle < len(place)
    row = place[repairs.vehicle[asked]]
    at_days = repairs.at_days[asked][row >= 0]
    row = row[row >= 0]
    column = np.maximum((at[row] < at_days[:, None]).sum(axis=1), first[row])
    seen = column < at.shape[1]
    row, column = row[seen], column[seen]
    return row, column, column > first[row]


def _quantile(whole: Floats, before: Floats, at: Floats, first: Ints, level: float) -> Floats:
    """Level of the distribution with mass `before` up to the `first` attempt and `whole` in the gaps.

    Each gap ends at an attempt. What began before the first attempt may have done so long ago: from
    there it reaches back by an exponential law, median and upper end as far as where the logs begin.
    """
    row = np.arange(len(whole))
    heights = before[:, None] + np.cumsum(whole, axis=1)
    target = level * heights[:, -1]
    step = np.minimum((heights < target[:, None]).sum(axis=1), whole.shape[1] - 1)
    below = np.where(step > 0, heights[row, np.maximum(step - 1, 0)], before)
    inside = np.clip((target - below) / np.maximum(whole[row, step], 1e-300), 0.0, 1.0)
    start = at[row, np.maximum(step - 1, 0)]
    earlier = EARLIER_DAYS * np.log(np.clip(target / np.maximum(before, 1e-300), 1e-3, 1.0))
    early = at[row, first] + earlier
    early = early if level < MEDIAN else np.maximum(early, 0.0)
    return np.asarray(np.where(target <= before, early, start + inside * (at[row, step] - start)))
