"""Faults that switch on and off in time, for vehicles, EVSEs and pairings: the truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from sample_logs.generator.models import EVSE_MODELS, FIRMWARES, VEHICLE_MODELS
from sample_logs.generator.spec import (
    DAY_S,
    PLUGGED,
    VEHICLE_FAULTS,
    WorldSpec,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

LEAK_START_LOG10, LEAK_END_LOG10 = 6.0, 2.5
"""A leaking diode's CP–PE reverse resistance falls from about 1 Mohm to some hundred ohm."""


@dataclass(frozen=True)
class UnitFaults:
    """Fault of each unit, by row number: kind (-1.

    None), up to two spells, chance to fail in one.
    """

    kind: Ints
    from_s: Floats
    to_s: Floats
    severity: Floats
    creep_s: Floats

    def active(self, unit: Ints, at_s: Floats) -> Bools:
        """Whether the unit's fault is on at each time."""
        on = (at_s[:, None] >= self.from_s[unit]) & (at_s[:, None] < self.to_s[unit])
        return np.asarray(on.any(axis=1))

    def relapsed(self, unit: Ints, at_s: Floats) -> Bools:
        """Whether the time lies in the unit's second spell (a repair that did not hold)."""
        return np.asarray((at_s >= self.from_s[unit, 1]) & (at_s < self.to_s[unit, 1]))


@dataclass(frozen=True)
class PairingFaults:
    """Bad cells.

    Key of vehicle model x EVSE model x firmware, chance to fail, stage it fails at.
    """

    probability: Floats
    stage: Ints

    @staticmethod
    def key(vehicle_model: Ints, evse_model: Ints, firmware: Ints) -> Ints:
        """Number of a cell."""
        cell = (vehicle_model * len(EVSE_MODELS) + evse_model) * len(FIRMWARES) + firmware
        return np.asarray(cell, dtype=np.int64)


@dataclass(frozen=True)
class Faults:
    """All faults of a world."""

    vehicles: UnitFaults
    evses: UnitFaults
    pairings: PairingFaults


def no_faults(n: int) -> UnitFaults:
    """Units with nothing wrong."""
    never = np.full((n, 2), np.inf)
    return UnitFaults(np.full(n, -1, dtype=np.int64), never, never.copy(), np.zeros(n), np.zeros(n))


def _spells(
    spec: WorldSpec, rng: np.random.Generator, n: int, mean_repair_days: float
) -> tuple[Floats, Floats]:
    """First spell, and a second one for repairs that do not hold.

    A quarter began before the logs.
    """
    horizon = spec.days * DAY_S
    start = np.where(rng.random(n) < 0.25, -1.0, rng.uniform(0.03, 0.9, n)) * horizon
    length = rng.gamma(3.0, mean_repair_days / 3.0, n) * DAY_S
    mended = rng.random(n) < spec.rates.repaired
    end = np.where(mended, np.maximum(start, 0.0) + length, np.inf)
    back = mended & (rng.random(n) < spec.rates.relapse)
    again = np.where(back, end + rng.uniform(2, 15, n) * DAY_S, np.inf)
    return np.stack([start, again], axis=1), np.stack([end, np.full(n, np.inf)], axis=1)


def draw_unit_faults(
    spec: WorldSpec, rng: np.random.Generator, n: int, shares: tuple[float, ...], repair_days: float
) -> UnitFaults:
    """Draw which units have which fault, when, and how often it shows."""
    edges = np.cumsum(np.array(shares))
    kind = np.searchsorted(edges, rng.random(n), side="right").astype(np.int64)
    kind = np.where(kind == len(shares), -1, kind)
    begin, end = _spells(spec, rng, n, repair_days)
    begin[kind < 0], end[kind < 0] = np.inf, np.inf
    severity = np.clip(rng.beta(5.0, 2.0, n), 0.25, 1.0)
    creep = rng.uniform(4.0, 12.0, n) * 7 * DAY_S
    return UnitFaults(kind, begin, end, severity, creep)


def _diodes_are_certain(faults: UnitFaults, rng: np.random.Generator) -> UnitFaults:
    """A shorted diode fails at nearly every EVSE that looks; a leaking one by its level alone."""
    shorted = faults.kind == VEHICLE_FAULTS.index("pilot_diode_shorted")
    leaky = faults.kind == VEHICLE_FAULTS.index("pilot_diode_leaky")
    severity = np.where(shorted, rng.uniform(0.95, 1.0, len(shorted)), faults.severity)
    severity = np.where(leaky, 1.0, severity)
    return UnitFaults(faults.kind, faults.from_s, faults.to_s, severity, faults.creep_s)


def draw_faults(spec: WorldSpec) -> Faults:
    """Draw all faults of a world from its rates."""
    rng = spec.rng("faults")
    rates = spec.rates
    vehicles = draw_unit_faults(spec, rng, spec.vehicles, rates.vehicle_faults, 24.0)
    evses = draw_unit_faults(spec, rng, spec.evses, rates.evse_faults, 14.0)
    cells = len(VEHICLE_MODELS) * len(EVSE_MODELS) * len(FIRMWARES)
    bad = rng.random(cells) < rates.bad_pairings
    chance = np.where(bad, rng.uniform(0.15, 0.7, cells), 0.0)
    stage = rng.integers(PLUGGED, 4, cells)
    return Faults(_diodes_are_certain(vehicles, rng), evses, PairingFaults(chance, stage))


def leak_ohm(faults: UnitFaults, unit: Ints, at_s: Floats) -> Floats:
    """CP–PE reverse resistance of each vehicle's diode at each time.

    Inf sound, 0 shorted, between if leaking.
    """
    on = faults.active(unit, at_s)
    kind = np.where(on, faults.kind[unit], -1)
    start = np.where(faults.relapsed(unit, at_s), faults.from_s[unit, 1], faults.from_s[unit, 0])
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.clip((at_s - start) / faults.creep_s[unit], 0.0, 1.0)
    share = np.nan_to_num(share)
    creeping = 10 ** (LEAK_START_LOG10 + (LEAK_END_LOG10 - LEAK_START_LOG10) * share)
    return np.select(
        [
            kind == VEHICLE_FAULTS.index("pilot_diode_shorted"),
            kind == VEHICLE_FAULTS.index("pilot_diode_leaky"),
        ],
        [np.zeros(len(unit)), creeping],
        np.inf,
    )


def unit_truth(
    spec: WorldSpec, faults: UnitFaults, ids: pl.Series, kinds: tuple[str, ...]
) -> pl.DataFrame:
    """One row a spell that touches the world: id, fault, `from_utc`, `to_utc` (null: still on)."""
    unit, spell = np.nonzero(np.isfinite(faults.from_s))
    frame = pl.DataFrame(
        {
            ids.name: ids.gather(unit),
            "fault": [kinds[k] for k in faults.kind[unit]],
            "from_s": faults.from_s[unit, spell],
            "to_s": faults.to_s[unit, spell],
            "severity": faults.severity[unit],
            "creep_days": faults.creep_s[unit] / DAY_S,
        },
        schema_overrides={"fault": pl.String},
    )
    horizon = spec.days * DAY_S
    begin = pl.lit(spec.start).dt.cast_time_unit("us")
    return (
        frame.filter((pl.col("from_s") < horizon) & (pl.col("to_s") > 0))
        .with_columns(
            from_utc=begin + pl.duration(microseconds=(pl.col("from_s") * 1e6).cast(pl.Int64)),
            to_utc=pl.when(pl.col("to_s") < horizon).then(
                begin
                + pl.duration(microseconds=(pl.col("to_s").clip(0, horizon) * 1e6).cast(pl.Int64))
            ),
        )
        .drop("from_s", "to_s")
        .sort(ids.name, "from_utc")
    )


def pairing_truth(faults: PairingFaults) -> pl.DataFrame:
    """One row a bad cell.

    Models, firmware, its chance to fail (in force as long as the firmware).
    """
    cell = np.flatnonzero(faults.probability)
    pair, firmware = np.divmod(cell, len(FIRMWARES))
    vehicle, evse = np.divmod(pair, len(EVSE_MODELS))
    return pl.DataFrame(
        {
            "vehicle_model": [VEHICLE_MODELS[v][0] for v in vehicle],
            "evse_model": [EVSE_MODELS[e][0] for e in evse],
            "firmware": [FIRMWARES[f] for f in firmware],
            "probability": faults.probability[cell],
            "stage": faults.stage[cell],
        },
        schema_overrides={
            "vehicle_model": pl.String,
            "evse_model": pl.String,
            "firmware": pl.String,
        },
    )
