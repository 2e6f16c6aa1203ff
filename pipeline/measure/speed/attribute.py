"""Speed of attribution.

Big fleets made quickly, time, processor time and peak memory, and growth with the number of cells.
"""

from __future__ import annotations

import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import repeat
from multiprocessing import get_context

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.attribute.echoes import ECHO_NONE
from pipeline.attribute.evidence import CHECK_YES, Evidence
from pipeline.attribute.states.solve import solve
from pipeline.attribute.timers import Starts
from pipeline.core.one_thread import one_blas_thread
from pipeline.core.peak_memory import peak_mb
from pipeline.core.weeks import LookBack
from pipeline.settings.attribute import AttributeSettings

Ints = NDArray[np.int64]
WEEK = "2026-W14"
WEEKS = 12
MODELS, EVSE_MODELS = 12, 10
SIZES = (
    (500, 100, 250_000),
    (1_000, 200, 500_000),
    (2_000, 400, 1_000_000),
    (4_000, 800, 2_000_000),
    (10_000, 2_000, 10_000_000),
)
"""Vehicles, EVSEs, sessions of the growth curve; the third and the last are the two stated sizes."""


@dataclass(frozen=True)
class Size:
    """A fleet to be timed; `circle` is how many EVSEs a vehicle gets to."""

    vehicles: int
    evses: int
    sessions: int
    circle: int = 40
    seed: int = 1


def big_fleet(size: Size) -> Evidence:
    """Evidence of a random fleet: vehicles charge in a neighbourhood of EVSEs; rates vary.

    0.6 % of vehicles and 3 % of EVSEs go faulty.
    """
    rng = np.random.default_rng(size.seed)
    days = WEEKS * 7
    vehicle = rng.integers(0, size.vehicles, size.sessions)
    home = rng.integers(0, size.evses, size.vehicles)
    spread = np.minimum(rng.geometric(4.0 / size.circle, size.sessions) - 1, size.circle)
    evse = (home[vehicle] + spread) % size.evses
    at = np.sort(rng.uniform(0, days, size.sessions))
    fail = _failures(size, rng, vehicle, evse, at)
    model = evse % EVSE_MODELS
    begin, units = LookBack.of(WEEK, WEEKS).from_utc, _units(size)
    return Evidence(
        attempt_id=pl.Series("attempt_id", np.arange(size.sessions)),
        vehicle=vehicle,
        evse=evse,
        pairing=(vehicle % MODELS) * EVSE_MODELS + model,
        model=model,
        day=at.astype(np.int64),
        at_days=at,
        site=np.full(size.sessions, 0),
        place=np.full(size.sessions, 0),
        hour=np.full(size.sessions, 0),
        failed=fail,
        silent=np.zeros(size.sessions, dtype=bool),
        asked=~fail,
        wish=np.zeros(size.sessions),
        stay=np.full(size.sessions, -1, dtype=np.int8),
        left=np.full(size.sessions, -1, dtype=np.int8),
        starts=Starts(np.zeros(size.vehicles + 1), np.zeros(size.vehicles + 1)),
        weight=np.ones(size.sessions),
        echo=np.full(size.sessions, ECHO_NONE, dtype=np.int8),
        previous=np.full(size.sessions, -1),
        check=np.full(size.sessions, CHECK_YES, dtype=np.int8),
        vehicles=units["vehicles"],
        evses=units["evses"],
        pairings=units["pairings"],
        sites=units["sites"],
        models=units["models"],
        sizes=(size.vehicles + 1, size.evses, MODELS * EVSE_MODELS + 1, 1, 1, 1),
        met=(size.vehicles, size.evses, MODELS * EVSE_MODELS, 0, 0, 0),
        days=days,
        begin_utc=begin,
    )


def _failures(
    size: Size, rng: np.random.Generator, vehicle: Ints, evse: Ints, at: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Which sessions fail: by chance, at rates that vary from unit to unit, and by faults from their onset on."""
    eta = -3.9 + rng.normal(0, 0.5, size.vehicles)[vehicle] + rng.normal(0, 0.5, size.evses)[evse]
    fail = rng.random(size.sessions) < 1.0 / (1.0 + np.exp(-eta))
    for unit, count, share, strength in (
        (vehicle, size.vehicles, 0.006, 0.95),
        (evse, size.evses, 0.03, 0.6),
    ):
        onset = np.where(rng.random(count) < share, rng.uniform(0, WEEKS * 7, count), np.inf)
        fail |= (at >= onset[unit]) & (rng.random(size.sessions) < strength)
    return np.asarray(fail)


def _units(size: Size) -> dict[str, pl.DataFrame]:
    """The tables of units that go with `big_fleet`, every one of them listed."""
    pairs = range(MODELS * EVSE_MODELS)
    return {
        "vehicles": pl.DataFrame(
            {"vehicle_id": [f"v{i}" for i in range(size.vehicles)], "listed": True}
        ),
        "evses": pl.DataFrame(
            {"evse_id": [f"e{i}" for i in range(size.evses)], "coupler": "cType2", "listed": True}
        ),
        "pairings": pl.DataFrame(
            {
                "vehicle_model": [f"m{i // EVSE_MODELS}" for i in pairs],
                "evse_model": [f"x{i % EVSE_MODELS}" for i in pairs],
                "firmware": "1",
                "listed": True,
            }
        ),
        "sites": pl.DataFrame(schema={"site_id": pl.String}),
        "models": pl.DataFrame(
            {"evse_model": [f"x{i}" for i in range(EVSE_MODELS)], "firmware": "1"}
        ),
    }


@one_blas_thread()
def time_one(size: Size, settings: AttributeSettings) -> dict[str, float | int]:
    """Solve one fleet once.

    Vehicles, evses, sessions, cells, seconds by the clock, processor seconds, peak memory of the
    process in MB.
    """
    evidence = big_fleet(size)
    cells = len(np.unique(evidence.vehicle * size.evses + evidence.evse))
    clock, processor = time.perf_counter(), time.process_time()
    solve(evidence, settings)
    return {
        "vehicles": size.vehicles,
        "evses": size.evses,
        "sessions": size.sessions,
        "cells": cells,
        "seconds": time.perf_counter() - clock,
        "processor_seconds": time.process_time() - processor,
        "peak_mb": peak_mb(),
    }


def growth(
    settings: AttributeSettings, sizes: tuple[tuple[int, int, int], ...] = SIZES[:4]
) -> pl.DataFrame:
    """One row per size, ascending, as `time_one`, each in a process of its own.

    For a log-log plot of seconds over cells.
    """
    with ProcessPoolExecutor(1, mp_context=get_context("spawn"), max_tasks_per_child=1) as pool:
        return pl.DataFrame(
            list(pool.map(time_one, (Size(*size) for size in sizes), repeat(settings)))
        )


def growth_exponent(table: pl.DataFrame) -> float:
    """Slope of log processor seconds over log cells; 1 is linear growth."""
    slope, _ = np.polyfit(
        np.log(table["cells"].to_numpy()), np.log(table["processor_seconds"].to_numpy()), 1
    )
    return float(slope)
