"""Who is to blame for each attempt that failed or was silent, given the states of all units.

Shares of vehicle, EVSE, pairing and chance; what a passing event of the site, or a driver's habit,
explains is chance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.attribute.baseline.fit import Chance
from pipeline.attribute.evidence import Evidence
from pipeline.attribute.states.kinds import AT_FAULT
from pipeline.attribute.states.messages import Events, Kind
from pipeline.attribute.states.model import Floats, Ints

NODES, SHARES = (
    0.5 * (part + shift)
    for part, shift in zip(np.polynomial.legendre.leggauss(10), (1.0, 0.0), strict=True)
)
"""Gauss-Legendre nodes and weights on 0 to 1: exact to 1e-9 for hazards up to 10; a few causes at their worst reach 11."""
CHUNK = 20_000
"""Events weighed at a time; bounds the working memory."""
INHERIT = 3
"""Turns in which blame is passed down a row of retries; three tries in a row are rare."""
SETTLE = 8
"""Turns in which each unit's belief without the event itself is settled; more change no share by more than 0.001 in trials."""
SETTLED = 1e-12
"""An event whose mean escapes move less than this in a turn is settled."""


@dataclass(frozen=True)
class Shares:
    """`blame` (4, events) for vehicle, EVSE, pairing, other, summing to 1.

    `passing` (events,): the part of other that a passing event of the site explains; `escapes`
    (kinds, events): each kind's mean escape without it.
    """

    blame: Floats
    passing: Floats
    escapes: Floats


def shares(
    kinds: tuple[Kind, ...],
    events: Events,
    beliefs: tuple[Floats, ...],
    evidence: Evidence,
    chance: Chance,
) -> Shares:
    """Who is to blame for each event.

    Causes race: with escape probability 1 - q a cause has hazard -log(1 - q), and the first to bite
    is to blame. A retry inherits a passing cause only so far as its predecessor was due to chance.
    """
    blame = np.zeros((AT_FAULT + 2, len(events.day)))
    position = np.full(len(evidence.failed), -1, dtype=np.int64)
    position[events.row] = np.arange(len(events.row))
    before = evidence.previous[events.row]
    previous = np.where(before >= 0, position[before], -1)
    base, escapes = events.base.copy(), np.zeros((len(kinds), len(events.day)))
    open_ = np.arange(len(base))
    for _ in range(INHERIT):
        for low in range(0, len(open_), CHUNK):
            part = open_[low : low + CHUNK]
            cavities = _cavities(kinds, events, beliefs, part)
            escapes[:, part] = [
                mean(c, kind.escape[part]) for c, kind in zip(cavities, kinds, strict=True)
            ]
            blame[:, part] = _race(kinds, cavities, part, base[part])
        open_ = np.flatnonzero(previous >= 0)
        if not open_.size:
            break
        inherited = blame[AT_FAULT, previous[open_]]
        base[open_] = chance.plain[open_] + (events.base - chance.plain)[open_] * inherited
    return Shares(blame[: AT_FAULT + 1], blame[AT_FAULT + 1], escapes)


def mean(weights: Floats, values: Floats) -> Floats:
    """Row by row, the mean of values (rows, states) under weights that sum to 1."""
    return np.asarray(np.einsum("ij,ij->i", weights, values))


def _cavities(
    kinds: tuple[Kind, ...], events: Events, beliefs: tuple[Floats, ...], part: Ints
) -> list[Floats]:
    """State probabilities of the units of some events, without the event's own evidence.

    By kind (events, states).
    """
    own = [
        belief[kind.unit[part], events.day[part]]
        for kind, belief in zip(kinds, beliefs, strict=True)
    ]
    without = [belief.copy() for belief in own]
    survives = [kind.escape[part] for kind in kinds]
    escapes = np.stack([mean(c, e) for c, e in zip(own, survives, strict=True)])
    free = 1.0 - events.base[part]
    open_ = np.arange(len(part))
    for _ in range(SETTLE):
        before = escapes[:, open_]
        others = np.prod(before, axis=0) * free[open_] / before
        for i, kind in enumerate(kinds):
            survive = survives[i][open_]
            fail = 1.0 - others[i][:, None] * survive
            ratio = fail[:, :1] / fail
            cavity = own[i][open_] * np.power(ratio, kind.trust[part[open_], None], out=ratio)
            cavity /= (cavity @ np.ones(cavity.shape[1]))[:, None]
            without[i][open_] = cavity
            escapes[i, open_] = mean(cavity, survive)
        open_ = open_[np.abs(escapes[:, open_] - before).max(axis=0) > SETTLED]
        if not open_.size:
            break
    return without


def _race(kinds: tuple[Kind, ...], cavities: list[Floats], part: Ints, base: Floats) -> Floats:
    """Shares (vehicle, EVSE, pairing, other, thereof passing; events); a chronic rate's hazard is chance's.

    Given the states, a cause of hazard h out of H in all is to blame with probability (1 - exp(-H))
    h / H, which is h times the integral of exp(-s H) over s from 0 to 1.  Under the integral the
    kinds are independent, so no joint states are needed.
    """
    blame = np.zeros((AT_FAULT + 2, len(base)))
    chance = -np.log1p(-base)
    hazards = [-np.log(kind.escape[part]) for kind in kinds]
    for node, share in zip(NODES, SHARES, strict=True):
        thinned = [c * np.exp(-node * hazard) for c, hazard in zip(cavities, hazards, strict=True)]
        mean = [t.sum(axis=1) for t in thinned]
        through = np.prod(mean, axis=0)
        held = share * np.exp(-node * chance)
        blame[AT_FAULT] += held * chance * through
        for i, (kind, t) in enumerate(zip(kinds, thinned, strict=True)):
            rest = held * through / mean[i]
            whole = np.einsum("ij,ij->i", t, hazards[i])
            fault = np.einsum("ij,ij,j->i", t, hazards[i], kind.model.fault_mask)
            if i < AT_FAULT:
                blame[i] += rest * fault
                blame[AT_FAULT] += rest * (whole - fault)
            else:
                blame[AT_FAULT] += rest * whole
                blame[AT_FAULT + 1] += rest * fault
    return np.asarray(blame / blame[: AT_FAULT + 1].sum(axis=0))


def chance_bit(kinds: tuple[Kind, ...], events: Events, beliefs: tuple[Floats, ...]) -> Floats:
    """Probability that chance bit at each event, whether or not a fault did too (events,).

    It is P(bit) / P(event), both without that event's own evidence.
    """
    bit = np.zeros(len(events.day))
    for low in range(0, len(bit), CHUNK):
        part = np.arange(low, min(low + CHUNK, len(bit)))
        cavities = _cavities(kinds, events, beliefs, part)
        through = np.prod(
            [mean(c, k.escape[part]) for c, k in zip(cavities, kinds, strict=True)], axis=0
        )
        base = events.base[part]
        bit[part] = base / (1.0 - (1.0 - base) * through)
    return bit
