"""What each attempt says of a unit, and what the answer would be with some more or some fewer.

All others as judged.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit, logit

from pipeline.attribute.diode_checks import TYPICAL_CHANCE
from pipeline.attribute.states.likelihood import attempt_loglik
from pipeline.attribute.states.messages import state_escape
from pipeline.attribute.states.model import WHERE, Floats
from pipeline.attribute.states.smoothing import smooth
from pipeline.attribute.states.solution import Solution
from pipeline.settings.attribute import AttributeSettings

MOST_REMOVED = 20
"""Failures taken away at most when asking what would clear a unit."""


NEAR_SURE = 1e-9
"""Probabilities are kept this far from 0 and 1 where odds are moved."""


def log_ratios(solution: Solution, kind: int) -> Floats:
    """Log likelihood of each attempt by the unit's state relative to off, all others as judged
    (attempts, states).
    """
    rows = np.arange(len(solution.evidence.failed))
    model = solution.units[kind].model
    return attempt_loglik(solution.evidence, rows, model, solution.reach, solution.held(kind))


def bits(solution: Solution, kind: int) -> Floats:
    """log2 likelihood ratio of each attempt, unit in its likeliest fault state against off."""
    unit = solution.evidence.columns[kind]
    states = solution.units[kind]
    level = 1 + (states.belief[:, -1, 1:] * states.model.fault_mask[1:]).argmax(axis=1)
    ratios = log_ratios(solution, kind)
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


def what_if(
    solution: Solution, settings: AttributeSettings, kind: int, position: int, told: float
) -> WhatIf:
    """The unit's own chain again, others as judged, with attempts added or taken away.

    The odds move from the probability `told` by as much as the chain's do.
    """
    evidence = solution.evidence
    states = solution.units[kind]
    model = states.model
    mine = np.flatnonzero(evidence.columns[kind] == position)
    ratios, day = log_ratios(solution, kind)[mine], evidence.day[mine]
    strongest = np.argsort(-ratios[:, 1:].max(axis=1), kind="stable")
    strongest = strongest[evidence.event[mine][strongest]][:MOST_REMOVED]
    chain = np.zeros((evidence.days, ratios.shape[1]))
    np.add.at(chain, day, ratios)
    variants = np.repeat(chain[None], 3 + len(strongest), axis=0)
    escape = state_escape(model, np.full((1, len(WHERE)), settings.diode_seen), np.array([False]))[
        0
    ]
    variants[1, -1] += np.log(escape) + np.log1p(-model.silent)
    variants[2, -1] += np.log1p(-(1.0 - TYPICAL_CHANCE) * escape) - np.log(TYPICAL_CHANCE)
    for k, row in enumerate(strongest):
        variants[3 + k :, day[row]] -= ratios[row]
    late = slice(-settings.report_days, None)
    initial = model.initial[position] if model.initial.ndim > 1 else model.initial
    belief = smooth(variants, initial, model.transition).belief[:, late]
    chain_p = np.clip((belief @ model.fault_mask).max(axis=1), NEAR_SURE, 1.0 - NEAR_SURE)
    now = float(np.clip(told, NEAR_SURE, 1.0 - NEAR_SURE))
    p = expit(logit(now) + logit(chain_p) - logit(chain_p[0]))
    return WhatIf(now, float(p[1]), float(p[2]), tuple(p[3:].tolist()))
