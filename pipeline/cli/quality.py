"""The command that measures quality: `evaluate` prints every figure claimed, over seeds."""

from __future__ import annotations

from math import nan
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline.cli import base
from pipeline.cli.base import main

if TYPE_CHECKING:
    from pipeline.measure.quality.run import Fleet


class _FleetType(click.ParamType[Any]):
    """VEHICLESxEVSESxSEEDS."""

    name = "VEHICLESxEVSESxSEEDS"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        from pipeline.measure.quality.run import Fleet

        parts = str(value).split("x")
        if len(parts) != 3 or not all(part.isdecimal() and int(part) for part in parts):
            self.fail(f"{value!r} is no {self.name}, as 600x120x20", param, ctx)
        return Fleet(*map(int, parts))


PARTS = ("attribution", "referral", "reading", "bench")


@main.command()
@click.option(
    "--fleet", "fleets", type=_FleetType(), multiple=True, default=("2000x400x6", "600x120x20"), show_default=True,
    help="Worlds to attribute; may be given again.",
)  # fmt: skip
@click.option(
    "--referred",
    type=_FleetType(),
    default="400x80x6",
    show_default=True,
    help="Worlds for calls and warnings.",
)
@base.count("--first-seed", 1000, least=0)
@base.count("--weeks", 12, "Weeks of a world that is attributed.", least=2, most=26)
@click.option(
    "--scenario",
    "scenarios",
    multiple=True,
    default=("standard", "misspecified"),
    show_default=True,
    help="May be given again.",
)
@click.option(
    "--part",
    "parts",
    type=click.Choice(PARTS),
    multiple=True,
    default=PARTS,
    show_default=True,
    help="May be given again.",
)
@base.count("--bench-cases", 2000, "Vehicles led at the bench.", least=10)
@click.option(
    "--csv",
    "table_file",
    type=base.path_type(folder=False),
    help="Write attribution's table, a row a world, to this file.",
)
@click.option(
    "--plot",
    type=base.path_type(folder=False),
    help="Draw attribution's calibration and shares to this SVG or PNG file.",
)
@click.option(
    "--from-logs",
    is_flag=True,
    help="Simulate deliveries, run the whole pipeline on them and score what is published; "
    "--fleet is 80x24x4 then unless given.",
)
@click.option(
    "--world",
    "worlds",
    multiple=True,
    default=("standard",),
    show_default=True,
    help="From logs: a world of the second generator, or of the first as first-SCENARIO.",
)
@click.option(
    "--every-week",
    is_flag=True,
    help="From logs: publish every week and say how soon vehicles are referred.",
)
@click.option("--units", is_flag=True, help="From logs: list every unit missed or wrongly called.")
@click.option("--json", "as_json", is_flag=True, help="From logs: print the figures as JSON.")
@click.option(
    "--keep",
    type=base.path_type(folder=True),
    help="From logs: keep worlds, warehouses and weeks in this folder.",
)
@click.pass_context
def evaluate(
    context: click.Context, fleets: tuple[Fleet, ...], referred: Fleet, first_seed: int, weeks: int, scenarios: tuple[str, ...],
    bench_cases: int,
    parts: tuple[str, ...], table_file: Path | None, plot: Path | None, worlds: tuple[str, ...], keep: Path | None,
    *, from_logs: bool, units: bool, as_json: bool, every_week: bool,
) -> None:  # fmt: skip
    """Measure the quality of attribution, referral and reading where the truth is known, over
    seeds.
    """
    if from_logs:
        given = context.get_parameter_source("fleets") is not click.core.ParameterSource.DEFAULT
        _from_logs(
            fleets if given else _small(),
            worlds,
            first_seed,
            weeks,
            keep,
            units=units,
            as_json=as_json,
            every_week=every_week,
        )
        return
    if plot and plot.suffix not in {".svg", ".png"}:
        raise click.BadParameter(
            f"{plot.name!r} ends neither in .svg nor in .png", param_hint="--plot"
        )
    if "attribution" in parts:
        _attribution(fleets, scenarios, first_seed, weeks, table_file, plot)
    if "referral" in parts:
        _referral(referred, scenarios, first_seed)
    if "reading" in parts:
        _reading()
    if "bench" in parts:
        _bench(bench_cases, first_seed)


def _bench(cases: int, seed: int) -> None:
    from pipeline.measure.quality.bench import as_words, measure_bench

    _tell(f"bench: {cases} vehicles")
    base.say(as_words(measure_bench(cases, seed), seed))


def _attribution(
    fleets: tuple[Fleet, ...],
    scenarios: tuple[str, ...],
    first_seed: int,
    weeks: int,
    table_file: Path | None,
    plot: Path | None,
) -> None:
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


def _referral(fleet: Fleet, scenarios: tuple[str, ...], first_seed: int) -> None:
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


def _small() -> tuple[Fleet, ...]:
    from pipeline.measure.quality.run import Fleet

    return (Fleet(80, 24, 4),)


def _from_logs(
    fleets: tuple[Fleet, ...],
    worlds: tuple[str, ...],
    first_seed: int,
    weeks: int,
    keep: Path | None,
    *,
    units: bool,
    as_json: bool,
    every_week: bool,
) -> None:
    import json

    from pipeline.measure.quality.from_logs.figures import figures
    from pipeline.measure.quality.from_logs.run import Plan, Size, generator_of, score_worlds
    from pipeline.measure.quality.from_logs.table import misses, table
    from pipeline.settings import load_settings

    settings, told = load_settings(), []
    try:
        generators = [generator_of(world) for world in worlds]
    except KeyError as error:
        raise click.BadParameter(str(error.args[0]), param_hint="--world") from error
    for generator in generators:
        for fleet in fleets:
            seeds = range(first_seed, first_seed + fleet.seeds)
            size = Size(fleet.vehicles, fleet.evses, weeks)
            plan = Plan(generator, size, settings, every_week)
            scored = score_worlds(plan, seeds, _tell, keep)
            counted = figures(scored)
            head = f"{generator.name}, {fleet.vehicles} vehicles x {fleet.evses} EVSEs x {weeks} weeks, "
            head += f"{fleet.seeds} seeds from {first_seed}"
            told.append({"world": head, **counted})
            if not as_json:
                click.echo(f"\n{head}\n{table(counted)}")
                if units:
                    click.echo(f"\n{misses(scored)}")
    if as_json:
        click.echo(json.dumps(told, indent=2))


def _reading() -> None:
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
