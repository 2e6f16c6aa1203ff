"""Two-sided smoothing of fault states that switch on and off from day to day.

A unit is off (state 0) or in one of a few fault states, each with its own failure probability.  Many units are smoothed at once: the loop runs over
days, never over units (Rabiner 1989, Proc. IEEE 77:257-286, scaled forward-backward; cited from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.attribute.laplace import Floats
from pipeline.settings.attribute import StatePrior


LEARN_UP, LEARN_DOWN = 4.0, 10.0
"""How far the data may move the rate of new faults from the assumed one; beyond, a wrong baseline is likelier than an epidemic."""


@dataclass(frozen=True)
class Habits:
    """How a kind of unit's states come and go: chance a day of falling faulty, of repair, and the shares of severities (levels,).

    After off and the fault states come the habits: rates a unit has from the first day on and never takes up later.
    """

    onset: float
    repair: float
    shares: Floats
    change: float
    habits: Floats

    @property
    def initial(self) -> Floats:
        """State probabilities at a random time (states,)."""
        on = self.onset / (self.onset + self.repair)
        off = (1.0 - on) * (1.0 - self.habits.sum())
        return np.concatenate([[off], on * self.shares, (1.0 - on) * self.habits])

    @property
    def on(self) -> Floats:
        """1 for the fault states, 0 for off and habits (states,)."""
        return np.concatenate([[0.0], np.ones(len(self.shares)), np.zeros(len(self.habits))])

    @property
    def step(self) -> Floats:
        """Transition matrix of one day (states, states), rows sum to 1."""
        size = len(self.shares)
        matrix = np.eye(1 + size + len(self.habits)) * (1.0 - self.onset)
        matrix[self.on == 0, 1 : 1 + size] = self.onset * self.shares
        matrix[1 : 1 + size, 0] = self.repair
        matrix[1 : 1 + size, 1 : 1 + size] = (1.0 - self.repair) * (
            (1.0 - self.change) * np.eye(size) + self.change * self.shares[None, :]
        )
        return matrix


def habits(prior: StatePrior, change: float) -> Habits:
    """The prior's habits: stationary share on = prevalence, mean length = days_on."""
    repair = 1.0 / prior.days_on
    shares = np.asarray(prior.shares, dtype=np.float64)
    return Habits(
        prior.prevalence / (1.0 - prior.prevalence) * repair,
        repair,
        shares / shares.sum(),
        change,
        np.full(len(prior.habits), prior.habit_share / max(len(prior.habits), 1)),
    )


@dataclass(frozen=True)
class Smoothed:
    """State probabilities given all evidence: `belief` (units, days, states); `ahead` the filtered ones; `back` = likelihood x backward / scale."""

    belief: Floats
    ahead: Floats
    back: Floats
    likelihood: Floats


def smooth(log_evidence: Floats, initial: Floats, step: Floats) -> Smoothed:
    """Forward-backward for evidence (units, days, states); initial may be (states,) or (units, states)."""
    days = log_evidence.shape[1]
    likelihood = np.exp(log_evidence - log_evidence.max(axis=2, keepdims=True))
    ahead = np.empty_like(likelihood)
    scaled = np.empty_like(likelihood)
    now = np.broadcast_to(initial, likelihood[:, 0].shape)
    for day in range(days):
        joint = now * likelihood[:, day]
        total = joint.sum(axis=1, keepdims=True)
        ahead[:, day] = joint / total
        scaled[:, day] = likelihood[:, day] / total
        now = ahead[:, day] @ step
    behind = np.ones_like(likelihood[:, 0])
    belief = np.empty_like(likelihood)
    back = scaled
    across = np.ascontiguousarray(step.T)
    for day in range(days - 1, -1, -1):
        belief[:, day] = ahead[:, day] * behind
        back[:, day] = scaled[:, day] * behind
        behind = back[:, day] @ across
    belief /= belief.sum(axis=2, keepdims=True)
    return Smoothed(belief, ahead, back, likelihood)


def learn(
    prior: StatePrior, seen: Smoothed, now: Habits, rows: slice, units_total: int, strengths: tuple[float, float]
) -> Habits:
    """Habits after the fleet's own data: expected onsets, repairs and severities, added to the prior's pseudo-counts.

    `rows` are the real units among those smoothed; the `units_total - rows` others, set aside as healthy, count as watched without an onset.
    `strengths` are the weights of the prior shares (faults) and of the prior days (repairs).
    """
    base = habits(prior, now.change)
    days = seen.belief.shape[1]
    on, off = now.on > 0, now.on == 0
    belief, ahead, back = seen.belief[rows], seen.ahead[rows], seen.back[rows]
    started = np.einsum("ut,utk->k", ahead[:, :-1, off].sum(axis=2), back[:, 1:, on]) * now.step[0, on]
    mended = float((ahead[:, :-1, on].sum(axis=2) * back[:, 1:, 0]).sum() * now.repair)
    on_days = float(belief[:, :-1, on].sum())
    watched = units_total * (days - 1) - on_days
    first = belief[:, 0, on].sum(axis=0)
    unseen = prior.prior_units * days
    onset = (float(started.sum()) + base.onset * unseen) / (watched + unseen)
    repair = (mended + strengths[1]) / (on_days + strengths[1] / base.repair)
    onset = float(np.clip(onset, base.onset / LEARN_DOWN, base.onset * LEARN_UP))
    levels = started + first + strengths[0] * base.shares
    return Habits(onset, repair, levels / levels.sum(), now.change, now.habits)


def onset_weights(seen: Smoothed, step: Floats, on: Floats) -> Floats:
    """Probability that the unit is on at the end and fell so on each day (units, days); day 0 holds 'before the look-back'.

    `on` marks the states that count as on (states,), so the same code serves chains of one unit and of several together.
    """
    units, days, _ = seen.belief.shape
    weights = np.zeros((units, days))
    staying = step * np.outer(on, on)
    entering = step * np.outer(1.0 - on, on)
    scale = _scale(seen, step)
    run = np.broadcast_to(on, seen.belief[:, 0].shape)
    for day in range(days - 1, 0, -1):
        reached = seen.likelihood[:, day] * run / scale[:, day, None]
        weights[:, day] = ((seen.ahead[:, day - 1] @ entering) * reached).sum(axis=1)
        run = reached @ staying.T
    weights[:, 0] = (seen.ahead[:, 0] * on * run).sum(axis=1)
    return weights


def _scale(seen: Smoothed, step: Floats) -> Floats:
    """The forward pass's normalising sums (units, days); day 0's is not needed and left at 1."""
    scale = np.ones(seen.belief.shape[:2])
    for day in range(1, seen.belief.shape[1]):
        scale[:, day] = ((seen.ahead[:, day - 1] @ step) * seen.likelihood[:, day]).sum(axis=1)
    return scale
