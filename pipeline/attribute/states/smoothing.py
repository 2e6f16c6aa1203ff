"""Two-sided smoothing of fault states that switch on and off from day to day.

A unit is off (state 0) or in one of a few fault states, each with its own failure probability.
Many units are smoothed at once: the loop runs over days, never over units (Rabiner 1989, Proc. IEEE
77:257-286, scaled forward-backward; cited from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipeline.attribute.baseline.laplace import Floats
from pipeline.settings.attribute import AttributeSettings, StatePrior

LEARN_UP, LEARN_DOWN = 4.0, 10.0
"""How far the data may move the rate of new faults from the assumed one.

Beyond, a wrong baseline is likelier than an epidemic.
"""


@dataclass(frozen=True)
class Strengths:
    """Weight of the prior when habits are learnt.

    Units watched for one look-backward, faults seen, repairs seen.
    """

    units: float
    faults: float
    repairs: float


@dataclass(frozen=True)
class StateModel:
    """How a kind of unit's states come and go: chance a day of falling faulty, of repair, and the
    shares of severities (levels,).

    After off and the fault states come the habits, rates a unit has from the first day on and never
    takes up later, and last 'just mended', from which it may fall back (`relapse` a day) until it
    counts as sound again (`settle` a day).
    """

    onset: float
    repair: float
    shares: Floats
    change: float
    chronic: Floats
    relapse: float
    settle: float

    @property
    def initial(self) -> Floats:
        """State probabilities at a random time (states,)."""
        on = self.onset / (self.onset + self.repair)
        mended = on * self.repair / (self.relapse + self.settle)
        rest = 1.0 - on - mended
        return np.concatenate(
            [[rest * (1.0 - self.chronic.sum())], on * self.shares, rest * self.chronic, [mended]]
        )

    @property
    def fault_mask(self) -> Floats:
        """1 for the fault states, 0 for the others (states,)."""
        return np.concatenate([[0.0], np.ones(len(self.shares)), np.zeros(len(self.chronic) + 1)])

    @property
    def usual(self) -> Floats:
        """1 for off and just mended, in which a unit fails as its kind usually does, 0 for faults
        and habits (states,).
        """
        return np.concatenate([[1.0], np.zeros(len(self.shares) + len(self.chronic)), [1.0]])

    @property
    def transition(self) -> Floats:
        """Transition matrix of one day (states, states), rows sum to 1."""
        size = len(self.shares)
        levels = slice(1, 1 + size)
        matrix = np.eye(2 + size + len(self.chronic)) * (1.0 - self.onset)
        matrix[self.fault_mask == 0, levels] = self.onset * self.shares
        matrix[levels] = 0.0
        matrix[levels, -1] = self.repair
        matrix[levels, levels] = (1.0 - self.repair) * (
            (1.0 - self.change) * np.eye(size) + self.change * self.shares[None, :]
        )
        matrix[-1] = 0.0
        matrix[-1, 0], matrix[-1, levels], matrix[-1, -1] = (
            self.settle,
            self.relapse * self.shares,
            1.0 - self.settle - self.relapse,
        )
        return matrix

    def paced(self, days: float) -> StateModel:
        """The same for steps of so many days (small: rates are scaled)."""
        rates = (self.onset, self.repair, self.change, self.relapse, self.settle)
        onset, repair, change, relapse, settle = (1.0 - (1.0 - rate) ** days for rate in rates)
        return StateModel(onset, repair, self.shares, change, self.chronic, relapse, settle)


def state_model(prior: StatePrior, settings: AttributeSettings) -> StateModel:
    """The prior's habits: stationary share on = prevalence, mean length = days_on."""
    repair = 1.0 / prior.days_on
    shares = np.asarray(prior.shares, dtype=np.float64)
    return StateModel(
        prior.prevalence / (1.0 - prior.prevalence) * repair,
        repair,
        shares / shares.sum(),
        settings.level_change_per_day,
        np.full(len(prior.chronic_rates), prior.chronic_share / max(len(prior.chronic_rates), 1)),
        settings.relapse_per_day,
        settings.settle_per_day,
    )


@dataclass(frozen=True)
class Smoothed:
    """State probabilities given all evidence: `belief` (units, days, states); `forward` the filtered
    ones.

    `backward` = likelihood x backward / scale.
    """

    belief: Floats
    forward: Floats
    backward: Floats
    likelihood: Floats


def smooth(log_evidence: Floats, initial: Floats, step: Floats) -> Smoothed:
    """Forward-backward for evidence (units, days, states); initial may be (states,) or (units,
    states).

    Inside, a day's units lie side by side in memory.
    """
    likelihood = log_evidence.swapaxes(0, 1).copy()
    days, _, states = likelihood.shape
    highest = likelihood[:, :, 0]
    for state in range(1, states):
        highest = np.maximum(highest, likelihood[:, :, state])
    likelihood -= highest[:, :, None]
    np.exp(likelihood, out=likelihood)
    ones = np.ones(states)
    forward = np.empty_like(likelihood)
    backward = np.empty_like(likelihood)
    now = np.broadcast_to(initial, likelihood[0].shape)
    for day in range(days):
        joint = now * likelihood[day]
        total = (joint @ ones)[:, None]
        np.divide(joint, total, out=forward[day])
        np.divide(likelihood[day], total, out=backward[day])
        now = forward[day] @ step
    belief = np.empty_like(likelihood)
    behind = np.ones_like(likelihood[0])
    across = np.ascontiguousarray(step.T)
    for day in range(days - 1, -1, -1):
        np.multiply(forward[day], behind, out=belief[day])
        backward[day] *= behind
        behind = backward[day] @ across
    belief /= (belief.reshape(-1, states) @ ones).reshape(days, -1, 1)
    return Smoothed(*(part.swapaxes(0, 1) for part in (belief, forward, backward, likelihood)))


def learn(
    base: StateModel,
    seen: Smoothed,
    now: StateModel,
    rows: slice,
    units_total: int,
    strengths: Strengths,
) -> StateModel:
    """StateModel after the fleet's own data: expected onsets, repairs and severities, added to the
    prior's pseudo-counts.

    `rows` are the real units among those smoothed; the `units_total - rows` others, set aside as
    healthy, count as watched without an onset.
    """
    days = seen.belief.shape[1]
    on, sound = now.fault_mask > 0, now.fault_mask == 0
    sound[-1] = False
    belief, forward, backward = seen.belief[rows], seen.forward[rows], seen.backward[rows]
    started = (
        np.einsum("ut,utk->k", forward[:, :-1, sound].sum(axis=2), backward[:, 1:, on])
        * now.transition[0, on]
    )
    mended = float((forward[:, :-1, on].sum(axis=2) * backward[:, 1:, -1]).sum() * now.repair)
    on_days = float(belief[:, :-1, on].sum())
    watched = units_total * (days - 1) - on_days
    first = belief[:, 0, on].sum(axis=0)
    unseen = strengths.units * days
    onset = (float(started.sum()) + base.onset * unseen) / (watched + unseen)
    onset = float(np.clip(onset, base.onset / LEARN_DOWN, base.onset * LEARN_UP))
    repair = (mended + strengths.repairs) / (on_days + strengths.repairs / base.repair)
    levels = started + first + strengths.faults * base.shares
    return replace(now, onset=onset, repair=repair, shares=levels / levels.sum())


def onset_weights(seen: Smoothed, step: Floats, on: Floats) -> Floats:
    """Probability that the unit is on at the end and fell so on each day (units, days); day 0 holds
    'before the look-back'.

    `on` marks the states that count as on (states,), so the same code serves chains of one unit and
    of several together.
    """
    units, days, _ = seen.belief.shape
    weights = np.zeros((units, days))
    staying = step * np.outer(on, on)
    entering = step * np.outer(1.0 - on, on)
    scale = _scale(seen, step)
    run = np.broadcast_to(on, seen.belief[:, 0].shape)
    for day in range(days - 1, 0, -1):
        reached = seen.likelihood[:, day] * run / scale[:, day, None]
        weights[:, day] = ((seen.forward[:, day - 1] @ entering) * reached).sum(axis=1)
        run = reached @ staying.T
    weights[:, 0] = (seen.forward[:, 0] * on * run).sum(axis=1)
    return weights


def _scale(seen: Smoothed, step: Floats) -> Floats:
    """The forward pass's normalising sums (units, days); day 0's is not needed and left at 1."""
    scale = np.ones(seen.belief.shape[:2])
    for day in range(1, seen.belief.shape[1]):
        scale[:, day] = ((seen.forward[:, day - 1] @ step) * seen.likelihood[:, day]).sum(axis=1)
    return scale
