"""One supply solved: state probabilities of every unit and day, and who is to blame."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.attribute.baseline.fit import Chance
from pipeline.attribute.evidence import Evidence
from pipeline.attribute.states.blame import Shares
from pipeline.attribute.states.kinds import KINDS
from pipeline.attribute.states.model import Floats, Ints, StateModel


@dataclass(frozen=True)
class UnitStates:
    """One kind of unit: `belief` (units, days, states), and the model learnt."""

    belief: Floats
    model: StateModel

    @property
    def probability(self) -> Floats:
        """Probability that a fault state is on (units, days)."""
        return np.asarray(self.belief @ self.model.fault_mask)

    def lately(self, days: int) -> Floats:
        """Highest daily probability in the last days of the look-back (units,)."""
        return np.asarray((self.belief[:, -days:] @ self.model.fault_mask).max(axis=1))

    def state_now(self, days: int) -> Floats:
        """State probabilities on the likeliest of the last days (units, states)."""
        late = self.belief[:, -days:]
        best = (late @ self.model.fault_mask).argmax(axis=1)
        return np.asarray(late[np.arange(len(late)), best])


@dataclass(frozen=True)
class Solution:
    """One supply solved.

    Rows of events (failed or silent attempts), chance, units of each kind, who is to blame, how far
    faults of a circumstance reach each attempt (attempts, circumstances of `WHERE`), and the
    probability that each EVSE model looks for the diode (models,).
    """

    evidence: Evidence
    rows: Ints
    chance: Chance
    units: tuple[UnitStates, ...]
    judged: Shares
    reach: Floats
    checks: Floats

    def held(self, kind: int) -> Floats:
        """Chance that nothing else than this kind's unit bites, at attempts that did not charge.

        0 at the others (attempts,).
        """
        held = np.zeros(len(self.evidence.failed))
        others = [self.judged.escapes[j] for j in range(len(KINDS)) if j != kind]
        held[self.rows] = (1.0 - self.chance.base) * np.prod(others, axis=0)
        return held
