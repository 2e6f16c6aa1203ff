"""What the pilot's two levels say of each cause in the vehicle, against the levels other vehicles show at the same EVSEs.

A row holds what one vehicle shows at one EVSE: how far its highs and lows in B2 and C2 lie from what others show there. For each
cause and each value of its odd part the circuit says how far they should; a row's likelihood is normal, with the noise of the
readings, the tolerances of EVSE and vehicle, and the coarseness of the grid. The tolerances of one vehicle are common to all its
rows, so they count as often as there are rows. A share of rows means nothing (a card lent, an EVSE's bad day): it looks like any
cause, so one EVSE alone speaks with a bounded voice and two that agree are needed to be sure. Derived; bases as in `causes`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.circuit.causes import VARIANTS, PilotCircuit, State
from pipeline.circuit.pilot import (
    DIODE_HI_V,
    DIODE_LO_V,
    EV_TOLERANCE,
    GENERATOR_V,
    R1_OHM,
    R1_TOLERANCE,
)
from pipeline.core.constants import UNIFORM_SD

Floats = NDArray[np.float64]

LEVELS = ("high_b", "low_b", "high_c", "low_c")
STRAY_SHARE = 0.01
"""Share of vehicle and EVSE pairs whose levels mean nothing of the vehicle; common practice, no source."""
ROWS_AT_ONCE = 8_000
METER_SHARE = 0.1 / GENERATOR_V
"""An EVSE's error of scale in measuring the pilot: 0.1 V in 12; common practice, no source."""
SOUND = "sound"


@dataclass(frozen=True)
class Hypotheses:
    """The grid: `suspect` and `value` of each point (the first is sound), how far it lies from a sound pilot, with spreads.

    `deviation_v`, `evse_sd_v`, `vehicle_sd_v`: (points, 4) in the order of LEVELS; the first spread is of the EVSE's parts and
    meter, the second of the vehicle's parts and of the grid's coarseness. `reverse_ohm` (points,): what a meter would show.
    """

    suspect: tuple[str, ...]
    value: Floats
    deviation_v: Floats
    evse_sd_v: Floats
    vehicle_sd_v: Floats
    reverse_ohm: Floats

    def of(self, suspect: str) -> NDArray[np.bool_]:
        """The points of one suspect (points,)."""
        return np.array([name == suspect for name in self.suspect])


def _levels(circuit: PilotCircuit, **given: float) -> Floats:
    """(4, values) levels of a circuit."""
    states: tuple[State, State] = ("B", "C")
    pairs = [circuit.levels(state, **given) for state in states]
    return np.stack(
        np.broadcast_arrays(*(np.atleast_1d(level) for pair in pairs for level in pair))
    )


def _spreads(circuit: PilotCircuit) -> tuple[Floats, Floats]:
    """(4, values) standard deviations by the EVSE's parts (of the deviation from a sound pilot) and by the vehicle's own."""
    plain = _levels(circuit)
    r1 = R1_OHM * (1 + R1_TOLERANCE)
    moved = (
        _levels(circuit, r1_ohm=r1)
        - plain
        - (_levels(PilotCircuit(), r1_ohm=r1) - _levels(PilotCircuit()))
    )
    evse = np.hypot(UNIFORM_SD * moved, METER_SHARE * (plain - _levels(PilotCircuit())))
    off = 1 + EV_TOLERANCE
    changed = (
        replace(circuit, r2_ohm=circuit.r2_ohm * off),
        replace(circuit, r3_ohm=circuit.r3_ohm * off),
        replace(circuit, diode_v=circuit.diode_v + 0.5 * (DIODE_HI_V - DIODE_LO_V)),
    )
    vehicle = np.sqrt(sum((UNIFORM_SD * (_levels(other) - plain)) ** 2 for other in changed))
    return evse, vehicle


def hypotheses() -> Hypotheses:
    """Sound, and every value of every variant that shows on the pilot while the EVSE sees the vehicle."""
    seen = [(SOUND, np.zeros(1), PilotCircuit())]
    for suspect, variants in VARIANTS.items():
        built = [(suspect, variant.values, variant.build(variant.values)) for variant in variants]
        seen += [one for one in built if not one[2].open_line]
    names = tuple(suspect for suspect, values, _ in seen for _ in values)
    deviation = [_levels(circuit) - _levels(PilotCircuit()) for _, _, circuit in seen]
    shape = [(4, values.size) for _, values, _ in seen]
    deviation = [np.broadcast_to(d, size) for d, size in zip(deviation, shape, strict=True)]
    spreads = [_spreads(circuit) for _, _, circuit in seen]
    evse = [np.broadcast_to(own[0], size) for own, size in zip(spreads, shape, strict=True)]
    vehicle = [np.hypot(own[1], _coarseness(d)) for own, d in zip(spreads, deviation, strict=True)]
    ohm = [
        np.broadcast_to(circuit.reverse_reading_ohm(), values.shape) for _, values, circuit in seen
    ]
    return Hypotheses(
        suspect=names,
        value=np.concatenate([values for _, values, _ in seen]),
        deviation_v=np.concatenate(deviation, axis=1).T,
        evse_sd_v=np.concatenate(evse, axis=1).T,
        vehicle_sd_v=np.concatenate(vehicle, axis=1).T,
        reverse_ohm=np.concatenate(ohm),
    )


def _coarseness(level: Floats) -> Floats:
    """Standard deviation of a value within its grid cell (4, values): half the gap to its neighbours, rectangular."""
    if level.shape[1] == 1:
        return np.zeros(level.shape)
    return np.asarray(0.5 * UNIFORM_SD * np.abs(np.gradient(level, axis=1)))


@dataclass(frozen=True)
class LevelEvidence:
    """`log_likelihood` (vehicles, points) of each vehicle's levels, relative to a sound pilot (its first column is 0)."""

    vehicles: pl.Series
    grid: Hypotheses
    log_likelihood: Floats


def level_evidence(rows: pl.DataFrame) -> LevelEvidence:
    """Weigh every vehicle's levels against every hypothesis.

    `rows`: one per vehicle and EVSE: `vehicle_id, evse_id, scale` (the EVSE's usual negative level over -12 V) and for each of LEVELS
    `<level>_off_v` (own level less what others show there, null where unknown) and `<level>_se_v` (its standard error).
    """
    grid = hypotheses()
    rows = rows.sort("vehicle_id", "evse_id").with_columns(evses=pl.len().over("vehicle_id"))
    vehicles = rows["vehicle_id"].unique(maintain_order=True)
    total = np.zeros((vehicles.len(), grid.value.size))
    codes = rows["vehicle_id"].rle_id().to_numpy()
    for start in range(0, rows.height, ROWS_AT_ONCE):
        part = slice(start, start + ROWS_AT_ONCE)
        np.add.at(total, codes[part], _row_log_likelihood(rows[part], grid))
    return LevelEvidence(vehicles, grid, total - total[:, :1])


def _row_log_likelihood(rows: pl.DataFrame, grid: Hypotheses) -> Floats:
    """(rows, points)."""
    logs = np.zeros((rows.height, grid.value.size))
    scale = rows["scale"].to_numpy()[:, None]
    evses = rows["evses"].to_numpy()[:, None]
    for place, level in enumerate(LEVELS):
        off, se = (rows[f"{level}_{what}_v"].to_numpy()[:, None] for what in ("off", "se"))
        variance = se**2 + grid.evse_sd_v[:, place] ** 2 + evses * grid.vehicle_sd_v[:, place] ** 2
        normal = -0.5 * (
            (off - scale * grid.deviation_v[:, place]) ** 2 / variance + np.log(variance)
        )
        logs += np.where(np.isnan(normal), 0.0, normal)
    # what means nothing may look like any of the suspects, each as likely
    weight = _one_voice_a_suspect(grid)
    top = logs.max(axis=1, keepdims=True)
    stray = np.log(np.exp(logs - top) @ weight)[:, None] + top
    return np.asarray(np.logaddexp(np.log1p(-STRAY_SHARE) + logs, np.log(STRAY_SHARE) + stray))


def _one_voice_a_suspect(grid: Hypotheses) -> Floats:
    """Weights of the points (points,), each suspect's summing to the same, all to 1."""
    names, inverse, counts = np.unique(
        np.array(grid.suspect), return_inverse=True, return_counts=True
    )
    return np.asarray(1.0 / (counts[inverse] * names.size))
