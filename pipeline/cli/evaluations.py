"""What `whichside evaluate` measures, part by part, and prints."""

from __future__ import annotations

import json
from math import nan
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.cli import base

if TYPE_CHECKING:
    from pipeline.measure.quality.run import Fleet

SMALL = (80, 24, 4)
"""Vehicles, EVSEs and seeds of worlds from logs, unless others are asked for; they take minutes."""


def bench(cases: int, seed: int) -> None:
    """Simulated vehicles led at the bench."""
    from pipeline.measure.quality.bench import measure_bench
    from pipeline.measure.quality.bench_figures import as_words

    _tell(f"bench: {cases} vehicles")
    base.say(as_words(measure_bench(cases, seed), seed))


def attribution(
    fleets: tuple[Fleet, ...],
    scenarios: tuple[str, ...],
    first_seed: int,
    weeks: int,
    table_file: Path | None,
    plot: Path | None,
) -> None:
    """Simulated attempts attributed, where the truth is known."""
    from pipeline.measure.quality.claims import ATTRIBUTION, columns_of, table
    from pipeline.measure.quality.run import evaluate as evaluate_worlds
    from pipeline.measure.quality.run import summary
    from pipeline.settings import load_settings

    settings = load_settings().attribute
    evaluation = evaluate_worlds(
        fleets, scenarios, first_seed=first_seed, weeks=weeks, settings=settings, tell=_tell
    )
    base.say(f"Attribution, {weeks} weeks, seeds from {first_seed}\n")
    base.say(table(ATTRIBUTION, columns_of(summary(evaluation))))
    if table_file:
        evaluation.worlds.write_csv(table_file)
    if plot:
        from pipeline.measure.quality.picture import write_picture

        write_picture(evaluation, plot)


def referral(fleet: Fleet, scenarios: tuple[str, ...], first_seed: int) -> None:
    """Calls, warnings, and how soon proposed tests settle a question."""
    from pipeline.measure.quality.claims import CALLS, WARNINGS, head, table
    from pipeline.measure.quality.referral import (
        ATTEMPTS_PER_DAY,
        calls,
        calls_summary,
        early_warning,
        early_warning_summary,
    )
    from pipeline.measure.quality.settling import settled

    seeds = range(first_seed, first_seed + fleet.seeds)
    called, warned = {}, {}
    for scenario in scenarios:
        column = head({"scenario": scenario, "fleet": fleet, "seeds": fleet.seeds})
        _tell(f"calls and warnings: {column}")
        called[column] = calls_summary(
            calls(seeds, fleet.vehicles, fleet.evses, ATTEMPTS_PER_DAY, scenario)
        )
        warned[column] = early_warning_summary(
            early_warning(seeds, fleet.vehicles, fleet.evses, ATTEMPTS_PER_DAY, scenario)
        )
    base.say(
        f"\nReferral, {ATTEMPTS_PER_DAY:g} attempts a vehicle and day, seeds from {first_seed}\n"
    )
    base.say(
        table((*CALLS, *WARNINGS), {column: called[column] | warned[column] for column in called})
    )
    few = seeds[: max(1, fleet.seeds // 4)]
    tests = settled(few, min(fleet.vehicles, 300), min(fleet.evses, 60), ATTEMPTS_PER_DAY)
    means = tests.select("ordinary", "advised").mean().row(0)
    base.say(
        "\nAttempts until an undecided vehicle is settled, where most vehicles meet one EVSE only"
    )
    base.say(
        f"  ordinary use {means[0] or nan:.1f}, tests proposed {means[1] or nan:.1f}: {tests.height} vehicles, {len(few)} seeds"
    )


def from_logs(
    fleets: tuple[Fleet, ...] | None,
    worlds: tuple[str, ...],
    first_seed: int,
    weeks: int,
    keep: Path | None,
    *,
    units: bool,
    as_json: bool,
    every_week: bool,
) -> None:
    """Worlds simulated as deliveries, run through the whole pipeline, scored by what is published."""
    from pipeline.measure.quality.from_logs.figures import figures
    from pipeline.measure.quality.from_logs.run import Plan, Size, generator_of, score_worlds
    from pipeline.measure.quality.from_logs.table import misses, table
    from pipeline.measure.quality.run import Fleet
    from pipeline.settings import load_settings

    settings, told = load_settings(), []
    try:
        generators = [generator_of(world) for world in worlds]
    except KeyError as error:
        raise click.BadParameter(str(error.args[0]), param_hint="--world") from error
    for generator in generators:
        for fleet in fleets or (Fleet(*SMALL),):
            seeds = range(first_seed, first_seed + fleet.seeds)
            size = Size(fleet.vehicles, fleet.evses, weeks)
            plan = Plan(generator, size, settings, every_week)
            scored = score_worlds(plan, seeds, _tell, keep)
            counted = figures(scored)
            head = f"{generator.name}, {fleet.vehicles} vehicles x {fleet.evses} EVSEs x {weeks} weeks, "
            head += f"{fleet.seeds} seeds from {first_seed}"
            told.append({"world": head, **counted})
            if not as_json:
                base.say(f"\n{head}\n{table(counted)}")
                if units:
                    base.say(f"\n{misses(scored)}")
    if as_json:
        base.say(json.dumps(told, indent=2))


def reading() -> None:
    """Attempts of the sample logs, read."""
    from pipeline.measure.quality.claims import READING, table
    from pipeline.measure.quality.reading import read_sample
    from pipeline.registry import SCHEMAS
    from pipeline.settings import load_settings

    base.say("\nAttempts read from the sample's dirty logs\n")
    base.say(
        table(
            READING, {"invented town": read_sample(SCHEMAS.parent / "sample_logs", load_settings())}
        )
    )


def _tell(said: str) -> None:
    """How far it is, apart from what is measured."""
    base.say(said, err=True)
