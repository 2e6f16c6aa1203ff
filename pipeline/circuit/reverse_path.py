"""From the pilot's negative level back to the CP–PE reverse resistance, as a meter at the inlet
would show it.

One EVSE reads V = u + Vg R1 / (R1 + R): `u` is its own usual negative level with healthy vehicles
(generator and meter error together), R the CP–PE reverse resistance: in B2 R2 and the diode's leak in series,
in C2 R3 comes parallel to R2. The posterior of R lies on a logarithmic grid, flat in log R, with a
normal likelihood widened by the tolerances and a small share of readings that mean nothing; EVSEs
are independent. Derived here; bases in IEC 61851-1 Annex A as given by a secondary source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.circuit.pilot import (
    EV_TOLERANCE,
    GENERATOR_V,
    LOAD_OHM,
    R1_OHM,
    R1_TOLERANCE,
    R2_OHM,
    R3_OHM,
)
from pipeline.core.constants import UNIFORM_SD

Floats = NDArray[np.float64]

GRID_OHM: Floats = np.geomspace(1e3, 1e7, 321)
"""1 kohm (something bridges R2 too) to 10 Mohm (no EVSE can tell it from a healthy diode)."""
OPEN_OHM = 1e6
"""Above this the negative level moves by less than 12 mV: counts as unbounded."""
METER_SD_V = 0.1
"""An EVSE's error in measuring the pilot, as it enters the generator's voltage; common practice, no source."""
STRAY_SHARE = 0.005
"""Share of readings that mean nothing (a step caught half way); common practice, no source."""
ROWS_AT_ONCE = 20_000
_SHARE_R3, _SHARE_R2 = R3_OHM / (R2_OHM + R3_OHM), R2_OHM / (R2_OHM + R3_OHM)
_C_SLOPES = (R2_OHM * (1 - _SHARE_R3**2), R3_OHM * _SHARE_R2**2)
"""Change of the path in C2, ohm, for a relative change of R2 and of R3 while the meter's figure (R2 + leak) stays."""

READING_COLUMNS = ("vehicle_id", "evse_id", "state", "low_v", "se_v", "usual_v", "usual_se_v")


@dataclass(frozen=True)
class _Model:
    """Level above the usual one, V, by grid point, and the standard deviations that EVSE and
    vehicle tolerances give it.
    """

    lift_v: Floats
    evse_sd_v: Floats
    vehicle_sd_v: Floats


def _model(state: str) -> _Model:
    load = LOAD_OHM[state[0]]
    leak = np.maximum(GRID_OHM - R2_OHM, 0.0)
    path = load * np.minimum(GRID_OHM / R2_OHM, 1.0) + leak
    lift = GENERATOR_V * R1_OHM / (R1_OHM + path)
    relative_r1 = R1_TOLERANCE * UNIFORM_SD * path / (R1_OHM + path)
    evse_sd = lift * np.hypot(relative_r1, METER_SD_V / GENERATOR_V)
    own_ohm = 0.0 if state[0] == "B" else EV_TOLERANCE * UNIFORM_SD * np.hypot(*_C_SLOPES)
    return _Model(lift, evse_sd, lift / (R1_OHM + path) * own_ohm)


def _log_likelihood(rows: pl.DataFrame) -> Floats:
    """Shape (rows, grid).

    One row a vehicle, EVSE and state with a mean negative level and its standard error.
    """
    out = np.empty((rows.height, GRID_OHM.size))
    above = (rows["low_v"] - rows["usual_v"]).to_numpy()
    noise = np.hypot(rows["se_v"].to_numpy(), rows["usual_se_v"].to_numpy())
    # readings share R1 at one EVSE, and R2, R3 in one vehicle: n readings with one common error
    # weigh as one
    per_evse = rows["states_here"].to_numpy()
    per_vehicle = rows["state_readings"].to_numpy()
    for state in ("B2", "C2"):
        mine = (rows["state"] == state).to_numpy()
        model = _model(state)
        scale = -rows["usual_v"].to_numpy()[mine, None] / GENERATOR_V
        tolerance = (
            per_evse[mine, None] * model.evse_sd_v**2
            + per_vehicle[mine, None] * model.vehicle_sd_v**2
        )
        sd = np.sqrt(noise[mine, None] ** 2 + tolerance)
        z = (above[mine, None] - scale * model.lift_v) / sd
        normal = np.exp(-0.5 * z**2) / sd / np.sqrt(2 * np.pi)
        out[mine] = np.log((1 - STRAY_SHARE) * normal + STRAY_SHARE / GENERATOR_V)
    return out


def posterior(readings: pl.DataFrame) -> tuple[pl.Series, Floats]:
    """Vehicles and their posterior over `GRID_OHM`, shape (vehicles, grid), rows summing to 1.

    `readings`: one row per vehicle, EVSE and state (B2, C2) with READING_COLUMNS: the mean low
    side, its standard error, the EVSE's usual negative level there and its standard error, all in V. Rows
    with nulls are not allowed.
    """
    rows = readings.select(READING_COLUMNS).sort("vehicle_id", "evse_id", "state")
    rows = rows.with_columns(
        states_here=pl.len().over("vehicle_id", "evse_id"),
        state_readings=pl.len().over("vehicle_id", "state"),
    )
    vehicles = rows["vehicle_id"].unique(maintain_order=True)
    total = np.zeros((vehicles.len(), GRID_OHM.size))
    codes = rows["vehicle_id"].rle_id().to_numpy()
    for start in range(0, rows.height, ROWS_AT_ONCE):
        part = slice(start, start + ROWS_AT_ONCE)
        np.add.at(total, codes[part], _log_likelihood(rows[part]))
    mass = np.exp(total - total.max(axis=1, keepdims=True))
    return vehicles, mass / mass.sum(axis=1, keepdims=True)


def reverse_path(readings: pl.DataFrame, interval: float = 0.9) -> pl.DataFrame:
    """One row per vehicle: `vehicle_id`, `reverse_path_ohm`, `reverse_path_lo_ohm`,
    `reverse_path_hi_ohm`.

    Median and ends of the `interval` (0.9: 5 % and 95 % points). An upper end above OPEN_OHM is
    null (unbounded), and so is the median above it: a healthy diode has a lower bound only. Takes
    `readings` as `posterior` does.
    """
    vehicles, mass = posterior(readings)
    upto = np.cumsum(mass, axis=1)

    def point(share: float) -> Floats:
        at = (upto < share).sum(axis=1)
        rows = np.arange(at.size)
        # how far within the grid point's cell, half a step to either side
        inside = 1 - (upto[rows, at] - share) / mass[rows, at]
        return np.asarray(GRID_OHM[at] * (GRID_OHM[1] / GRID_OHM[0]) ** (inside - 0.5))

    frame = pl.DataFrame(
        {
            "vehicle_id": vehicles,
            "reverse_path_ohm": point(0.5),
            "reverse_path_lo_ohm": point(0.5 - interval / 2),
            "reverse_path_hi_ohm": point(0.5 + interval / 2),
        }
    )
    bounded = pl.col("reverse_path_ohm", "reverse_path_hi_ohm")
    return frame.with_columns(pl.when(bounded <= OPEN_OHM).then(bounded))
