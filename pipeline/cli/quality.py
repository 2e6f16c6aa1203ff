"""The command that measures quality: `evaluate` prints every figure claimed, over seeds."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline.cli import base, evaluations
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
        evaluations.from_logs(
            fleets if given else None,
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
        evaluations.attribution(fleets, scenarios, first_seed, weeks, table_file, plot)
    if "referral" in parts:
        evaluations.referral(referred, scenarios, first_seed)
    if "reading" in parts:
        evaluations.reading()
    if "bench" in parts:
        evaluations.bench(bench_cases, first_seed)
