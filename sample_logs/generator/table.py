"""What happened as a frame: one row an attempt, what logs could tell and what is true."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from sample_logs.generator.endings import FAILED, OUTCOMES, Endings
from sample_logs.generator.fleet import Fleet
from sample_logs.generator.levels import Levels
from sample_logs.generator.marks import FAULTS
from sample_logs.generator.mechanics import CAUSES, Situation
from sample_logs.generator.models import FIRMWARES
from sample_logs.generator.spec import (
    ENERGISED,
    EVSE_FAULTS,
    OFFERED,
    STAGES,
    VEHICLE_FAULTS,
    WorldSpec,
)
from sample_logs.generator.usage import Visits

Floats = NDArray[np.float64]
EARLY_S = 60.0
"""Window of `early_b`, as the analysis documents it: from plug-in or from the PWM's start."""


@dataclass(frozen=True)
class Round:
    """Visits of one round (first tries, retries) with all that was drawn for them."""

    visits: Visits
    now: Situation
    levels: Levels
    chances: Floats
    ends: Endings


def table(spec: WorldSpec, fleet: Fleet, rounds: list[Round]) -> pl.DataFrame:
    """All rounds as one frame in order of time, with ids."""
    parts = [
        _frame(spec, fleet, r).with_columns(try_number=pl.lit(i + 1)) for i, r in enumerate(rounds)
    ]
    frame = pl.concat(parts).sort("plugged_at", "evse_id")
    number = pl.int_range(1, pl.len() + 1).cast(pl.String).str.zfill(8)
    return frame.with_columns(attempt_id=pl.lit("A") + number).select(
        "attempt_id", pl.exclude("attempt_id")
    )


def _names(codes: NDArray[np.int64], names: tuple[str, ...] | list[str]) -> pl.Series:
    """Names for codes; null for -1 and for the empty name."""
    lookup = pl.Series(list(names), dtype=pl.String).replace("", None)
    picked = lookup.gather(np.maximum(codes, 0))
    return pl.select(pl.when(pl.Series(codes) >= 0).then(picked)).to_series()


def _instants(spec: WorldSpec, seconds: Floats) -> pl.Series:
    """Seconds since the start as instants, to the millisecond."""
    origin = int(spec.start.timestamp() * 1000)
    ms = pl.Series(np.round(seconds * 1000).astype(np.int64) + origin)
    return ms.cast(pl.Datetime("ms", "UTC"))


def _frame(spec: WorldSpec, fleet: Fleet, played: Round) -> pl.DataFrame:
    """One round as a frame."""
    v, ends, lv, now = played.visits, played.ends, played.levels, played.now
    offered = ends.stage >= OFFERED
    logs = fleet.logs_pilot[v.evse] & offered
    failed = ends.outcome == FAILED
    since = ends.fault_s - np.where(offered, ends.pwm_s, 0.0)
    early = failed & ~now.is_dc & (ends.stage < ENERGISED)
    early &= (ends.fault_s <= EARLY_S) | (since <= EARLY_S)
    last = np.fmin(np.where(failed, ends.fault_s, ends.stop_s), ends.left_s)
    decided = np.fmax(last, 0.0) - np.where(offered, ends.pwm_s, 0.0)
    evse, vehicle = fleet.evses, fleet.vehicles
    frame = pl.DataFrame(
        {
            "vehicle_id": vehicle["vehicle_id"].gather(v.vehicle),
            "evse_id": evse["evse_id"].gather(v.evse),
            "site_id": evse["site_id"].gather(v.evse),
            "coupler": evse["connector_type"].gather(v.evse),
            "vehicle_model": vehicle["vehicle_model"].gather(v.vehicle),
            "evse_model": evse["evse_model"].gather(v.evse),
            "firmware": _names(now.firmware, FIRMWARES),
            "diode_check": evse["diode_check"].gather(v.evse),
            "plugged_at": _instants(spec, v.start_s),
            "unplugged_at": _instants(spec, v.start_s + ends.left_s),
            "supply": evse["supply"].gather(v.evse),
            "outcome": _names(ends.outcome, OUTCOMES),
            "stage": _names(ends.stage, STAGES),
            "stage_seconds": decided,
            "fault": _names(np.where(ends.fault > 0, ends.fault, -1), FAULTS),
            "early_b": early,
            "energy_kwh": ends.energy_kwh,
            "pilot_high_v": np.where(logs, lv.high_b, np.nan),
            "pilot_low_v": np.where(logs & fleet.logs_low[v.evse], lv.low_b, np.nan),
            "cause": _names(ends.cause, CAUSES),
            **{f"true_p_{c}": played.chances[:, i] for i, c in enumerate(CAUSES)},
            "vehicle_fault": _names(now.vehicle_fault, VEHICLE_FAULTS),
            "evse_fault": _names(now.evse_fault, EVSE_FAULTS),
            "leak_ohm": lv.leak,
            "auth_s": ends.auth_s,
            "pwm_s": ends.pwm_s,
            "request_s": ends.request_s,
            "closed_s": ends.closed_s,
            "fault_s": ends.fault_s,
            "stop_s": ends.stop_s,
            "full": ends.full,
            "high_a_v": lv.high_a,
            "high_b_v": lv.high_b,
            "low_b_v": lv.low_b,
            "high_c_v": lv.high_c,
            "low_c_v": lv.low_c,
        }
    )
    return frame.with_columns(
        pl.col(
            "pilot_high_v",
            "pilot_low_v",
            "auth_s",
            "pwm_s",
            "request_s",
            "closed_s",
            "fault_s",
            "stop_s",
        ).fill_nan(None)
    )
