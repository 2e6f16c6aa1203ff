"""Worlds simulated, read by the whole pipeline in this process, and scored."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from time import perf_counter

import polars as pl

from pipeline.core.weeks import week_before, week_end
from pipeline.measure.quality.from_logs.first import read_first_world
from pipeline.measure.quality.from_logs.scores import Scored, score
from pipeline.measure.quality.from_logs.timing import Published, referral_times
from pipeline.measure.quality.from_logs.units import World, read_world
from pipeline.orchestrate.run import Request, run_week
from pipeline.settings import Settings
from sample_logs import generator as town
from sample_logs.generator import SCENARIOS
from sample_logs.second_world import WORLDS, Mechanics, simulate

FIRST = "first-"
"""Before the name of one of the first generator's scenarios."""
FIRST_WEEK = 3
"""Where every week is published, the first is that after so many weeks of logs."""
Tell = Callable[[str], None]


@dataclass(frozen=True)
class Size:
    """How big a world is."""

    vehicles: int
    evses: int
    weeks: int = 12


@dataclass(frozen=True)
class Generator:
    """How a world is written to a folder (`write` gives the delivery) and what is true of it read back."""

    name: str
    write: Callable[[Path, Size, int], Path]
    read: Callable[[Path], World]


def generator_of(world: str) -> Generator:
    """The generator of a named world; raises KeyError with the names there are."""
    if world.startswith(FIRST) and world.removeprefix(FIRST) in SCENARIOS:
        return first(world.removeprefix(FIRST))
    if world not in WORLDS:
        names = (*WORLDS, *(FIRST + name for name in SCENARIOS))
        raise KeyError(f"no world {world!r}; there are {', '.join(names)}")
    return second(WORLDS[world])


def first(scenario: str) -> Generator:
    """The first generator with one of its scenarios."""

    def write(folder: Path, size: Size, seed: int) -> Path:
        town.simulate(folder, size.vehicles, size.evses, size.weeks, seed, scenario)
        return folder / "delivery"

    return Generator(FIRST + scenario, write, read_first_world)


def second(mechanics: Mechanics) -> Generator:
    """The second generator with any mechanics."""

    def write(folder: Path, size: Size, seed: int) -> Path:
        return simulate(folder, size.vehicles, size.evses, size.weeks, seed, mechanics)

    return Generator(mechanics.name, write, read_world)


@dataclass(frozen=True)
class Plan:
    """What is to be measured: worlds of one generator and size; every week published where asked."""

    generator: Generator
    size: Size
    settings: Settings
    every_week: bool = False


def score_world(plan: Plan, seed: int, folder: Path) -> Scored:
    """Simulate one world in a folder, run the pipeline on its delivery, score the last week."""
    delivery = plan.generator.write(folder, plan.size, seed)
    store, out = folder / "store.duckdb", folder / "out"
    result = run_week(Request((delivery,), store, out, None, plan.settings))
    world = plan.generator.read(folder / "truth")
    scored = score(world, result.folder, week_end(result.week))
    if plan.every_week:
        weeks = _weeks_before(result.week, plan.size.weeks - FIRST_WEEK)
        asked = [Request((delivery,), store, out, week, plan.settings) for week in weeks]
        published = [_published(run_week(request).folder, request.week) for request in asked]
        last = _published(result.folder, result.week)
        scored = replace(scored, times=referral_times(world, [*published, last]))
    return _named(scored, plan.generator.name, seed)


def _weeks_before(week: str, count: int) -> list[str]:
    """Weeks before a week, the earliest first."""
    weeks: list[str] = []
    for _ in range(max(0, count)):
        week = week_before(week)
        weeks.insert(0, week)
    return weeks


def _published(folder: Path, week: str | None) -> Published:
    calls = pl.read_csv(folder / "vehicles.csv", columns=["vehicle_id", "call"])
    return Published(week_end(week or folder.name), calls)


def _named(scored: Scored, world: str, seed: int) -> Scored:
    named = (pl.lit(world).alias("world"), pl.lit(seed).alias("seed"))
    return Scored(*(getattr(scored, f.name).with_columns(*named) for f in fields(scored)))


def score_worlds(plan: Plan, seeds: range, tell: Tell, keep: Path | None = None) -> Scored:
    """Score a world over seeds; the folders are kept where asked for."""
    parts = list(_each(plan, seeds, tell, keep))
    frames = ([getattr(part, f.name) for part in parts] for f in fields(Scored))
    return Scored(*(pl.concat(frame, how="diagonal_relaxed") for frame in frames))


def _each(plan: Plan, seeds: range, tell: Tell, keep: Path | None) -> Iterator[Scored]:
    for seed in seeds:
        begun = perf_counter()
        name = f"{plan.generator.name}-{plan.size.vehicles}x{plan.size.evses}-{seed}"
        with TemporaryDirectory() as scratch:
            yield score_world(plan, seed, keep / name if keep else Path(scratch))
        tell(f"{name}: {perf_counter() - begun:.0f} s")
