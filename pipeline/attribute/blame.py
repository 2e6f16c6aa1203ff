"""Who failed each attempt: shares of vehicle, EVSE, pairing and chance, given the states of all units."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.attribute.baseline import Chance
from pipeline.attribute.evidence import Evidence
from pipeline.attribute.laplace import Floats, Ints
from pipeline.attribute.states import Failures, Kind

CHUNK = 20_000
"""Failures weighed at a time; bounds the working memory."""
INHERIT = 3
"""Turns in which blame is passed down a row of retries; three tries in a row are rare."""
SETTLE = 4
"""Turns in which each unit's belief without the failure itself is settled; more change shares by less than 0.001 in trials."""


@dataclass(frozen=True)
class Shares:
    """`blame` (4, failures) for vehicle, EVSE, pairing, other, summing to 1; `escapes` (kinds, failures).

    Each kind's mean escape without it.
    """

    blame: Floats
    escapes: Floats


def shares(
    kinds: tuple[Kind, ...], failures: Failures, beliefs: tuple[Floats, ...], evidence: Evidence, chance: Chance
) -> Shares:
    """Who failed each attempt.

    Causes race: with escape probability 1 - q a cause has hazard -log(1 - q), and the first to bite is to blame.
    A retry inherits a passing cause only so far as its predecessor was due to chance.
    """
    blame = np.zeros((4, len(failures.day)))
    position = np.full(len(evidence.failed), -1, dtype=np.int64)
    position[failures.row] = np.arange(len(failures.row))
    previous = np.where(evidence.previous[failures.row] >= 0, position[evidence.previous[failures.row]], -1)
    cavities = _cavities(kinds, failures, beliefs)
    base = failures.base
    masks = [kind.habits.on for kind in kinds]
    open_ = np.arange(len(base))
    for _ in range(INHERIT):
        for low in range(0, len(open_), CHUNK):
            part = open_[low : low + CHUNK]
            bases = (base[part], failures.base[part])
            blame[:, part] = _race([c[part] for c in cavities], [k.escape[part] for k in kinds], masks, bases)
        open_ = np.flatnonzero(previous >= 0)
        inherited = np.where(previous >= 0, blame[3][previous], 1.0)
        base = chance.plain + (failures.base - chance.plain) * inherited
    escapes = np.stack([(c * kind.escape).sum(axis=1) for c, kind in zip(cavities, kinds, strict=True)])
    return Shares(blame, escapes)


def _cavities(kinds: tuple[Kind, ...], failures: Failures, beliefs: tuple[Floats, ...]) -> list[Floats]:
    """State probabilities of each failure's units without that failure's own evidence (failures, states)."""
    own = [belief[kind.unit, failures.day] for kind, belief in zip(kinds, beliefs, strict=True)]
    without = own
    for _ in range(SETTLE):
        escapes = [(c * kind.escape).sum(axis=1) for c, kind in zip(without, kinds, strict=True)]
        without = []
        for i, kind in enumerate(kinds):
            others = np.prod([e for j, e in enumerate(escapes) if j != i], axis=0)
            fail = 1.0 - ((1.0 - failures.base) * others)[:, None] * kind.escape
            cavity = own[i] * (fail[:, :1] / fail) ** kind.trust[:, None]
            without.append(cavity / cavity.sum(axis=1, keepdims=True))
    return without


def _race(cavities: list[Floats], escapes: list[Floats], on: list[Floats], bases: tuple[Floats, Floats]) -> Floats:
    """`bases`: chance with what is left of a passing cause, and as it entered the evidence.

    A habit's hazard counts as chance.
    """
    base, evidence_base = bases
    vehicle, evse, pairing = (np.expand_dims(c, axis=[a for a in (1, 2, 3) if a != i + 1]) for i, c in enumerate(cavities))
    ev, ee, ep = (np.expand_dims(c, axis=[a for a in (1, 2, 3) if a != i + 1]) for i, c in enumerate(escapes))
    held = (1.0 - evidence_base)[:, None, None, None]
    fail = 1.0 - held * ev * ee * ep
    weight = vehicle * evse * pairing * fail
    weight /= weight.sum(axis=(1, 2, 3), keepdims=True)
    kinds = [-np.log(ev), -np.log(ee), -np.log(ep)]
    faults = [
        hazard * np.expand_dims(mask, axis=[a for a in range(4) if a != i + 1])
        for i, (hazard, mask) in enumerate(zip(kinds, on, strict=True))
    ]
    chance = -np.log(1.0 - base)[:, None, None, None] + sum(kinds) - sum(faults)
    rate = weight / (sum(faults) + chance)
    blame = np.stack([(rate * hazard).sum(axis=(1, 2, 3)) for hazard in [*faults, chance]])
    return np.asarray(blame / blame.sum(axis=0))


def chance_bit(kinds: tuple[Kind, ...], failures: Failures, beliefs: tuple[Floats, ...]) -> Floats:
    """Probability that chance, or a habit, bit at each failure, whether or not a fault did too (failures,).

    It is P(bit) / P(failure), both without that failure's own evidence.
    """
    cavities = _cavities(kinds, failures, beliefs)
    through = np.prod([(c * k.escape).sum(axis=1) for c, k in zip(cavities, kinds, strict=True)], axis=0)
    spared = np.prod([1.0 - (c * (1.0 - k.escape)) @ (1.0 - k.habits.on) for c, k in zip(cavities, kinds, strict=True)], axis=0)
    return np.asarray(np.minimum((1.0 - (1.0 - failures.base) * spared) / (1.0 - (1.0 - failures.base) * through), 1.0))


def failed_rows(evidence: Evidence) -> Ints:
    """Rows of the evidence that failed."""
    return np.flatnonzero(evidence.failed > 0)
