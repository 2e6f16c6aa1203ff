"""How long a vehicle stays plugged in that does not ask for charge, and how full it leaves.

Who finds that nothing happens leaves within minutes, or stays as long as for a charge; who wanted none yet (a timer,
a full battery) leaves when the errand is done, and seldom stays the night. How long either stays, each fleet shows
itself: the silences laid on chance and habit on one side, those laid on faults on the other. So with the state of charge:
nobody leaves nearly empty on purpose, it seems; but where drivers who wanted nothing leave as empty as those who got
nothing, it tells nothing.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.attribute.states.model import Bools, Floats, tally

STAY_MINUTES = (10.0, 60.0, 240.0, 480.0)
"""Bounds of the classes of stays: given up, an errand, half a shift, a shift, a night; common practice, no source."""
CLASSES = len(STAY_MINUTES) + 1
SOC_PCT = (50.0, 80.0)
"""Bounds of the classes of state of charge at leaving: low, between, high; judgement."""
LEFT_LIKELIER = (1.5, 1.0, 0.5)
"""How many times likelier each class is under a fault than under the driver's wish; judgement, no source, moved by the fleet."""
UNTOLD = -1
"""Class of what is not known; of a stay also where the driver plugged in again at once, which is weighed as such."""
GIVEN_UP = 0.25
"""Share of drivers who see that nothing happens and leave within the first bound; judgement, moved by the fleet."""
EVEN = 0.25
"""Part of what is assumed that is even over the classes: no stay is unheard of; judgement."""
ASSUMED_SILENCES = 20.0
"""Silences that weigh as much as what is assumed of either side; judgement."""
MOST_TOLD = float(np.log(8.0))
"""No stay moves the odds by more; as much as a new plug-in at once, which tells of the same driver (`silence.WEIGHTS`)."""

Classes = NDArray[np.int8]


def stay_weights(stay: Classes, silent: Bools, charged: Bools, no_fault: Floats | None) -> Floats:
    """Log odds for a fault against chance and habit of a silence, by its class of stay (classes,).

    `stay`, `silent`, `charged` (attempts,); `no_fault` (attempts,): probability that no fault
    kept it silent, None before anything is known of it.
    """
    known = stay != UNTOLD
    even = np.full(CLASSES, 1.0 / CLASSES)
    usual = (1.0 - EVEN) * _moved(even, 1.0, stay, charged & known) + EVEN * even
    given_up = np.eye(CLASSES)[0]
    fault = (1.0 - GIVEN_UP) * usual + GIVEN_UP * given_up
    if no_fault is not None:
        told = silent & known
        usual = _moved(usual, ASSUMED_SILENCES, stay, told * no_fault)
        fault = _moved(fault, ASSUMED_SILENCES, stay, told * (1.0 - no_fault))
    return np.asarray(np.clip(np.log(fault / usual), -MOST_TOLD, MOST_TOLD))


def left_weights(left: Classes, silent: Bools, no_fault: Floats | None) -> Floats:
    """The same of the state of charge at leaving, by its class of SOC_PCT (classes,); arguments as in `stay_weights`."""
    told = silent & (left != UNTOLD)
    usual = np.full(len(LEFT_LIKELIER), 1.0 / len(LEFT_LIKELIER))
    if no_fault is not None:
        usual = _moved(usual, ASSUMED_SILENCES, left, told * no_fault)
    fault = usual * LEFT_LIKELIER / (usual @ LEFT_LIKELIER)
    if no_fault is not None:
        fault = _moved(fault, ASSUMED_SILENCES, left, told * (1.0 - no_fault))
    return np.asarray(np.clip(np.log(fault / usual), -MOST_TOLD, MOST_TOLD))


def _moved(assumed: Floats, worth: float, of: Classes, weight: Floats | Bools) -> Floats:
    """Shares assumed, worth so many attempts, and what was seen, by the attempts they rest on (classes,)."""
    seen = tally(
        np.maximum(of, 0).astype(np.int64), np.asarray(weight, dtype=np.float64), len(assumed)
    )
    return np.asarray((worth * assumed + seen) / (worth + seen.sum()))
