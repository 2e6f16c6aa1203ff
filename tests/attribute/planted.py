"""Small fleets with planted faults, made for these tests.

Attempts as the attribution takes them, truth known.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl

WEEK = "2026-W14"
END = datetime(2026, 4, 6, tzinfo=UTC)


@dataclass(frozen=True)
class Plan:
    """What is planted. Faults: unit number → (first day, last day (excl.), failure probability)."""

    vehicles: int = 30
    evses: int = 12
    days: int = 84
    per_day: float = 1.5
    base: float = 0.03
    vehicle_faults: dict[int, tuple[int, int, float]] = field(default_factory=dict)
    evse_faults: dict[int, tuple[int, int, float]] = field(default_factory=dict)
    loyal: dict[int, int] = field(default_factory=dict)
    exclusive: tuple[int, ...] = ()
    bad_pairing: tuple[str, str, float] | None = None
    diode: bool = False
    supply: str = "AC"


def plant(plan: Plan, seed: int = 1) -> pl.DataFrame:
    """Attempts of the plan. `loyal` vehicles use one EVSE only.

    `exclusive` EVSEs serve only those loyal to them.
    """
    rng = np.random.default_rng(seed)
    n = rng.poisson(plan.per_day * plan.days * plan.vehicles)
    vehicle = rng.integers(0, plan.vehicles, n)
    shared = np.array([e for e in range(plan.evses) if e not in plan.exclusive])
    evse = shared[rng.integers(0, len(shared), n)]
    for v, e in plan.loyal.items():
        evse[vehicle == v] = e
    at = np.sort(rng.uniform(0, plan.days, n))
    escape = np.full(n, 1.0 - plan.base)
    checks = np.where(evse % 4 == 3, "no", "yes")
    for unit, faults in ((vehicle, plan.vehicle_faults), (evse, plan.evse_faults)):
        for u, (first, last, q) in faults.items():
            bites = (unit == u) & (at >= first) & (at < last)
            if plan.diode and unit is vehicle:
                bites &= checks == "yes"
            escape[bites] *= 1.0 - q
    vm, em = vehicle % 3, evse % 2
    if plan.bad_pairing is not None:
        a, b, q = plan.bad_pairing
        escape[(vm == int(a)) & (em == int(b))] *= 1.0 - q
    failed = rng.random(n) >= escape
    begin = END - timedelta(days=plan.days)
    return pl.DataFrame(
        {
            "attempt_id": [f"a{i:06d}" for i in range(n)],
            "vehicle_id": [f"v{i:03d}" for i in vehicle],
            "evse_id": [f"e{i:03d}" for i in evse],
            "coupler": ["cType2" if plan.supply == "AC" else "cCCS2"] * n,
            "vehicle_model": [f"vm{i}" for i in vm],
            "evse_model": [f"em{i}" for i in em],
            "firmware": ["1.0"] * n,
            "plugged_at_utc": [begin + timedelta(days=float(x)) for x in at],
            "supply": [plan.supply] * n,
            "outcome": np.where(failed, "failed", "charged"),
            "stage": np.where(failed, "requested", "delivering"),
            "stage_seconds": 5.0,
            "fault": pl.Series([None] * n, dtype=pl.String),
            "early_b": failed,
            "weight": 1.0,
            "diode_check": checks,
        }
    ).with_columns(pl.col("plugged_at_utc").dt.cast_time_unit("us"))
