"""Could the data tell this unit from its partners?  A question about the design (who met whom), not
about the outcome.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.attribute.baseline.laplace import Floats, Ints
from pipeline.attribute.evidence import Evidence
from pipeline.settings.attribute import AttributeSettings, StatePrior

WINDOW_DAYS = 21
"""Days before the report's end in which partners must have served others: the assumed mean length of an EVSE fault."""
MIDDLING_LEVEL = 0.6
"""Failure probability of the fault that is imagined for partners: neither hard nor rare."""


@dataclass(frozen=True)
class Power:
    """Of each unit.

    Bits (log2 odds the data could reach for it if it failed everywhere), attempts and partners in
    the window.
    """

    bits: Floats
    attempts: Floats
    partners: Ints


def power(
    evidence: Evidence,
    unit: Ints,
    other: Ints,
    sizes: tuple[int, int],
    priors: tuple[StatePrior, StatePrior],
    held: Floats,
    typical: float,
) -> Power:
    """Design-based power to separate each unit (say vehicles) from the others it met (say EVSEs).

    Were the unit at fault it would fail everywhere; the rival story is that every partner it met is
    at fault, each as likely as its prior and its attempts with *third* parties allow.  The lesser
    of that and of the odds against mere chance counts.

    `held` (attempts,), read where an attempt failed: chance that nothing but the partner would have
    failed it.  A third party's retry, or its failure where all fail often or where it is at fault
    itself, says little of the partner.  `typical` is a usual unit's chance of failure.
    """
    recent = evidence.day >= evidence.days - WINDOW_DAYS
    unit, other = unit[recent], other[recent]
    failed, weight, held = evidence.failed[recent], evidence.weight[recent], held[recent]
    spared = 1.0 - MIDDLING_LEVEL
    vote = weight * np.where(
        failed > 0, np.log2((1.0 - held * spared) / (1.0 - held)), np.log2(spared)
    )
    pair, where = np.unique(unit * sizes[1] + other, return_inverse=True)
    mine, theirs = pair // sizes[1], pair % sizes[1]
    own = np.bincount(where, vote, len(pair))
    all_votes = np.bincount(other, vote, sizes[1])
    odds = np.log2(priors[1].prevalence) + all_votes[theirs] - own
    rival = np.bincount(mine, np.minimum(odds, 0.0), sizes[0])
    attempts = np.bincount(unit, weight, sizes[0])
    prior = np.log2(priors[0].prevalence)
    against_chance = prior + attempts * np.log2(priors[0].levels[0] / typical)
    bits = np.minimum(prior - rival, against_chance)
    return Power(
        bits, np.asarray(attempts, dtype=np.float64), np.bincount(mine, minlength=sizes[0])
    )


def enough_to_clear(attempts: Floats, settings: AttributeSettings) -> Floats:
    """True where a state that fails half the attempts would have shown itself with the wanted
    chance.
    """
    return np.asarray(1.0 - 0.5**attempts >= settings.thin_failures_power)
