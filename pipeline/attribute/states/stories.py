"""Two stories of the same failures, and the likelier one of each piece.

Messages come to rest at one of several stories.  Where all vehicles of a model fail half the time at
one EVSE model, the story that begins with vehicles ends with each of them at fault; the one that
begins with pairings ends with one pairing, many times likelier.  Both are told, and where they differ
the one with the greater evidence stands: Bethe's approximation of it, exact where units and events
make a tree (Yedidia, Freeman & Weiss 2005, cited from memory).
"""

from __future__ import annotations

from functools import partial

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from pipeline.attribute.states.exchange import LATE, fresh_story, pass_messages
from pipeline.attribute.states.messages import Beliefs, Events, Kind, told_of
from pipeline.attribute.states.model import Bools, Floats, Ints
from pipeline.attribute.states.parts import Passed, suspected_parts
from pipeline.attribute.states.smoothing import log_evidence, smooth
from pipeline.core.side_by_side import side_by_side

DIFFERS = 0.1
"""Stories differ about a unit where its probability of a fault differs by more on any day."""
SEVERAL = 2
"""Vehicles that one pairing may stand for at least; of one alone no story of the pairing is told."""
OTHER_WAY = ("vehicle", "place", "hour")


def best_story(kinds: tuple[Kind, ...], events: Events, *, passes: int, damping: float) -> Beliefs:
    """Messages at rest in the likelier story."""
    parts = suspected_parts(kinds, events)
    first, other = side_by_side(
        partial(fresh_story, parts, events, passes=passes, damping=damping), (LATE, OTHER_WAY)
    )
    if not _may_be_one(kinds, first):
        return first.beliefs()
    piece, number = _pieces(kinds, first, other)
    gain = _evidence(kinds, events, other, piece, number) - _evidence(
        kinds, events, first, piece, number
    )
    better = np.append(gain > 0.0, [False])  # what no piece touches stays as it is
    if not better.any():
        return first.beliefs()
    at = better[_piece_of_events(kinds, piece)]
    start = [
        np.where(at[part.at, None], theirs, mine)
        for part, mine, theirs in zip(parts, first.messages, other.messages, strict=True)
    ]
    return pass_messages(parts, events, start, passes=passes, damping=damping).beliefs()


def _fault(kind: Kind, belief: Floats) -> Floats:
    """Highest probability of a fault state on any day (units,)."""
    return np.asarray((belief @ kind.model.fault_mask).max(axis=1, initial=0.0))


def _may_be_one(kinds: tuple[Kind, ...], told: Passed) -> bool:
    """True where several vehicles believed at fault share a suspected pairing."""
    place = {kind.name: k for k, kind in enumerate(kinds)}
    vehicle, pairing = kinds[place["vehicle"]], kinds[place["pairing"]]
    suspects = len(vehicle.success_loglik) - 1
    real = pairing.unit < len(pairing.success_loglik) - 1
    rows = np.flatnonzero((vehicle.unit < suspects) & real)
    pairs = np.unique(np.stack([pairing.unit[rows], vehicle.unit[rows]]), axis=1)
    shared = pairs[:, np.bincount(pairs[0])[pairs[0]] >= SEVERAL]
    asked, mine = np.unique(shared[1], return_inverse=True)
    belief = told.belief(place["vehicle"], asked)
    blamed = _fault(vehicle, belief) > 0.5
    return bool((np.bincount(shared[0], blamed[mine]) >= SEVERAL).any())


def _differ(kind: Kind, which: int, first: Passed, other: Passed) -> Bools:
    """True for units whose probability of a fault differs by more than `DIFFERS` on any day (units,).

    Where what the two tell a unit differs by no more than D, the odds differ by at most exp(2 D), a probability by at most
    tanh(D / 2): only the others are looked at.
    """
    size = len(kind.success_loglik)
    apart = np.abs(first.messages[which] - other.messages[which]).max(axis=1, initial=0.0)
    most = np.bincount(first.parts[which].kind.unit, apart, size)
    differ = np.tanh(most / 2.0) > DIFFERS
    units = np.flatnonzero(differ)
    one, two = (told.belief(which, units) @ kind.model.fault_mask for told in (first, other))
    differ[units] = np.abs(one - two).max(axis=1, initial=0.0) > DIFFERS
    return np.asarray(differ)


def _pieces(kinds: tuple[Kind, ...], first: Passed, other: Passed) -> tuple[tuple[Ints, ...], int]:
    """Piece of each unit, by kind, and how many; units the stories agree about are in none (-1).

    Units that differ and meet at an event are of one piece.
    """
    differ = [_differ(kind, k, first, other) for k, kind in enumerate(kinds)]
    offsets = np.cumsum([0, *(len(flags) for flags in differ)])
    node = [kind.unit + offset for kind, offset in zip(kinds, offsets, strict=False)]
    linked = [flags[kind.unit] for kind, flags in zip(kinds, differ, strict=True)]
    ends: list[tuple[Ints, Ints]] = []
    for a in range(len(kinds)):
        for b in range(a):
            both = linked[a] & linked[b]
            ends.append((node[a][both], node[b][both]))
    here, there = (np.concatenate(side) for side in zip(*ends, strict=True))
    size = int(offsets[-1])
    graph = coo_array((np.ones(len(here), dtype=bool), (here, there)), shape=(size, size))
    label = connected_components(graph, directed=False)[1]
    flags = np.concatenate(differ)
    names, inverse = np.unique(label[flags], return_inverse=True)
    piece = np.full(size, -1, dtype=np.int64)
    piece[flags] = inverse
    return tuple(np.split(piece, offsets[1:-1])), len(names)


def _piece_of_events(kinds: tuple[Kind, ...], piece: tuple[Ints, ...]) -> Ints:
    """Piece of each event, -1 where none of its units is in one."""
    touched = [mine[kind.unit] for kind, mine in zip(kinds, piece, strict=True)]
    return np.asarray(np.maximum.reduce(touched))


def _evidence(
    kinds: tuple[Kind, ...], events: Events, told: Passed, piece: tuple[Ints, ...], number: int
) -> Floats:
    """Bethe's log evidence of each piece (pieces,): its units, its events, less what both count."""
    total = np.zeros(number)
    trust = np.ones(len(events.day))
    for k, (kind, mine) in enumerate(zip(kinds, piece, strict=True)):
        units = np.flatnonzero(mine >= 0)
        if not units.size:
            continue
        messages, place = told.whole(k), np.cumsum(mine >= 0) - 1
        chains = told_of(kind, events, messages, units)
        np.add.at(total, mine[units], log_evidence(*chains, kind.model.transition))
        at = np.flatnonzero(mine[kind.unit] >= 0)
        belief = smooth(*chains, kind.model.transition).belief
        own = belief[place[kind.unit[at]], events.day[at]] * np.exp(-messages[at])
        np.add.at(total, mine[kind.unit[at]], np.log(own.sum(axis=1)))
        trust[at] = np.minimum(trust[at], kind.trust[at])
    of_event = _piece_of_events(kinds, piece)
    at = np.flatnonzero(of_event >= 0)
    escape = np.prod([escapes[at] for escapes in told.escapes], axis=0)
    failed = 1.0 - (1.0 - events.base[at]) * escape
    np.add.at(total, of_event[at], trust[at] * np.log(failed))
    return total
