"""A unit and its closest rivals solved together, exactly.

Message passing between two units that mostly meet each other talks itself into one of the two
answers.  So each suspect is solved again in one chain with the two units, of two other kinds, that
could best stand in for it; only third parties still enter by their messages.  Two units that meet
nobody else then share the blame as their priors and evidence say.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, product

import numpy as np

from pipeline.attribute.states.event_chains import EventChains, Slots
from pipeline.attribute.states.joint_chains import smooth_tied
from pipeline.attribute.states.messages import Beliefs, Events, Kind, told_by_day
from pipeline.attribute.states.model import Bools, Floats, Ints

WORKING_NUMBERS = 3_000_000
"""Numbers in one array of joint states at a time; bounds the working memory to some 100 MB."""
LEAST_SCORE = 0.2
"""A rival that could explain less than a fifth of one event is none."""
WORTH_IT = 0.1
"""A suspect that stays below this even if blamed for everything keeps the belief from message passing."""
CLOSEST = 2
"""Rivals solved with a suspect; a third would multiply the states by ten for cases that are rare."""


@dataclass(frozen=True)
class Rivals:
    """Of each suspect and other kind (others, units): the unit that could explain most of its events.

    `score`: events it could explain, 0 where none could.
    """

    kinds: tuple[int, ...]
    unit: Ints
    score: Floats

    def closest(self) -> Bools:
        """Which of them are solved with the suspect (others, units)."""
        place = np.argsort(np.argsort(-self.score, axis=0, kind="stable"), axis=0, kind="stable")
        return (place < CLOSEST) & (self.score > LEAST_SCORE)


def rivals_of(
    kinds: tuple[Kind, ...], events: Events, bounds: tuple[Floats, ...], which: int
) -> Rivals:
    """For each unit of one kind the unit of every other kind that could explain most of its events.

    `bounds` (units, days), by kind: the most a unit could be to blame, were it blamed for everything.
    """
    others = tuple(j for j in range(len(kinds)) if j != which)
    focal, found = kinds[which], []
    for j in others:
        width = len(kinds[j].success_loglik)
        score = bounds[j][kinds[j].unit, events.day] * focal.trust
        distinct, where = np.unique(focal.unit * width + kinds[j].unit, return_inverse=True)
        total = np.bincount(where, score, len(distinct))
        total[distinct % width == width - 1] = 0.0
        order = np.lexsort((total, distinct // width))
        owner = distinct[order] // width
        last = np.append(owner[1:] != owner[:-1], True) if len(owner) else np.zeros(0, dtype=bool)
        unit = np.full(len(focal.success_loglik), width - 1, dtype=np.int64)
        most = np.zeros(len(focal.success_loglik))
        unit[owner[last]], most[owner[last]] = distinct[order][last] % width, total[order][last]
        found.append((unit, most))
    return Rivals(others, np.stack([u for u, _ in found]), np.stack([m for _, m in found]))


def refine(
    kinds: tuple[Kind, ...],
    events: Events,
    beliefs: Beliefs,
    bounds: tuple[Floats, ...],
    which: int,
) -> Floats:
    """State probabilities (units, days, states) of kind `which`, suspects solved with their rivals.

    Those who stay unsuspected even at worst keep their belief.
    """
    focal = kinds[which]
    rivals = rivals_of(kinds, events, bounds, which)
    closest = rivals.closest()
    belief = beliefs.belief[which].copy()
    worst = bounds[which].max(axis=1) > WORTH_IT
    order = np.argsort(focal.unit, kind="stable")
    edges = np.searchsorted(focal.unit[order], np.arange(len(focal.success_loglik) + 1))
    axes = range(len(rivals.kinds))
    many = np.minimum(np.diff(edges), focal.success_loglik.shape[1])
    for part in [*combinations(axes, 2), *((axis,) for axis in axes)]:
        wanted = np.isin(axes, part)[:, None]
        group = np.flatnonzero((closest == wanted).all(axis=0) & worst)
        size = np.prod([len(kinds[rivals.kinds[axis]].model.loud) for axis in part])
        at_once = max(int(WORKING_NUMBERS // (size * focal.model.states)), 1)
        cuts = np.flatnonzero(np.diff(np.cumsum(many[group]) // at_once)) + 1
        for units in np.split(group, cuts):
            if units.size:
                touched = np.concatenate([order[edges[u] : edges[u + 1]] for u in units])
                with_ = [(rivals.kinds[axis], rivals.unit[axis, units]) for axis in part]
                belief[units] = _together(kinds, which, events, beliefs, units, touched, with_)
    return belief


def _initial(kind: Kind, units: Ints) -> Floats:
    initial = kind.model.initial
    return np.asarray(initial[units] if initial.ndim > 1 else initial)


def _together(
    kinds: tuple[Kind, ...],
    which: int,
    events: Events,
    beliefs: Beliefs,
    units: Ints,
    touched: Ints,
    rivals: list[tuple[int, Ints]],
) -> Floats:
    """State probabilities of some suspects (units, days, states), solved with their rivals.

    `touched`: the events of the suspects; `rivals`: kind, and the rival of each suspect.
    """
    focal = kinds[which]
    place = np.full(len(focal.success_loglik), -1, dtype=np.int64)
    place[units] = np.arange(len(units))
    unit = place[focal.unit[touched]]
    slots = Slots.of(unit, events.day[touched], focal.success_loglik.shape[1])
    apart = np.ones(len(touched))
    for j in set(range(len(kinds))) - {which, *(j for j, _ in rivals)}:
        apart *= beliefs.escapes[j][touched]
    shares = [kinds[j].unit[touched] == rival[unit] for j, rival in rivals]
    loglik, initial = focal.success_loglik[units], _initial(focal, units)
    chains = [EventChains.of(loglik, initial, focal.model.transition, slots)]
    for (j, rival), shared in zip(rivals, shares, strict=True):
        alone = _without(
            kinds[j], events, beliefs.messages[j], rival, touched[shared], unit[shared]
        )
        start, transition = _initial(kinds[j], rival), kinds[j].model.transition
        chains.append(EventChains.of(alone, start, transition, slots))
        apart[~shared] *= beliefs.escapes[j][touched[~shared]]
    tied = chains[0].own
    for chain in chains[1:]:
        tied = tied[..., None] + chain.own.reshape(len(tied), *(1,) * (tied.ndim - 1), -1)
    slot = np.empty(len(touched), dtype=np.int64)
    slot[slots.order] = np.repeat(np.arange(len(tied)), np.diff(slots.begins))
    together = np.stack(shares)
    for sharing in product((False, True), repeat=len(rivals)):
        at = np.flatnonzero((together == np.array(sharing)[:, None]).all(axis=0))
        if at.size:
            theirs = [
                kinds[j].escape[touched[at]] for (j, _), s in zip(rivals, sharing, strict=True) if s
            ]
            logs = _shared(focal, events, touched[at], apart[at], theirs)
            axes = [size if s else 1 for size, s in zip(tied.shape[2:], sharing, strict=True)]
            _add_by_slot(tied, slot[at], logs.reshape(*logs.shape[:2], *axes))
    return smooth_tied(loglik, initial, focal.model.transition, chains, tied)


def _shared(focal: Kind, events: Events, at: Ints, apart: Floats, theirs: list[Floats]) -> Floats:
    """Log-likelihood of some events (events, focal states, states of the rivals that share them ...).

    `apart`: chance that nobody else bites; `theirs`: escapes of those rivals.
    """
    extra = (1,) * len(theirs)
    escape = ((1.0 - events.base[at]) * apart)[:, None] * focal.escape[at]
    escape = escape.reshape(len(at), -1, *extra)
    for axis, their in enumerate(theirs):
        shape = [1] * (1 + len(theirs))
        shape[1 + axis] = their.shape[1]
        escape = escape * their.reshape(len(at), *shape)
    logs = np.log(np.subtract(1.0, escape, out=escape), out=escape)
    logs *= focal.trust[at].reshape(-1, 1, *extra)
    return np.asarray(logs)


def _add_by_slot(joint: Floats, slot: Ints, logs: Floats) -> None:
    """Add to `joint` (slots, states ...) the sum of `logs` (events, states ...) of each slot."""
    order = np.argsort(slot, kind="stable")
    first = np.flatnonzero(np.append(True, slot[order][1:] != slot[order][:-1]))
    joint[slot[order][first]] += np.add.reduceat(logs[order], first, axis=0)


def _without(
    kind: Kind, events: Events, messages: Floats, rival: Ints, shared: Ints, owner: Ints
) -> Floats:
    """Evidence of each suspect's rival (suspects, days, states) but for the events they share."""
    wanted, where = np.unique(rival, return_inverse=True)
    place = np.full(len(kind.success_loglik), -1, dtype=np.int64)
    place[wanted] = np.arange(len(wanted))
    rows = np.flatnonzero(place[kind.unit] >= 0)
    part = Kind(
        kind.name,
        kind.success_loglik[wanted],
        place[kind.unit[rows]],
        kind.escape[rows],
        kind.trust[rows],
        kind.model,
    )
    alone = told_by_day(part, events.only(rows), messages[rows])[where]
    np.subtract.at(alone, (owner, events.day[shared]), messages[shared])
    return np.asarray(alone)
