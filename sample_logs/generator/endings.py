"""From causes to what happened.

Outcome, stage, fault reported, times within the attempt, energy.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sample_logs.generator.fleet import Fleet
from sample_logs.generator.marks import CODE, chance_marks, evse_marks, pick, vehicle_marks
from sample_logs.generator.mechanics import VEHICLE, Situation, power_kw
from sample_logs.generator.spec import (
    DELIVERING,
    ENERGISED,
    OFFERED,
    PLUGGED,
    REQUESTED,
    VEHICLE_FAULTS,
    WorldSpec,
)
from sample_logs.generator.usage import Visits

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

OUTCOMES = ("charged", "failed", "declined", "abandoned", "not_requested", "unknown")
CHARGED, FAILED, DECLINED, ABANDONED, NOT_REQUESTED = range(5)
NEVER = 99


@dataclass(frozen=True)
class Endings:
    """One row an attempt. Times in s after plugging in (nan: not reached).

    Codes into the tuples.
    """

    outcome: Ints
    stage: Ints
    fault: Ints
    cause: Ints
    auth_s: Floats
    pwm_s: Floats
    request_s: Floats
    closed_s: Floats
    fault_s: Floats
    stop_s: Floats
    left_s: Floats
    energy_kwh: Floats
    full: Bools


@dataclass(frozen=True)
class Happening:
    """Attempts before their end is drawn: what holds, each cause's chance, the pairing's stage."""

    visits: Visits
    now: Situation
    chances: Floats
    pairing_stage: Ints


def draw_endings(spec: WorldSpec, fleet: Fleet, what: Happening, part: str) -> Endings:
    """Draw how each attempt ends; the earliest stage among the causes that strike decides."""
    visits, now = what.visits, what.now
    rng = spec.rng(part)
    n = len(visits.start_s)
    marks = [
        vehicle_marks(rng, fleet, visits, now),
        evse_marks(rng, fleet, visits, now),
        (what.pairing_stage, pick(rng, n, ("InternalError", "OtherError"), (0.7, 0.3))),
        chance_marks(rng, n),
    ]
    stage = np.stack([m[0] for m in marks], axis=1).astype(np.float64)
    struck = rng.random((n, 4)) < what.chances
    rank = np.where(struck, stage + 0.01 * rng.random((n, 4)), NEVER)
    cause = rank.argmin(axis=1)
    row = np.arange(n)
    fault_stage = np.where(struck.any(axis=1), stage[row, cause], NEVER).astype(np.int64)
    code = np.stack([m[1] for m in marks], axis=1)[row, cause]
    benign, benign_stage = _driver(spec, rng, n)
    failed = fault_stage <= benign_stage
    failed &= fault_stage < NEVER
    asks_never = failed & (cause == VEHICLE)
    asks_never &= now.vehicle_fault == VEHICLE_FAULTS.index("never_requests")
    outcome = np.where(failed, np.where(asks_never, NOT_REQUESTED, FAILED), benign)
    reached = np.where(failed, fault_stage, np.minimum(benign_stage, DELIVERING))
    cause = np.where(failed, cause, -1)
    shown = failed & ~asks_never
    code = np.where(shown, code, 0)
    return _timed(fleet, rng, visits, _End(outcome, reached, code, cause))


def _driver(spec: WorldSpec, rng: np.random.Generator, n: int) -> tuple[Ints, Ints]:
    """What the driver or the timetable makes of the attempt, and the stage where that ends it."""
    rates, u = spec.rates, rng.random(n)
    edges = np.cumsum([rates.declined, rates.abandoned, rates.waits])
    kind = np.searchsorted(edges, u, side="right")
    outcome = np.array([DECLINED, ABANDONED, NOT_REQUESTED, CHARGED])[kind]
    stage = np.array([PLUGGED, PLUGGED, OFFERED, NEVER - 1])[kind]
    return outcome, stage


@dataclass(frozen=True)
class _End:
    """Outcome, stage, fault code and cause by row."""

    outcome: Ints
    stage: Ints
    code: Ints
    cause: Ints


def _timed(fleet: Fleet, rng: np.random.Generator, visits: Visits, end: _End) -> Endings:
    """Put times to the stages reached, and energy to what was delivered."""
    outcome, stage, code, cause = end.outcome, end.stage, end.code, end.cause
    n = len(outcome)
    slot = visits.end_s - visits.start_s
    dc = fleet.supply_dc[visits.evse]
    auth = rng.gamma(3.0, 5.0, n).clip(2, 60)
    pwm = auth + rng.uniform(0.3, 2.0, n)
    request = pwm + np.where(dc, rng.uniform(8, 25, n), rng.gamma(2.0, 1.2, n).clip(0.4, 15))
    closed = request + np.where(dc, rng.uniform(6, 20, n), rng.uniform(0.3, 2.6, n))
    begins = closed + rng.uniform(2, 9, n)
    failed = outcome == FAILED
    power = power_kw(fleet, visits)
    need = rng.gamma(2.2, 6.0, n) + 1.0
    nearly_full = rng.random(n) < 0.015
    need = np.where(nearly_full, rng.uniform(0.08, 0.4, n), need)
    full_s = begins + need / power * 3600
    wanted = np.minimum(full_s, slot - rng.uniform(5, 25, n))
    looks = np.where(
        code == CODE["EVCommunicationError"], rng.uniform(5, 50, n), rng.uniform(0.4, 6, n)
    )
    fault_s = np.choose(
        stage,
        [
            rng.uniform(0.1, 0.95, n) * pwm,
            pwm + looks,
            request + rng.uniform(0.1, 0.95, n) * (closed - request),
            closed + rng.uniform(0.1, 20.0, n),
            begins + rng.beta(1.0, 2.0, n) * np.maximum(wanted - begins, 1.0),
        ],
    )
    fault_s = np.where(code == CODE["NoAnswer"], auth + rng.uniform(10, 30, n), fault_s)
    stop = np.where(failed, fault_s, np.where(outcome == CHARGED, wanted, np.nan))
    energy = np.where(stage >= DELIVERING, power * np.maximum(stop - begins, 0.0) / 3600, 0.0)
    energy *= np.where(outcome == CHARGED, 1.0, rng.uniform(0.7, 1.0, n))
    reaction = rng.gamma(2.0, 90.0, n).clip(20, 700)
    left = np.select(
        [failed, outcome == DECLINED, outcome == ABANDONED],
        [stop + reaction, pwm + reaction, np.maximum(rng.uniform(0.2, 0.9, n) * pwm, 3.0)],
        slot,
    )
    no = np.nan
    return Endings(
        outcome=outcome,
        stage=stage,
        fault=code,
        cause=cause,
        auth_s=np.where(outcome == ABANDONED, no, auth),
        pwm_s=np.where(stage >= OFFERED, pwm, no),
        request_s=np.where(stage >= REQUESTED, request, no),
        closed_s=np.where(stage >= ENERGISED, closed, no),
        fault_s=np.where(failed, fault_s, no),
        stop_s=np.where(stage >= DELIVERING, stop, no),
        left_s=np.minimum(left, slot),
        energy_kwh=energy,
        full=(outcome == CHARGED) & (full_s <= wanted),
    )
