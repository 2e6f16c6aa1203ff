"""What each attempt says of one unit by its states, all others as judged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.attribute.evidence import Evidence
from pipeline.attribute.states.messages import state_escape
from pipeline.attribute.states.model import Floats, Ints, StateModel


@dataclass(frozen=True)
class Solved:
    """What all attempts have from the solution: `reach` (attempts, circumstances), `held` (attempts,)."""

    reach: Floats
    held: Floats


def attempt_loglik(
    evidence: Evidence, rows: Ints, model: StateModel, reach: Floats, held: Floats
) -> Floats:
    """Log-likelihood of attempts by the unit's state, relative to off (attempts, states), weighted.

    `reach`: as `reach_of` gives it; `held`: chance that nothing but the unit
    bites, read where the attempt did not charge (both of these attempts).
    """
    silent = evidence.silent[rows]
    escape = state_escape(model, reach, silent, evidence.wish[rows])
    free = held[:, None] * escape
    happened = np.log1p(-free) - np.log1p(-free[:, :1])
    logs = np.where(evidence.event[rows][:, None], happened, np.log(escape))
    logs += evidence.asked[rows][:, None] * np.log1p(-model.silent)[None, :]
    return np.asarray(evidence.weight[rows][:, None] * logs)


def summed_loglik(
    evidence: Evidence, rows: Ints, group: Ints, groups: int, model: StateModel, solved: Solved
) -> Floats:
    """Sum of `attempt_loglik` over the rows of each group (groups, states).

    Attempts that charged are alike but for the circumstance, so only their weights are summed.
    """
    weight, event = evidence.weight[rows], evidence.event[rows]
    good = np.where(event, 0.0, weight)
    charged = np.bincount(group, good, groups)
    asked = np.bincount(group, np.where(evidence.asked[rows], weight, 0.0), groups)
    logs = asked[:, None] * np.log1p(-model.silent)
    at = np.flatnonzero(event)
    escape = state_escape(
        model, solved.reach[rows[at]], evidence.silent[rows[at]], evidence.wish[rows[at]]
    )
    free = solved.held[rows[at], None] * escape
    happened = weight[at, None] * (np.log1p(-free) - np.log1p(-free[:, :1]))
    for k in range(1, model.states):
        logs[:, k] += np.bincount(group[at], happened[:, k], groups)
        if model.where[k]:
            bite = np.log1p(-model.loud[k] * solved.reach[rows, model.where[k]])
            logs[:, k] += np.bincount(group, good * bite, groups)
        elif model.loud[k]:
            logs[:, k] += charged * np.log1p(-model.loud[k])
    return np.asarray(logs)
