"""Where an EVSE draws the line of its diode check, learnt from what it refused and what it let pass.

IEC 61851-1 and SAE J1772 ask for the check and not for its limit (as given by secondary sources); any limit between the highest
level of a good generator (-11.4 V) and the lowest of a shorted diode (-9.4 V) tells the two apart, so that span is the prior. A
level is refused with the chance that it lies above the limit, blurred by the noise of the comparison. Derived.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.special import ndtr

Floats = NDArray[np.float64]

LIMIT_V: Floats = np.linspace(-11.4, -9.4, 41)
COMPARED_SD_V = 0.15
"""Spread of one comparison: noise of the reading, EVSEs of one model among each other; common practice, no source."""
LAPSE = 0.02
"""Share of outcomes that the level did not decide."""
SIBLING_WORTH = 0.5
"""What an outcome at another EVSE of the same model and firmware counts, against one at the EVSE itself; decided."""


def refused_if(low_v: Floats) -> Floats:
    """Chance that each level is refused at each limit of the grid (levels, limits)."""
    above = ndtr((low_v[:, None] - LIMIT_V) / COMPARED_SD_V)
    return np.asarray(LAPSE + (1 - 2 * LAPSE) * above)


def limit_posterior(outcomes: pl.DataFrame, equipment: pl.DataFrame) -> Floats:
    """Posterior of each EVSE's limit (EVSEs of `equipment`, limits), rows summing to 1; flat where nothing is known.

    `outcomes`: `evse_id, low_v, refused` of vehicles whose negative level is lifted (a sound level tells nothing of the limit).
    `equipment`: `evse_id, evse_model, firmware`, one row an EVSE.
    """
    placed = outcomes.join(equipment.with_row_index("place"), on="evse_id")
    chance = refused_if(placed["low_v"].to_numpy())
    logs = np.log(np.where(placed["refused"].to_numpy()[:, None], chance, 1 - chance))
    own = np.zeros((equipment.height, LIMIT_V.size))
    np.add.at(own, placed["place"].to_numpy(), logs)
    kin = (
        equipment.select(kin=pl.struct("evse_model", "firmware").rank("dense"))["kin"]
        .to_numpy()
        .astype(np.int64)
        - 1
    )
    together = np.zeros((int(kin.max(initial=-1)) + 1, LIMIT_V.size))
    np.add.at(together, kin, own)
    total = own + SIBLING_WORTH * (together[kin] - own)
    mass = np.exp(total - total.max(axis=1, keepdims=True, initial=-np.inf))
    return np.asarray(mass / mass.sum(axis=1, keepdims=True))


def chance_refused(low_v: Floats, limits: Floats) -> Floats:
    """Chance that a checking EVSE refuses each level: `limits` (levels, limits) is the posterior of the EVSE it is met at."""
    return np.asarray((ndtr((low_v[:, None] - LIMIT_V) / COMPARED_SD_V) * limits).sum(axis=1))
