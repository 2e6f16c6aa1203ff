"""Worlds simulated, read by the whole pipeline in this process, and scored."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields
from pathlib import Path
from tempfile import TemporaryDirectory
from time import perf_counter

import polars as pl

from pipeline.core.weeks import week_end
from pipeline.measure.quality.from_logs.first import read_first_world
from pipeline.measure.quality.from_logs.scores import Scored, score
from pipeline.measure.quality.from_logs.units import World, read_world
from pipeline.orchestrate.run import Request, run_week
from pipeline.settings import Settings
from sample_logs import generator as town
from sample_logs.generator import SCENARIOS
from sample_logs.second_world import WORLDS, Mechanics, simulate

FIRST = "first-"
"""Before the name of one of the first generator's scenarios."""
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


def score_world(
    generator: Generator, size: Size, seed: int, settings: Settings, folder: Path
) -> Scored:
    """Simulate one world in a folder, run the pipeline on its delivery, score the week."""
    delivery = generator.write(folder, size, seed)
    request = Request((delivery,), folder / "store.duckdb", folder / "out", None, settings)
    result = run_week(request)
    scored = score(generator.read(folder / "truth"), result.folder, week_end(result.week))
    named = (pl.lit(generator.name).alias("world"), pl.lit(seed).alias("seed"))
    return Scored(*(getattr(scored, f.name).with_columns(*named) for f in fields(scored)))


def score_worlds(
    generator: Generator,
    size: Size,
    seeds: range,
    settings: Settings,
    tell: Tell,
    keep: Path | None = None,
) -> Scored:
    """Score a world over seeds; the folders are kept where asked for."""
    parts = list(_each(generator, size, seeds, settings, tell, keep))
    return Scored(
        *(
            pl.concat([getattr(part, f.name) for part in parts], how="diagonal_relaxed")
            for f in fields(Scored)
        )
    )


def _each(
    generator: Generator,
    size: Size,
    seeds: range,
    settings: Settings,
    tell: Tell,
    keep: Path | None,
) -> Iterator[Scored]:
    for seed in seeds:
        begun = perf_counter()
        name = f"{generator.name}-{size.vehicles}x{size.evses}-{seed}"
        with TemporaryDirectory() as scratch:
            folder = keep / name if keep else Path(scratch)
            yield score_world(generator, size, seed, settings, folder)
        tell(f"{name}: {perf_counter() - begun:.0f} s")
