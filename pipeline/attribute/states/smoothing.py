"""Two-sided smoothing of states over days.

Many units are smoothed at once: the loop runs over days, never over units (Rabiner 1989, Proc.
IEEE 77:257-286, scaled forward-backward; cited from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from pipeline.attribute.states.model import Floats

SCALE_DAYS = 4
"""Days between two rescalings of a pass: a day's evidence is worth 100 nats at most (`day_likeness`), and doubles reach 700."""


@dataclass(frozen=True)
class Smoothed:
    """State probabilities given all evidence.

    `belief` (units, days, states); `likelihood`: of each day's evidence, the highest state's at 1; `ahead`: the
    filtered ones but for a factor.
    """

    belief: Floats
    likelihood: Floats
    ahead: Floats

    @cached_property
    def forward(self) -> Floats:
        """State probabilities given the evidence up to each day (units, days, states)."""
        return np.asarray(self.ahead / self.ahead.sum(axis=2, keepdims=True))


def scaled_likelihood(log_evidence: Floats) -> Floats:
    """exp(log_evidence) by day (days, units, states), each day's highest state at 1."""
    likelihood = log_evidence.swapaxes(0, 1).copy()
    highest = likelihood[:, :, 0]
    for state in range(1, likelihood.shape[2]):
        highest = np.maximum(highest, likelihood[:, :, state])
    likelihood -= highest[:, :, None]
    np.exp(likelihood, out=likelihood)
    return likelihood


def smooth(log_evidence: Floats, initial: Floats, transition: Floats) -> Smoothed:
    """Forward-backward for evidence (units, days, states); initial (states,) or (units, states).

    Inside, a day's units lie side by side in memory.
    """
    likelihood = scaled_likelihood(log_evidence)
    days, _, states = likelihood.shape
    ones = np.ones(states)
    forward = np.empty_like(likelihood)
    now = np.array(np.broadcast_to(initial, likelihood[0].shape))
    for day in range(days):
        joint = np.multiply(now, likelihood[day], out=forward[day])
        if day % SCALE_DAYS == 0:
            joint /= (joint @ ones)[:, None]
        np.matmul(joint, transition, out=now)
    belief = forward.copy()
    behind, reached = np.ones_like(now), np.empty_like(now)
    across = np.ascontiguousarray(transition.T)
    for day in range(days - 1, 0, -1):
        np.multiply(likelihood[day], behind, out=reached)
        if day % SCALE_DAYS == 0:
            reached /= (reached @ ones)[:, None]
        np.matmul(reached, across, out=behind)
        belief[day - 1] *= behind
    belief /= (belief.reshape(-1, states) @ ones).reshape(days, -1, 1)
    return Smoothed(*(part.swapaxes(0, 1) for part in (belief, likelihood, forward)))


def log_evidence(log_likelihood: Floats, initial: Floats, transition: Floats) -> Floats:
    """Natural log of the probability of all evidence of each chain (units,); arguments as of `smooth`."""
    highest = log_likelihood.max(axis=2)
    likelihood = np.exp(log_likelihood - highest[:, :, None])
    now = np.array(np.broadcast_to(initial, likelihood[:, 0].shape))
    total = highest.sum(axis=1)
    for day in range(likelihood.shape[1]):
        joint = now * likelihood[:, day]
        seen = joint.sum(axis=1, keepdims=True)
        total += np.log(seen[:, 0])
        now = (joint / seen) @ transition
    return np.asarray(total)


def onset_weights(seen: Smoothed, transition: Floats, on: Floats) -> Floats:
    """Probability that the unit is on at the end and fell so on each day (units, days).

    Day 0 holds 'before the look-back'. `on` marks the states that count as on (states,).
    """
    units, days, _ = seen.belief.shape
    weights = np.zeros((units, days))
    staying = transition * np.outer(on, on)
    entering = transition * np.outer(1.0 - on, on)
    scale = _scale(seen, transition)
    run = np.broadcast_to(on, seen.belief[:, 0].shape)
    for day in range(days - 1, 0, -1):
        reached = seen.likelihood[:, day] * run / scale[:, day, None]
        weights[:, day] = ((seen.forward[:, day - 1] @ entering) * reached).sum(axis=1)
        run = reached @ staying.T
    weights[:, 0] = (seen.forward[:, 0] * on * run).sum(axis=1)
    return weights


def _scale(seen: Smoothed, transition: Floats) -> Floats:
    """The forward pass's normalising sums (units, days); day 0's is not needed and left at 1."""
    scale = np.ones(seen.belief.shape[:2])
    for day in range(1, seen.belief.shape[1]):
        ahead = seen.forward[:, day - 1] @ transition
        scale[:, day] = (ahead * seen.likelihood[:, day]).sum(axis=1)
    return scale
