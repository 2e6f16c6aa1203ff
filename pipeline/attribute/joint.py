"""A unit and its closest rivals solved together, exactly.

Message passing between two units that mostly meet each other talks itself into one of the two answers.  So each suspect is solved
again in one chain with the EVSE (or vehicle) and the pairing that could best stand in for it; only third parties
still enter by their messages.  Two units that meet nobody else then share the blame as their priors and evidence say.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.attribute.chains import onset_weights, smooth
from pipeline.attribute.laplace import Floats, Ints
from pipeline.attribute.states import Beliefs, Failures, Kind, scatter

CHUNK = 128
"""Suspects solved at a time; bounds the working memory to about 100 MB."""


@dataclass(frozen=True)
class Refined:
    """For each suspect of a kind: state probabilities (units, days, states), onset weights (units, days), its rivals (kinds - 1, units)."""

    belief: Floats
    onset: Floats
    rivals: Ints


def rivals_of(focal: Kind, other: Kind, failures: Failures, bound: Floats) -> Ints:
    """For each focal unit the other kind's unit that could explain most of its failures; the stand-in (last) if none could.

    `bound` (units of other, days) is the most the other could be at fault, were it blamed for everything.
    """
    stand_in = len(other.quiet) - 1
    score = bound[other.unit, failures.day] * failures.weight
    key = focal.unit * len(other.quiet) + other.unit
    distinct, where = np.unique(key, return_inverse=True)
    total = np.where(distinct % len(other.quiet) == stand_in, 0.0, np.bincount(where, score, len(distinct)))
    order = np.lexsort((total, distinct // len(other.quiet)))
    owner = distinct[order] // len(other.quiet)
    last = np.append(owner[1:] != owner[:-1], True) if len(owner) else np.zeros(0, dtype=bool)
    best = np.full(len(focal.quiet), stand_in, dtype=np.int64)
    strong = total[order][last] > 0.0
    best[owner[last][strong]] = (distinct[order] % len(other.quiet))[last][strong]
    return best


def refine(kinds: tuple[Kind, ...], failures: Failures, beliefs: Beliefs, bounds: tuple[Floats, ...], which: int) -> Refined:
    """Solve every suspect of kind `which` jointly with its closest rival of each other kind."""
    others = [j for j in range(len(kinds)) if j != which]
    focal = kinds[which]
    rivals = np.stack([rivals_of(focal, kinds[j], failures, bounds[j]) for j in others])
    evidence = [kinds[j].quiet + scatter(kinds[j], failures, beliefs.messages[j]) for j in others]
    units, days, states = focal.quiet.shape
    belief, onset = np.zeros((units, days, states)), np.zeros((units, days))
    belief[:, :, 0] = 1.0
    habit = [kinds[which].habits, *(kinds[j].habits for j in others)]
    initial, step = habit[0].initial, habit[0].step
    for h in habit[1:]:
        initial, step = np.kron(initial, h.initial), np.kron(step, h.step)
    order = np.argsort(focal.unit, kind="stable")
    edges = np.searchsorted(focal.unit[order], np.arange(units + 1))
    for low in range(0, units - 1, CHUNK):
        high = min(low + CHUNK, units - 1)
        touched = order[edges[low] : edges[high]]
        joint = _joint_evidence(kinds, which, failures, beliefs, rivals, evidence, (low, high, touched))
        seen = smooth(joint.reshape(high - low, days, -1), initial, step)
        belief[low:high] = seen.belief.reshape(high - low, days, states, -1).sum(axis=3)
        on = np.repeat(focal.habits.on, len(initial) // states)
        onset[low:high] = onset_weights(seen, step, on)
    return Refined(belief, onset, rivals)


def _joint_evidence(
    kinds: tuple[Kind, ...],
    which: int,
    failures: Failures,
    beliefs: Beliefs,
    rivals: Ints,
    evidence: list[Floats],
    part: tuple[int, int, Ints],
) -> Floats:
    """Log evidence over the joint states of a chunk of suspects (units, days, focal states, rival states, rival states)."""
    low, high, touched = part
    others = [j for j in range(len(kinds)) if j != which]
    unit, day = kinds[which].unit[touched] - low, failures.day[touched]
    joint = kinds[which].quiet[low:high][:, :, :, None, None].copy()
    escape = kinds[which].escape[touched][:, :, None, None]
    for axis, j in enumerate(others):
        mine = rivals[axis, low:high]
        alone = evidence[axis][mine]
        shared = kinds[j].unit[touched] == mine[unit]
        np.subtract.at(alone, (unit[shared], day[shared]), beliefs.messages[j][touched][shared])
        shape = [len(alone), alone.shape[1], 1, 1, 1]
        shape[3 + axis] = alone.shape[2]
        joint = joint + alone.reshape(shape)
        theirs = np.where(shared[:, None], kinds[j].escape[touched], beliefs.escapes[j][touched][:, None])
        reach = [len(touched), 1, 1, 1]
        reach[2 + axis] = theirs.shape[1]
        escape = escape * theirs.reshape(reach)
    base = failures.base[touched][:, None, None, None]
    factor = failures.weight[touched][:, None, None, None] * np.log(1.0 - (1.0 - base) * escape)
    np.add.at(joint, (unit, day), factor)
    return joint
