"""How an attempt ends: four causes that may each strike, the earliest stage winning.

Standard worlds: causes strike independently (a noisy-OR). Misspecified worlds: one logit with an
interaction, weather, drift and heavy tails; its total is split into independent causes by what
each one's removal would change, so that the truth stays a cause per failure.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sample_logs.generator.faults import Faults, PairingFaults
from sample_logs.generator.fleet import Fleet
from sample_logs.generator.levels import Levels
from sample_logs.generator.models import VEHICLE_MODELS
from sample_logs.generator.spec import DAY_S, VEHICLE_FAULTS, WorldSpec
from sample_logs.generator.usage import Visits

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

CAUSES = ("vehicle", "evse", "pairing", "chance")
VEHICLE, EVSE, PAIRING, CHANCE = range(4)


@dataclass(frozen=True)
class Effects:
    """Usual differences between vehicles and between EVSEs, on the logit scale."""

    vehicle: Floats
    evse: Floats


def draw_effects(spec: WorldSpec) -> Effects:
    """Normal effects; heavy-tailed (t with 3 degrees of freedom) in a misspecified world."""
    rng = spec.rng("effects")
    if spec.rates.misspecified:
        scale = np.sqrt(1 / 3)
        vehicle = np.clip(scale * rng.standard_t(3, spec.vehicles), -4, 4)
        evse = np.clip(scale * rng.standard_t(3, spec.evses), -4, 4)
    else:
        vehicle, evse = rng.normal(size=spec.vehicles), rng.normal(size=spec.evses)
    return Effects(vehicle * spec.rates.vehicle_sd, evse * spec.rates.evse_sd)


def expit(x: Floats) -> Floats:
    """Inverse logit."""
    return np.asarray(1.0 / (1.0 + np.exp(-x)))


@dataclass(frozen=True)
class Situation:
    """What holds at each attempt, by row: models, firmware, kinds of fault now on (-1: none)."""

    firmware: Ints
    vehicle_fault: Ints
    evse_fault: Ints
    is_dc: Bools
    has_pilot: Bools


def situation(fleet: Fleet, faults: Faults, visits: Visits, has_pilot: Bools) -> Situation:
    """Look up what holds at each attempt's start."""
    car, box, at = visits.vehicle, visits.evse, visits.start_s
    firmware = np.where(
        at >= fleet.firmware_at_s[box], fleet.firmware_then[box], fleet.firmware_first[box]
    )
    return Situation(
        firmware,
        np.where(faults.vehicles.active(car, at), faults.vehicles.kind[car], -1),
        np.where(faults.evses.active(box, at), faults.evses.kind[box], -1),
        fleet.supply_dc[box],
        has_pilot[box],
    )


def _vehicle_strength(now: Situation, faults: Faults, visits: Visits, levels: Levels) -> Floats:
    """Chance that a vehicle's fault shows here: none on another inlet, none where nobody looks."""
    severity = faults.vehicles.severity[visits.vehicle]
    kind = now.vehicle_fault
    name = {k: kind == i for i, k in enumerate(VEHICLE_FAULTS)}
    diode = name["pilot_diode_shorted"] | name["pilot_diode_leaky"]
    ac_only = name["charger_input"] | name["never_requests"]
    shows = (diode & now.has_pilot & levels.diode_refused) | (ac_only & ~now.is_dc)
    shows |= name["inlet_lock"] & now.has_pilot
    return np.where(shows, severity, 0.0)


def cause_chances(
    spec: WorldSpec,
    fleet: Fleet,
    faults: Faults,
    effects: Effects,
    visits: Visits,
    now: Situation,
    levels: Levels,
) -> Floats:
    """Chance of each cause to strike at each attempt: shape (attempts, 4), order of `CAUSES`."""
    vehicle = _vehicle_strength(now, faults, visits, levels)
    evse = np.where(now.evse_fault >= 0, faults.evses.severity[visits.evse], 0.0)
    key = PairingFaults.key(
        fleet.vehicle_model[visits.vehicle], fleet.evse_model[visits.evse], now.firmware
    )
    pairing = faults.pairings.probability[key]
    base = np.log(spec.rates.chance / (1 - spec.rates.chance)) * np.ones(len(key))
    base += effects.vehicle[visits.vehicle] + effects.evse[visits.evse]
    if spec.rates.misspecified:
        return _misspecified(spec, faults, visits, base, (vehicle, evse, pairing))
    return np.stack([vehicle, evse, pairing, expit(base)], axis=1)


def _misspecified(
    spec: WorldSpec,
    faults: Faults,
    visits: Visits,
    base: Floats,
    strengths: tuple[Floats, Floats, Floats],
) -> Floats:
    """One logit for all.

    Weather, drift, faults that add up and interact, repairs that half work.
    """
    at, rng = visits.start_s, spec.rng("weather")
    daily = np.convolve(rng.normal(size=spec.days + 12), np.ones(6) / np.sqrt(6), "same")
    wet = daily[np.minimum((at / DAY_S).astype(int), spec.days - 1) + 6]
    drift = 0.5 * np.sin(2 * np.pi * at / (61 * DAY_S)) + 0.4 * at / (spec.days * DAY_S)
    vehicle, evse, pairing = strengths
    left_car = _residual(faults.vehicles.to_s, faults.vehicles.severity, visits.vehicle, at)
    left_box = _residual(faults.evses.to_s, faults.evses.severity, visits.evse, at)
    push = [
        np.where(vehicle > 0, 5.5 * vehicle + 0.9 * wet, 0.0) + left_car,
        np.where(evse > 0, 5.0 * evse + 0.9 * wet, 0.0) + left_box,
        6.0 * pairing,
    ]
    eta = base + drift + sum(push) + 0.8 * (vehicle > 0) * (evse > 0) + 0.25 * wet
    total = expit(eta)
    without = [total - expit(eta - p) for p in push]
    rest = expit(base + drift + 0.25 * wet)
    weight = np.stack([*without, np.minimum(rest, total)], axis=1)
    share = np.maximum(weight, 0.0) / np.maximum(weight, 0.0).sum(axis=1, keepdims=True)
    hazard = -np.log1p(-np.minimum(total, 1 - 1e-9))[:, None] * share
    return np.asarray(-np.expm1(-hazard), dtype=np.float64)


def _residual(to_s: Floats, severity: Floats, unit: Ints, at: Floats) -> Floats:
    """What a repair left behind, on the logit: in 4 of 10 units a third of the fault stays."""
    half_done = (severity * 1e6).astype(np.int64) % 10 < 4
    after = np.isfinite(to_s[:, 0])[unit] & (at >= to_s[unit, 0]) & half_done[unit]
    return np.where(after, 1.8 * severity[unit], 0.0)


def pilot_in_use(fleet: Fleet) -> Bools:
    """Whether an EVSE's plug uses the pilot: all but the DC coupler with its own signals."""
    return (fleet.evses["connector_type"] != "cG105").to_numpy()


def power_kw(fleet: Fleet, visits: Visits) -> Floats:
    """Power in kW that vehicle and EVSE manage together."""
    model = fleet.vehicle_model[visits.vehicle]
    own = np.array([m[1] for m in VEHICLE_MODELS])[model]
    phases = np.array([m[2] for m in VEHICLE_MODELS])[model]
    amps = fleet.evses["max_current_a"].to_numpy()[visits.evse]
    theirs = fleet.evses["phases"].to_numpy()[visits.evse]
    ac = np.minimum(own, 0.23 * amps * np.minimum(phases, theirs))
    dc = 0.7 * fleet.evses["max_power_kw"].to_numpy()[visits.evse]
    return np.where(fleet.supply_dc[visits.evse], dc, ac)
