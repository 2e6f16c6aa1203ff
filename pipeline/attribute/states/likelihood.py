"""What each attempt says of one unit by its states, all others as judged."""

from __future__ import annotations

import numpy as np

from pipeline.attribute.evidence import Evidence
from pipeline.attribute.states.messages import state_escape
from pipeline.attribute.states.model import Floats, Ints, StateModel


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
