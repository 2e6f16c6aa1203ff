"""Two stories of the same failures, and the likelier one of each piece.

Messages come to rest at one of several stories.  Where all vehicles of a model fail half the time at
one EVSE model, the story that begins with vehicles ends with each of them at fault; the one that
begins with pairings ends with one pairing, many times likelier.  Both are told, and where they differ
the one with the greater evidence stands: Bethe's approximation of it, exact where units and events
make a tree (Yedidia, Freeman & Weiss 2005, cited from memory).
"""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from pipeline.attribute.states.exchange import exchange, suspected_parts
from pipeline.attribute.states.messages import Beliefs, Events, Kind, told_of
from pipeline.attribute.states.model import Floats, Ints
from pipeline.attribute.states.smoothing import log_evidence

DIFFERS = 0.1
"""Stories differ about a unit where its probability of a fault differs by more on any day."""
SEVERAL = 2
"""Vehicles that one pairing may stand for at least; of one alone no story of the pairing is told."""
OTHER_WAY = ("vehicle", "place", "hour")


def best_story(kinds: tuple[Kind, ...], events: Events, *, passes: int, damping: float) -> Beliefs:
    """Messages at rest in the likelier story."""
    parts = suspected_parts(kinds, events)
    first = exchange(kinds, events, passes=passes, damping=damping, parts=parts)
    if not _may_be_one(kinds, first):
        return first
    other = exchange(kinds, events, passes=passes, damping=damping, late=OTHER_WAY, parts=parts)
    piece, number = _pieces(kinds, first, other)
    gain = _evidence(kinds, events, other, piece, number) - _evidence(
        kinds, events, first, piece, number
    )
    better = np.append(gain > 0.0, [False])  # what no piece touches stays as it is
    if not better.any():
        return first
    at = better[_piece_of_events(kinds, piece)]
    start = tuple(
        np.where(at[:, None], theirs, mine)
        for theirs, mine in zip(other.messages, first.messages, strict=True)
    )
    return exchange(kinds, events, passes=passes, damping=damping, start=start, parts=parts)


def _fault(kind: Kind, belief: Floats) -> Floats:
    """Probability of a fault state (units, days); the stand-in for the unsuspected, last, has none."""
    fault = belief @ kind.model.fault_mask
    fault[-1:] = 0.0
    return np.asarray(fault)


def _may_be_one(kinds: tuple[Kind, ...], told: Beliefs) -> bool:
    """True where several vehicles believed at fault share a suspected pairing."""
    of_name = {kind.name: (kind, belief) for kind, belief in zip(kinds, told.belief, strict=True)}
    (vehicle, believed), (pairing, _) = of_name["vehicle"], of_name["pairing"]
    blamed = _fault(vehicle, believed).max(axis=1, initial=0.0) > 0.5
    real = pairing.unit < len(pairing.success_loglik) - 1
    rows = np.flatnonzero(blamed[vehicle.unit] & real)
    pairs = np.unique(np.stack([pairing.unit[rows], vehicle.unit[rows]]), axis=1)
    return bool((np.bincount(pairs[0]) >= SEVERAL).any()) if rows.size else False


def _pieces(
    kinds: tuple[Kind, ...], first: Beliefs, other: Beliefs
) -> tuple[tuple[Ints, ...], int]:
    """Piece of each unit, by kind, and how many; units the stories agree about are in none (-1).

    Units that differ and meet at an event are of one piece.
    """
    differ = [
        np.abs(_fault(kind, one) - _fault(kind, two)).max(axis=1, initial=0.0) > DIFFERS
        for kind, one, two in zip(kinds, first.belief, other.belief, strict=True)
    ]
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
    kinds: tuple[Kind, ...], events: Events, told: Beliefs, piece: tuple[Ints, ...], number: int
) -> Floats:
    """Bethe's log evidence of each piece (pieces,): its units, its events, less what both count."""
    total = np.zeros(number)
    trust = np.ones(len(events.day))
    for kind, mine, belief, messages in zip(kinds, piece, told.belief, told.messages, strict=True):
        units = np.flatnonzero(mine >= 0)
        if not units.size:
            continue
        chains = told_of(kind, events, messages, units)
        np.add.at(total, mine[units], log_evidence(*chains, kind.model.transition))
        at = np.flatnonzero(mine[kind.unit] >= 0)
        own = belief[kind.unit[at], events.day[at]] * np.exp(-messages[at])
        np.add.at(total, mine[kind.unit[at]], np.log(own.sum(axis=1)))
        trust[at] = np.minimum(trust[at], kind.trust[at])
    of_event = _piece_of_events(kinds, piece)
    at = np.flatnonzero(of_event >= 0)
    escape = np.prod([escapes[at] for escapes in told.escapes], axis=0)
    failed = 1.0 - (1.0 - events.base[at]) * escape
    np.add.at(total, of_event[at], trust[at] * np.log(failed))
    return total
