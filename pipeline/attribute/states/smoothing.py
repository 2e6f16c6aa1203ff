"""Two-sided smoothing of states over days.

Rabiner 1989, Proc. IEEE 77:257-286, scaled forward-backward; cited from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.attribute.states.model import Floats
from pipeline.attribute.states.walk import lowered, smooth_days


@dataclass(frozen=True)
class Smoothed:
    """State probabilities given all evidence.

    `belief` (units, days, states); `likelihood`: of each day's evidence, the highest state's at 1; `forward`: state
    probabilities given the evidence up to each day.
    """

    belief: Floats
    likelihood: Floats
    forward: Floats


def scaled_likelihood(log_evidence: Floats) -> Floats:
    """exp(log_evidence) by day (units, days, states), each day's highest state at 1."""
    likelihood = np.empty(log_evidence.shape)
    rows = -1, log_evidence.shape[-1]
    lowered(np.ascontiguousarray(log_evidence).reshape(rows), likelihood.reshape(rows))
    return np.asarray(np.exp(likelihood, out=likelihood))


def each_start(initial: Floats, units: int) -> Floats:
    """Where the chains of so many units begin (units, states), given for all alike or one by one."""
    return np.array(np.broadcast_to(initial, (units, initial.shape[-1])), order="C")


def smooth(log_evidence: Floats, initial: Floats, transition: Floats) -> Smoothed:
    """Forward-backward for evidence (units, days, states); initial (states,) or (units, states)."""
    likelihood = scaled_likelihood(log_evidence)
    forward, belief = np.empty_like(likelihood), np.empty_like(likelihood)
    start = each_start(initial, len(likelihood))
    smooth_days(likelihood, start, np.ascontiguousarray(transition), forward, belief)
    return Smoothed(belief, likelihood, forward)


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
