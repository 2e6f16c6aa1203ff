"""A world: a fleet, its EVSEs, and every charge attempt with its true cause."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from sample_logs.generator.endings import Happening, draw_endings
from sample_logs.generator.faults import (
    Faults,
    PairingFaults,
    draw_faults,
    pairing_truth,
    unit_truth,
)
from sample_logs.generator.fleet import Fleet, build_fleet
from sample_logs.generator.levels import pilot_levels
from sample_logs.generator.mechanics import (
    Effects,
    cause_chances,
    draw_effects,
    pilot_in_use,
    situation,
)
from sample_logs.generator.retries import retries
from sample_logs.generator.spec import EVSE_FAULTS, VEHICLE_FAULTS, WorldSpec
from sample_logs.generator.table import Round, table
from sample_logs.generator.usage import Visits, build_menus, draw_visits, joined


@dataclass(frozen=True)
class World:
    """Frames of a world.

    `attempts` has one row an attempt, in order of `plugged_at`, times aware UTC. What logs could
    tell: `attempt_id vehicle_id evse_id site_id coupler` (the EVSE's connector) `vehicle_model
    evse_model firmware` (in force then) `diode_check` (as disclosed) `plugged_at unplugged_at
    supply outcome stage stage_seconds fault early_b energy_kwh pilot_high_v pilot_low_v` (B2, V,
    null where the controller does not log them). Truth: `cause` (null: did not fail; `vehicle` may
    also stand with `not_requested`), `true_p_*` the chance of each cause to strike in this attempt
    (independently of the others), `vehicle_fault evse_fault` on at that time, `leak_ohm` the
    diode's CP–PE reverse resistance, `auth_s pwm_s request_s closed_s fault_s stop_s` in s after plug-in,
    `full`, `high_*_v low_*_v` what the EVSE's meter reads in A, B and C, `try_number` 1 to 3.
    `vehicle_truth` and `evse_truth`: one row a spell of a fault, `from_utc` to `to_utc` (null:
    still on). `pairing_truth`: one row a bad cell, in force wherever that firmware is.
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


def simulate_world(
    spec: WorldSpec, fleet: Fleet | None = None, faults: Faults | None = None
) -> World:
    """Simulate a world; `fleet` and `faults` may be given to plant what a demonstration needs."""
    fleet = build_fleet(spec) if fleet is None else fleet
    faults = draw_faults(spec) if faults is None else faults
    effects = draw_effects(spec)
    menus = build_menus(spec, fleet)
    rounds = [_play(spec, fleet, faults, effects, draw_visits(spec, fleet, menus, faults), 0)]
    slots = rounds[0].visits
    for number in (1, 2):
        booked = joined([slots, *(r.visits for r in rounds[1:])])
        again = retries(spec, fleet, menus, rounds[-1].visits, rounds[-1].ends, booked, number)
        if not len(again.start_s):
            break
        rounds.append(_play(spec, fleet, faults, effects, again, number))
    attempts = table(spec, fleet, rounds)
    return World(
        spec=spec,
        fleet=fleet,
        faults=faults,
        attempts=attempts,
        vehicles=fleet.vehicles,
        evses=fleet.evses,
        sites=fleet.sites,
        vehicle_truth=unit_truth(
            spec, faults.vehicles, fleet.vehicles["vehicle_id"], VEHICLE_FAULTS
        ),
        evse_truth=unit_truth(spec, faults.evses, fleet.evses["evse_id"], EVSE_FAULTS),
        pairing_truth=pairing_truth(faults.pairings),
    )


def _play(
    spec: WorldSpec, fleet: Fleet, faults: Faults, effects: Effects, visits: Visits, number: int
) -> Round:
    """Let a round of visits happen."""
    now = situation(fleet, faults, visits, pilot_in_use(fleet))
    levels = pilot_levels(spec, fleet, faults, visits, f"levels {number}")
    chances = cause_chances(spec, fleet, faults, effects, visits, now, levels)
    cell = PairingFaults.key(
        fleet.vehicle_model[visits.vehicle], fleet.evse_model[visits.evse], now.firmware
    )
    stage = faults.pairings.stage[cell]
    ends = draw_endings(spec, fleet, Happening(visits, now, chances, stage), f"endings {number}")
    return Round(visits, now, levels, chances, ends)
