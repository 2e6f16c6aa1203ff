"""Worlds simulated, read by the whole pipeline in this process, and scored."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields
from pathlib import Path
from tempfile import TemporaryDirectory
from time import perf_counter

import polars as pl

from pipeline.core.weeks import week_end
from pipeline.measure.quality.from_logs.scores import Scored, score
from pipeline.measure.quality.from_logs.units import read_world
from pipeline.orchestrate.run import Request, run_week
from pipeline.settings import Settings
from sample_logs.second_world import WORLDS, Mechanics, simulate

Tell = Callable[[str], None]


@dataclass(frozen=True)
class Size:
    """How big a world is."""

    vehicles: int
    evses: int
    weeks: int = 12


def writer_of(world: str) -> Mechanics:
    """The mechanics of a named world; raises KeyError with the names there are."""
    if world not in WORLDS:
        raise KeyError(f"no world {world!r}; there are {', '.join(WORLDS)}")
    return WORLDS[world]


def score_world(world: str, size: Size, seed: int, settings: Settings, folder: Path) -> Scored:
    """Simulate one world in a folder, run the pipeline on its delivery, score the week."""
    delivery = simulate(folder, size.vehicles, size.evses, size.weeks, seed, writer_of(world))
    request = Request((delivery,), folder / "store.duckdb", folder / "out", None, settings)
    result = run_week(request)
    scored = score(read_world(folder / "truth"), result.folder, week_end(result.week))
    return Scored(
        *(
            getattr(scored, f.name).with_columns(world=pl.lit(world), seed=pl.lit(seed))
            for f in fields(scored)
        )
    )


def score_worlds(
    world: str, size: Size, seeds: range, settings: Settings, tell: Tell, keep: Path | None = None
) -> Scored:
    """Score a world over seeds; the folders are kept where asked for."""
    parts = list(_each(world, size, seeds, settings, tell, keep))
    return Scored(
        *(
            pl.concat([getattr(part, f.name) for part in parts], how="diagonal_relaxed")
            for f in fields(Scored)
        )
    )


def _each(
    world: str, size: Size, seeds: range, settings: Settings, tell: Tell, keep: Path | None
) -> Iterator[Scored]:
    for seed in seeds:
        begun = perf_counter()
        with TemporaryDirectory() as scratch:
            folder = (
                keep / f"{world}-{size.vehicles}x{size.evses}-{seed}" if keep else Path(scratch)
            )
            yield score_world(world, size, seed, settings, folder)
        tell(f"{world} {size.vehicles} x {size.evses}, seed {seed}: {perf_counter() - begun:.0f} s")
