"""A world: a fleet, its EVSEs, and every charge attempt with its true cause."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from sample_logs.generator.endings import (
    DECLINED,
    FAILED,
    FAULTS,
    OUTCOMES,
    Endings,
    Happening,
    draw_endings,
)
from sample_logs.generator.faults import (
    Faults,
    PairingFaults,
    draw_faults,
    pairing_truth,
    unit_truth,
)
from sample_logs.generator.fleet import Fleet, build_fleet
from sample_logs.generator.levels import Levels, pilot_levels
from sample_logs.generator.mechanics import (
    CAUSES,
    Effects,
    Situation,
    cause_chances,
    draw_effects,
    pilot_in_use,
    situation,
)
from sample_logs.generator.models import FIRMWARES
from sample_logs.generator.spec import (
    ENERGISED,
    EVSE_FAULTS,
    OFFERED,
    STAGES,
    VEHICLE_FAULTS,
    WorldSpec,
)
from sample_logs.generator.usage import (
    GAP_S,
    Menus,
    Visits,
    build_menus,
    draw_visits,
    home_key,
    joined,
)

Floats = NDArray[np.float64]
EARLY_S = 60.0
"""Window of `early_b`, as the analysis documents it: from plug-in or from the PWM's start."""


@dataclass(frozen=True)
class World:
    """Frames of a world.

    `attempts` has one row an attempt, in order of `plugged_at`, times aware UTC. What logs could tell:
    `attempt_id vehicle_id evse_id site_id coupler` (the EVSE's connector) `vehicle_model evse_model firmware`
    (in force then) `diode_check` (as disclosed) `plugged_at unplugged_at supply outcome stage stage_seconds
    fault early_b energy_kwh pilot_high_v pilot_low_v` (B2, V, null where the controller does not log them).
    Truth: `cause` (null: did not fail; `vehicle` may also stand with `not_requested`), `true_p_*` the chance
    of each cause to strike in this attempt (independently of the others), `vehicle_fault evse_fault` on at
    that time, `leak_ohm` the diode's reverse path, `auth_s pwm_s request_s closed_s fault_s stop_s` in s after
    plug-in, `full`, `high_*_v low_*_v` what the EVSE's meter reads in A, B and C, `try_number` 1 to 3.
    `vehicle_truth` and `evse_truth`: one row a spell of a fault, `from_utc` to `to_utc` (null: still on).
    `pairing_truth`: one row a bad cell, in force wherever that firmware is.
    """

    spec: WorldSpec
    fleet: Fleet
    faults: Faults
    attempts: pl.DataFrame
    vehicles: pl.DataFrame
    evses: pl.DataFrame
    sites: pl.DataFrame
    vehicle_truth: pl.DataFrame
    evse_truth: pl.DataFrame
    pairing_truth: pl.DataFrame


@dataclass(frozen=True)
class _Round:
    """Visits of one round (first tries, retries) with all that was drawn for them."""

    visits: Visits
    now: Situation
    levels: Levels
    chances: Floats
    ends: Endings


def simulate_world(spec: WorldSpec, fleet: Fleet | None = None, faults: Faults | None = None) -> World:
    """Simulate a world; `fleet` and `faults` may be given to plant what a demonstration needs."""
    fleet = build_fleet(spec) if fleet is None else fleet
    faults = draw_faults(spec) if faults is None else faults
    effects = draw_effects(spec)
    menus = build_menus(spec, fleet)
    rounds = [_play(spec, fleet, faults, effects, draw_visits(spec, fleet, menus, faults), 0)]
    slots = rounds[0].visits
    for number in (1, 2):
        again = _retries(spec, fleet, menus, rounds, slots, number)
        if not len(again.start_s):
            break
        rounds.append(_play(spec, fleet, faults, effects, again, number))
    attempts = _table(spec, fleet, rounds)
    return World(
        spec=spec,
        fleet=fleet,
        faults=faults,
        attempts=attempts,
        vehicles=fleet.vehicles,
        evses=fleet.evses,
        sites=fleet.sites,
        vehicle_truth=unit_truth(spec, faults.vehicles, fleet.vehicles["vehicle_id"], VEHICLE_FAULTS),
        evse_truth=unit_truth(spec, faults.evses, fleet.evses["evse_id"], EVSE_FAULTS),
        pairing_truth=pairing_truth(faults.pairings),
    )


def _play(spec: WorldSpec, fleet: Fleet, faults: Faults, effects: Effects, visits: Visits, number: int) -> _Round:
    """Let a round of visits happen."""
    now = situation(fleet, faults, visits, pilot_in_use(fleet))
    levels = pilot_levels(spec, fleet, faults, visits, f"levels {number}")
    chances = cause_chances(spec, fleet, faults, effects, visits, now, levels)
    cell = PairingFaults.key(fleet.vehicle_model[visits.vehicle], fleet.evse_model[visits.evse], now.firmware)
    stage = faults.pairings.stage[cell]
    ends = draw_endings(spec, fleet, Happening(visits, now, chances, stage), f"endings {number}")
    return _Round(visits, now, levels, chances, ends)


def _retries(spec: WorldSpec, fleet: Fleet, menus: Menus, rounds: list[_Round], slots: Visits, number: int) -> Visits:
    """Second tries after a failure or a refused card: same EVSE, or a free one at the same site."""
    rng = spec.rng(f"retries {number}")
    last, ends = rounds[-1].visits, rounds[-1].ends
    n = len(last.start_s)
    wants = (ends.outcome == FAILED) | (ends.outcome == DECLINED)
    start = last.start_s + ends.left_s + GAP_S + rng.gamma(2.0, 60.0, n)
    row = np.flatnonzero(wants & (rng.random(n) < spec.rates.retry) & (last.end_s - start > 600))
    tried = Visits(last.vehicle[row], last.evse[row].copy(), start[row], last.end_s[row])
    key = home_key(fleet, tried.vehicle, fleet.site[tried.evse])
    moves = (rng.random(len(row)) < 0.4) & menus.ac.has(key)
    moves &= ~fleet.supply_dc[tried.evse] & (fleet.loyalty[tried.vehicle] < 1.0)
    tried.evse[moves] = menus.ac.draw(rng, key[moves])
    booked = joined([slots, *(r.visits for r in rounds[1:])])
    return _free(booked, tried, own=tried.evse == last.evse[row])


def _free(booked: Visits, tried: Visits, own: NDArray[np.bool_]) -> Visits:
    """Retries that find their EVSE free for ten minutes or more; ends cut to the next booking."""
    big = 1e9
    order = np.lexsort((booked.start_s, booked.evse))
    key = booked.evse[order] * big + booked.start_s[order]
    latest = np.maximum.accumulate(booked.evse[order] * big + booked.end_s[order])
    want = tried.evse * big + tried.start_s
    after = np.searchsorted(key, want, side="right")
    following = np.r_[key, np.inf][after] - tried.evse * big
    before = np.r_[-np.inf, latest][after]
    free = own | (before + GAP_S < want)
    end = np.minimum(tried.end_s, following - GAP_S)
    keep = free & (end - tried.start_s >= 600)
    out = Visits(tried.vehicle[keep], tried.evse[keep], tried.start_s[keep], end[keep])
    return _apart(out)


def _apart(tried: Visits) -> Visits:
    """Retries that do not run into an earlier retry at the same EVSE."""
    if not len(tried.start_s):
        return tried
    t = tried.take(np.lexsort((tried.start_s, tried.evse)))
    big = 1e9
    latest = np.maximum.accumulate(t.evse * big + t.end_s)
    clear = np.r_[True, t.evse[1:] * big + t.start_s[1:] > latest[:-1] + GAP_S]
    return t.take(clear)


def _table(spec: WorldSpec, fleet: Fleet, rounds: list[_Round]) -> pl.DataFrame:
    """All rounds as one frame in order of time, with ids."""
    parts = [_frame(spec, fleet, r).with_columns(try_number=pl.lit(i + 1)) for i, r in enumerate(rounds)]
    frame = pl.concat(parts).sort("plugged_at", "evse_id")
    number = pl.int_range(1, pl.len() + 1).cast(pl.String).str.zfill(8)
    return frame.with_columns(attempt_id=pl.lit("A") + number).select("attempt_id", pl.exclude("attempt_id"))


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


def _frame(spec: WorldSpec, fleet: Fleet, played: _Round) -> pl.DataFrame:
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
        pl.col("pilot_high_v", "pilot_low_v", "auth_s", "pwm_s", "request_s", "closed_s", "fault_s", "stop_s").fill_nan(None)
    )
