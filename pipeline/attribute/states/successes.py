"""What a kind's attempts that charged or asked say of its units, day by day.

Counted once; each round's states weigh the same counts anew.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.attribute.evidence import Evidence
from pipeline.attribute.states.model import Floats, Ints, StateModel, tally


@dataclass(frozen=True)
class Successes:
    """Of each unit and day (units x days,): `charged`, `asked` (weights), and `calm`, what one attempt of many counts.

    `slot` (attempts,): unit and day of each attempt; `good` (attempts,): the weight of those that charged; both
    only where states bite under a circumstance (`placed`).
    """

    charged: Floats
    asked: Floats
    calm: Floats
    slot: Ints
    good: Floats

    @classmethod
    def of(
        cls, evidence: Evidence, unit: Ints, units: int, likeness: float, *, placed: bool
    ) -> Successes:
        """Count the attempts of one kind of unit.

        Attempts of one unit on one day are alike (weather, one driver, one passing cause): n of them
        count as n / (1 + (n - 1) likeness), the design effect of a cluster sample (Kish 1965, *Survey
        Sampling*; from memory).
        """
        slot, length = unit * evidence.days + evidence.day, units * evidence.days
        good = np.where(evidence.event, 0.0, evidence.weight)
        asked = np.where(evidence.asked, evidence.weight, 0.0)
        tried = tally(slot, evidence.weight, length)
        return cls(
            charged=tally(slot, good, length),
            asked=tally(slot, asked, length),
            calm=1.0 / (1.0 + np.maximum(tried - 1.0, 0.0) * likeness),
            slot=slot if placed else np.zeros(0, dtype=np.int64),
            good=good if placed else np.zeros(0),
        )

    def loglik(self, model: StateModel, reach: Floats) -> Floats:
        """Log-likelihood by state (units x days, states); `reach` (attempts, circumstances)."""
        anywhere = np.where(model.where > 0, 0.0, np.log1p(-model.loud))
        counts = np.stack([self.charged, self.asked], axis=1)
        counts *= self.calm[:, None]
        logs = np.asarray(counts @ np.stack([anywhere, np.log1p(-model.silent)]))
        for k in np.flatnonzero(model.where):
            reached = np.flatnonzero(reach[:, model.where[k]])
            bite = np.log1p(-model.loud[k] * reach[reached, model.where[k]])
            bite *= self.good[reached]
            logs[:, k] += np.bincount(self.slot[reached], bite, len(logs)) * self.calm
        return logs
