"""What each attempt says of a unit, and what the answer would be with some more or some fewer.

All others as judged.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.attribute.baseline.laplace import Floats
from pipeline.attribute.states.messages import level_escape
from pipeline.attribute.states.smoothing import smooth
from pipeline.attribute.states.solve import Solution
from pipeline.settings.attribute import AttributeSettings

MOST_REMOVED = 20
"""Failures taken away at most when asking what would clear a unit."""
TYPICAL_CHANCE = 0.03
"""Chance of failure of the plug-in that is imagined."""


def log_ratios(solution: Solution, settings: AttributeSettings, kind: int) -> Floats:
    """Log likelihood of each attempt by the unit's state relative to off, all others as judged
    (attempts, states).
    """
    evidence = solution.evidence
    prior = (settings.vehicle, settings.evse)[kind]
    escape = level_escape(prior, solution.seen)
    failed = evidence.failed[:, None] > 0
    held = solution.held(kind)[:, None] * escape
    return np.asarray(
        evidence.weight[:, None]
        * np.where(failed, np.log1p(-held) - np.log1p(-held[:, :1]), np.log(escape))
    )


def bits(solution: Solution, settings: AttributeSettings, kind: int) -> Floats:
    """log2 likelihood ratio of each attempt, unit at its likeliest fault level against off."""
    unit = (solution.evidence.vehicle, solution.evidence.evse)[kind]
    states = solution.units[kind]
    level = 1 + (states.belief[:, -1, 1:] * states.model.fault_mask[1:]).argmax(axis=1)
    ratios = log_ratios(solution, settings, kind)
    return np.asarray(ratios[np.arange(len(unit)), level[unit]] / np.log(2.0))


@dataclass(frozen=True)
class WhatIf:
    """Probability at the end.

    As it is, after one more success or failure, without the k strongest failures.
    """

    now: float
    charged: float
    failed: float
    without: tuple[float, ...]


def what_if(solution: Solution, settings: AttributeSettings, kind: int, position: int) -> WhatIf:
    """The unit's own chain again, others as judged, with attempts added or taken away."""
    evidence = solution.evidence
    states = solution.units[kind]
    prior = (settings.vehicle, settings.evse)[kind]
    mine = np.flatnonzero((evidence.vehicle, evidence.evse)[kind] == position)
    ratios, day = log_ratios(solution, settings, kind)[mine], evidence.day[mine]
    strongest = np.argsort(-ratios[:, 1:].max(axis=1), kind="stable")
    strongest = strongest[evidence.failed[mine][strongest] > 0][:MOST_REMOVED]
    chain = np.zeros((evidence.days, ratios.shape[1]))
    np.add.at(chain, day, ratios)
    variants = np.repeat(chain[None], 3 + len(strongest), axis=0)
    escape = level_escape(prior, np.array([settings.diode_seen]))[0]
    variants[1, -1] += np.log(escape)
    variants[2, -1] += np.log1p(-(1.0 - TYPICAL_CHANCE) * escape) - np.log(TYPICAL_CHANCE)
    for k, row in enumerate(strongest):
        variants[3 + k :, day[row]] -= ratios[row]
    p = (
        smooth(variants, states.model.initial, states.model.transition).belief[:, -1]
        @ states.model.fault_mask
    )
    return WhatIf(float(p[0]), float(p[1]), float(p[2]), tuple(p[3:].tolist()))
