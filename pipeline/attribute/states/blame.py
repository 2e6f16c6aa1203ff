"""Who failed each attempt.

Shares of vehicle, EVSE, pairing and chance, given the states of all units.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.attribute.baseline.fit import Chance
from pipeline.attribute.baseline.laplace import Floats, Ints
from pipeline.attribute.evidence import Evidence
from pipeline.attribute.states.messages import Failures, Kind

NODES, SHARES = (
    0.5 * (part + shift)
    for part, shift in zip(np.polynomial.legendre.leggauss(10), (1.0, 0.0), strict=True)
)
"""Gauss-Legendre nodes and weights on 0 to 1: exact to 1e-9 for hazards up to 10, and all causes at their worst reach 11."""
CHUNK = 20_000
"""Failures weighed at a time; bounds the working memory."""
INHERIT = 3
"""Turns in which blame is passed down a row of retries; three tries in a row are rare."""
SETTLE = 8
"""Turns in which each unit's belief without the failure itself is settled; more change no share by more than 0.001 in trials."""


@dataclass(frozen=True)
class Shares:
    """`blame` (4, failures) for vehicle, EVSE, pairing, other, summing to 1; `escapes` (kinds,
    failures).

    Each kind's mean escape without it.
    """

    blame: Floats
    escapes: Floats


def shares(
    kinds: tuple[Kind, ...],
    failures: Failures,
    beliefs: tuple[Floats, ...],
    evidence: Evidence,
    chance: Chance,
) -> Shares:
    """Who failed each attempt.

    Causes race: with escape probability 1 - q a cause has hazard -log(1 - q), and the first to bite
    is to blame. A retry inherits a passing cause only so far as its predecessor was due to chance.
    """
    blame = np.zeros((4, len(failures.day)))
    position = np.full(len(evidence.failed), -1, dtype=np.int64)
    position[failures.row] = np.arange(len(failures.row))
    previous = np.where(
        evidence.previous[failures.row] >= 0, position[evidence.previous[failures.row]], -1
    )
    base, escapes = failures.base, np.zeros((len(kinds), len(failures.day)))
    masks = [kind.model.fault_mask for kind in kinds]
    open_ = np.arange(len(base))
    for _ in range(INHERIT):
        for low in range(0, len(open_), CHUNK):
            part = open_[low : low + CHUNK]
            cavities = _cavities(kinds, failures, beliefs, part)
            escapes[:, part] = [
                _mean(c, kind.escape[part]) for c, kind in zip(cavities, kinds, strict=True)
            ]
            blame[:, part] = _race(
                cavities, [-np.log(k.escape[part]) for k in kinds], masks, base[part]
            )
        open_ = np.flatnonzero(previous >= 0)
        inherited = np.where(previous >= 0, blame[3][previous], 1.0)
        base = chance.plain + (failures.base - chance.plain) * inherited
    return Shares(blame, escapes)


def _mean(weights: Floats, values: Floats) -> Floats:
    """Row by row, the mean of values (rows, states) under weights that sum to 1."""
    return np.asarray(np.einsum("ij,ij->i", weights, values))


def _cavities(
    kinds: tuple[Kind, ...], failures: Failures, beliefs: tuple[Floats, ...], part: Ints
) -> list[Floats]:
    """State probabilities of the units of some failures, without that failure's own evidence
    (failures, states).
    """
    own = [
        belief[kind.unit[part], failures.day[part]]
        for kind, belief in zip(kinds, beliefs, strict=True)
    ]
    survives = [kind.escape[part] for kind in kinds]
    without = own
    for _ in range(SETTLE):
        escapes = [_mean(c, escape) for c, escape in zip(without, survives, strict=True)]
        without = []
        for i, kind in enumerate(kinds):
            others = np.prod([e for j, e in enumerate(escapes) if j != i], axis=0)
            fail = 1.0 - ((1.0 - failures.base[part]) * others)[:, None] * survives[i]
            cavity = own[i] * (fail[:, :1] / fail) ** kind.trust[part, None]
            without.append(cavity / cavity.sum(axis=1, keepdims=True))
    return without


def _race(cavities: list[Floats], hazards: list[Floats], on: list[Floats], base: Floats) -> Floats:
    """Shares of vehicle, EVSE, pairing and chance in failures (4, failures); a habit's hazard
    counts as chance.

    Given the states, a cause of hazard h out of H in all is to blame with probability (1 - exp(-H))
    h / H, which is h times the integral of exp(-s H) over s from 0 to 1.  Under the integral the
    kinds are independent, so no joint states are needed.
    """
    blame = np.zeros((4, len(base)))
    chance = -np.log1p(-base)
    faults = [hazard * mask for hazard, mask in zip(hazards, on, strict=True)]
    for node, share in zip(NODES, SHARES, strict=True):
        thinned = [c * np.exp(-node * hazard) for c, hazard in zip(cavities, hazards, strict=True)]
        mean = [t.sum(axis=1) for t in thinned]
        held = share * np.exp(-node * chance)
        blame[3] += held * chance * mean[0] * mean[1] * mean[2]
        for i, t in enumerate(thinned):
            rest = held * np.prod([m for j, m in enumerate(mean) if j != i], axis=0)
            fault = np.einsum("ij,ij->i", t, faults[i])
            blame[i] += rest * fault
            blame[3] += rest * (np.einsum("ij,ij->i", t, hazards[i]) - fault)
    return np.asarray(blame / blame.sum(axis=0))


def chance_bit(kinds: tuple[Kind, ...], failures: Failures, beliefs: tuple[Floats, ...]) -> Floats:
    """Probability that chance bit at each failure, whether or not a fault or a habit did too
    (failures,).

    It is P(bit) / P(failure), both without that failure's own evidence.
    """
    bit = np.zeros(len(failures.day))
    for low in range(0, len(bit), CHUNK):
        part = np.arange(low, min(low + CHUNK, len(bit)))
        units = list(zip(_cavities(kinds, failures, beliefs, part), kinds, strict=True))
        through = np.prod([_mean(c, k.escape[part]) for c, k in units], axis=0)
        base = failures.base[part]
        bit[part] = base / (1.0 - (1.0 - base) * through)
    return bit


def failed_rows(evidence: Evidence) -> Ints:
    """Rows of the evidence that failed."""
    return np.flatnonzero(evidence.failed > 0)
