"""A unit and its closest rivals solved together, exactly.

Message passing between two units that mostly meet each other talks itself into one of the two
answers.  So each suspect is solved again in one chain with the EVSE (or vehicle) and the pairing
that could best stand in for it; only third parties still enter by their messages.  Two units that
meet nobody else then share the blame as their priors and evidence say.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.attribute.baseline.laplace import Floats, Ints
from pipeline.attribute.states.messages import Beliefs, Failures, Kind, scatter
from pipeline.attribute.states.smoothing import smooth

CHUNK = 128
"""Suspects solved at a time; bounds the working memory to about 100 MB."""
LEAST_SCORE = 0.2
"""A rival that could explain less than a fifth of one failure is none."""
WORTH_IT = 0.1
"""A suspect that stays below this even if blamed for everything keeps the belief from message passing."""


@dataclass(frozen=True)
class Refined:
    """For each suspect of a kind.

    State probabilities (units, days, states) and its rivals (kinds - 1, units), the stand-in where
    it has none.
    """

    belief: Floats
    rivals: Ints


def rivals_of(focal: Kind, other: Kind, failures: Failures, bound: Floats) -> Ints:
    """For each focal unit the other kind's unit that could explain most of its failures; the
    stand-in (last) if none could.

    `bound` (units of other, days) is the most the other could be at fault, were it blamed for
    everything.
    """
    width = len(other.success_loglik)
    score = bound[other.unit, failures.day] * focal.trust
    distinct, where = np.unique(focal.unit * width + other.unit, return_inverse=True)
    total = np.where(distinct % width == width - 1, 0.0, np.bincount(where, score, len(distinct)))
    order = np.lexsort((total, distinct // width))
    owner, rival, total = (distinct // width)[order], (distinct % width)[order], total[order]
    strongest = np.append(owner[1:] != owner[:-1], True) if len(owner) else np.zeros(0, dtype=bool)
    strongest &= total > LEAST_SCORE
    best = np.full(len(focal.success_loglik), width - 1, dtype=np.int64)
    best[owner[strongest]] = rival[strongest]
    return best


def refine(
    kinds: tuple[Kind, ...],
    failures: Failures,
    beliefs: Beliefs,
    bounds: tuple[Floats, ...],
    which: int,
) -> Refined:
    """Solve the suspects of kind `which` jointly with their closest rivals.

    Those who stay unsuspected even at worst keep their belief.
    """
    others = [j for j in range(len(kinds)) if j != which]
    focal = kinds[which]
    rivals = np.stack([rivals_of(focal, kinds[j], failures, bounds[j]) for j in others])
    stand_in = np.array([len(kinds[j].success_loglik) - 1 for j in others])
    evidence = [
        kinds[j].success_loglik + scatter(kinds[j], failures, beliefs.messages[j]) for j in others
    ]
    belief = beliefs.smoothed[which].belief.copy()
    worst = bounds[which].max(axis=1)
    order = np.argsort(focal.unit, kind="stable")
    edges = np.searchsorted(focal.unit[order], np.arange(len(focal.success_loglik) + 1))
    has = rivals != stand_in[:, None]
    for pattern in ([True, True], [True, False], [False, True]):
        group = np.flatnonzero((has == np.array(pattern)[:, None]).all(axis=0) & (worst > WORTH_IT))
        part = [axis for axis in range(len(others)) if pattern[axis]]
        initial, step = _together(kinds, [which, *(others[axis] for axis in part)])
        for low in range(0, len(group), CHUNK):
            units = group[low : low + CHUNK]
            touched = np.concatenate([order[edges[u] : edges[u + 1]] for u in units])
            joint = _joint_evidence(
                kinds,
                which,
                failures,
                beliefs,
                (units, touched),
                [(others[a], rivals[a], evidence[a]) for a in part],
            )
            seen = smooth(joint.reshape(*joint.shape[:2], -1), initial, step)
            belief[units] = seen.belief.reshape(*joint.shape[:3], -1).sum(axis=3)
    return Refined(belief, rivals)


def _together(kinds: tuple[Kind, ...], members: list[int]) -> tuple[Floats, Floats]:
    """Initial and step of independent chains taken together."""
    initial: Floats = np.ones(1)
    step: Floats = np.ones((1, 1))
    for k in members:
        initial = np.asarray(np.kron(initial, kinds[k].model.initial), dtype=np.float64)
        step = np.asarray(np.kron(step, kinds[k].model.transition), dtype=np.float64)
    return initial, step


def _joint_evidence(
    kinds: tuple[Kind, ...],
    which: int,
    failures: Failures,
    beliefs: Beliefs,
    part: tuple[Ints, Ints],
    rivals: list[tuple[int, Ints, Floats]],
) -> Floats:
    """Log evidence over the joint states of some suspects (units, days, focal states, rival states
    ...).

    `part`: the suspects and the failures that touch them; `rivals`: kind, rival of each unit, and
    that kind's evidence from all failures.
    """
    units, touched = part
    place = np.full(len(kinds[which].success_loglik), -1, dtype=np.int64)
    place[units] = np.arange(len(units))
    unit, day = place[kinds[which].unit[touched]], failures.day[touched]
    extra = (1,) * len(rivals)
    joint = (
        kinds[which]
        .success_loglik[units]
        .reshape(*kinds[which].success_loglik[units].shape, *extra)
    )
    escape = kinds[which].escape[touched].reshape(len(touched), -1, *extra)
    known = {which, *(j for j, _, _ in rivals)}
    for j in range(len(kinds)):
        if j not in known:
            escape = escape * beliefs.escapes[j][touched].reshape(-1, 1, *extra)
    for axis, (j, rival, evidence) in enumerate(rivals):
        mine = rival[units]
        alone = evidence[mine]
        shared = kinds[j].unit[touched] == mine[unit]
        np.subtract.at(alone, (unit[shared], day[shared]), beliefs.messages[j][touched][shared])
        shape = [1] * (1 + len(rivals))
        shape[1 + axis] = alone.shape[2]
        joint = joint + alone.reshape(*alone.shape[:2], *shape)
        theirs = np.where(
            shared[:, None], kinds[j].escape[touched], beliefs.escapes[j][touched][:, None]
        )
        escape = escape * theirs.reshape(len(touched), *shape)
    base = failures.base[touched].reshape(-1, 1, *extra)
    np.add.at(
        joint,
        (unit, day),
        kinds[which].trust[touched].reshape(-1, 1, *extra) * np.log(1.0 - (1.0 - base) * escape),
    )
    return joint
