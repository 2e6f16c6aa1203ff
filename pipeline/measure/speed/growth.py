"""How a whole run grows: deliveries of larger and larger fleets, as sites hand them over.

Each fleet's delivery is made, read bare, run whole in a process of its own, and deleted, one after
the other in one run; work is counted in delivered lines. Growth is the slope of the logarithms: 1
is linear. Processor time, not the wall, since it depends least on what else the machine does.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.measure.speed.job import run_job
from pipeline.measure.speed.run import STAGES, HandOver

Simulate = Callable[[Path, int, int, int, int], object]
"""folder, vehicles, EVSEs, weeks, seed: writes `delivery` in the folder."""
WHOLE, BARE, PEAK = "whole", "bare read", "peak memory"
VEHICLES_AN_EVSE = 5
MOST_GROWTH = 1.05
"""The exponent of a stage's processor time over delivered lines that is asked at most; decided."""


@dataclass(frozen=True)
class Makers:
    """How a fleet's delivery is made and handed over."""

    simulate: Simulate
    hand_over: HandOver


def measure_growth(
    vehicles: Sequence[int], weeks: int, seed: int, folder: Path, makers: Makers
) -> list[dict[str, Any]]:
    """One row a fleet, in the order given: what its whole run took, and under `bare` its bare read.

    Raises WhichsideError when a job fails.
    """
    return [_one_fleet(count, weeks, seed, folder / str(count), makers) for count in vehicles]


def _one_fleet(
    vehicles: int, weeks: int, seed: int, folder: Path, makers: Makers
) -> dict[str, Any]:
    evses, many = max(2, round(vehicles / VEHICLES_AN_EVSE)), folder / "many"
    folder.mkdir(parents=True)
    makers.simulate(folder, vehicles, evses, weeks, seed)
    makers.hand_over(folder / "delivery", many, folder / "one", seed)
    for done_with in ("delivery", "one"):
        shutil.rmtree(folder / done_with)
    bare = run_job("run_jobs", "bare", many, folder / "bare.duckdb")
    (folder / "bare.duckdb").unlink(missing_ok=True)
    run = run_job("run_jobs", "run", many, folder / "w.duckdb")
    shutil.rmtree(folder)
    return {"vehicles": vehicles, "evses": evses, "bare": bare, **run}


def costs(row: dict[str, Any]) -> dict[str, float]:
    """Processor seconds of a fleet's run by stage, whole, and of its bare read; its peak in MB."""
    stages = {stage: float(row["stages_cpu_s"][stage]) for stage in STAGES}
    return stages | {WHOLE: row["cpu_s"], BARE: row["bare"]["cpu_s"], PEAK: row["peak_mb"]}


def exponents(rows: Sequence[dict[str, Any]]) -> dict[str, float]:
    """Slope of log cost over log delivered lines, by what `costs` tells; least squares."""
    lines = np.log([row["lines"] for row in rows])
    told = [costs(row) for row in rows]
    return {
        what: float(np.polyfit(lines, np.log([cost[what] for cost in told]), 1)[0])
        for what in told[0]
    }


def as_words(rows: Sequence[dict[str, Any]]) -> str:
    """A table: a fleet a line, then growth over all fleets and over the last two.

    What a run costs whatever it reads makes the first slope smaller than the second.
    """
    heads = (*STAGES, WHOLE, BARE)
    width = 36
    lines = [
        "processor seconds by stage; MB: the most memory held until the stage's end",
        f"{'':<{width}}" + "".join(f"{head:>18}" for head in heads),
    ]
    for row in rows:
        cost, size = costs(row), f"{row['vehicles']:,} x {row['evses']:,}, {row['lines']:,} lines"
        lines.append(f"{size:<{width}}" + "".join(_cell(row, cost, head) for head in heads))
    slopes = {"growth": rows} if len(rows) < 3 else {"growth": rows, "of the last two": rows[-2:]}
    for name, of in slopes.items():
        slope = exponents(of)
        lines.append(f"{name:<{width}}" + "".join(f"{slope[head]:>18.2f}" for head in heads))
        lines.append(f"{name + ', peak memory':<{width}}{slope[PEAK]:>18.2f}")
    last = exponents(rows[-2:])
    over = [stage for stage in (*STAGES, WHOLE) if last[stage] > MOST_GROWTH]
    verdict = f"NOT met: {', '.join(over)}" if over else "met"
    lines.append(f"asked of every stage, over the last two: <= {MOST_GROWTH:g}, {verdict}")
    return "\n".join(lines)


def _cell(row: dict[str, Any], cost: dict[str, float], head: str) -> str:
    peak = {**row["stages_peak_mb"], WHOLE: row["peak_mb"], BARE: row["bare"]["peak_mb"]}[head]
    return f"{cost[head]:>8.1f} {peak:>6,.0f} MB"
