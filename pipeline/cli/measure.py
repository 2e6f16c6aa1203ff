"""The command that measures speed: `bench` prints every ratio claimed."""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.cli import base
from pipeline.cli.base import main
from pipeline.core.errors import WhichsideError

if TYPE_CHECKING:
    import polars as pl

ASKED = {1_000_000: " (asked < 3 s)", 10_000_000: " (asked < 60 s, 2,000 MB)"}
"""By sessions; decided."""
QUICKEST = "Rounds, of which the quickest counts."


@main.group(invoke_without_command=True, subcommand_metavar="[COMMAND] [ARGS]...")
@click.option(
    "--small",
    is_flag=True,
    help="Without a name: small sizes, done in minutes. README tells the usual ones.",
)
@click.pass_context
def bench(ctx: click.Context, *, small: bool) -> None:
    """Measure speed and memory, as ratios in one run; without a name, all of them.

    A vehicle at the workshop's bench is weighed by `whichside case`.
    """
    if ctx.invoked_subcommand in {None, "ingest"}:
        _need("pandas", "the json loop that ingest is compared with")
    if ctx.invoked_subcommand is None:
        ctx.invoke(
            bench_run,
            vehicles=100 if small else 600,
            evses=24 if small else 120,
            rounds=1 if small else 3,
        )
        ctx.invoke(bench_demo)
        ctx.invoke(bench_attribute, largest=not small)
        ctx.invoke(bench_validate, rows=200_000 if small else 5_000_000)
        ctx.invoke(bench_ingest, gigabytes=0.05 if small else 5.0, rounds=1 if small else 2)


def _need(package: str, what_for: str) -> None:
    """Say at once, before anything is measured, that an optional package is missing."""
    if find_spec(package) is None:
        raise WhichsideError(
            f"{package} is not installed: {what_for} needs it",
            next_step=f"pip install {package}, or measure a part without it: "
            "whichside bench run, demo, validate or attribute",
        )


@bench.command("run")
@base.fleet(vehicles=600, evses=120, weeks=12, least_weeks=2)
@base.count("--rounds", 3, QUICKEST)
@base.as_json
def bench_run(
    vehicles: int = 600, evses: int = 120, weeks: int = 12, seed: int = 1, rounds: int = 3,
    *, as_json: bool = False,
) -> None:  # fmt: skip
    """A whole run on a delivery as sites hand it over (thousands of small files, a third packed), by
    stage, beside DuckDB's bare read of the same files and the same lines in one file a source.
    """
    from pipeline.measure.speed.run import as_words, made, measure
    from sample_logs.generator import hand_over, simulate

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        simulate(folder, vehicles, evses, weeks, seed)
        told = measure(made(folder / "delivery", folder, hand_over, seed), folder, rounds)
    size = f"{vehicles:,} vehicles, {evses:,} EVSEs, {weeks} weeks"
    base.say(json.dumps(told) if as_json else as_words(told, size))


@bench.command("growth")
@click.option(
    "--vehicles",
    type=click.IntRange(10),
    multiple=True,
    default=(150, 600, 2000),
    show_default=True,
    help="Size of a fleet; give it once a fleet, at least two, rising.",
)
@base.count("--weeks", 12, "Weeks of logs.", least=2)
@base.count("--seed", 1, "Seed of the fleets.", least=0)
@base.as_json
def bench_growth(
    vehicles: tuple[int, ...] = (150, 600, 2000), weeks: int = 12, seed: int = 1, *, as_json: bool = False
) -> None:  # fmt: skip
    """Whole runs of growing fleets' deliveries as sites hand them over: processor time and memory by
    stage, and how each grows with the lines. A fleet of 2,000 takes some minutes to make.
    """
    from pipeline.measure.speed.growth import Makers, as_words, measure_growth
    from sample_logs.generator import hand_over, simulate

    if len(vehicles) < 2 or list(vehicles) != sorted(set(vehicles)):
        raise click.BadParameter("give at least two sizes, rising", param_hint="--vehicles")
    with tempfile.TemporaryDirectory() as name:
        told = measure_growth(vehicles, weeks, seed, Path(name), Makers(simulate, hand_over))
    base.say(json.dumps(told) if as_json else as_words(told))


@bench.command("demo")
def bench_demo() -> None:
    """The whole job on the sample logs, from an empty folder, start of the command included."""
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-m", "pipeline", "demo", "--quiet", "--dir", folder]
        start, used = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run(command, check=True)  # noqa: S603 - our own command
        wall, now = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
    processor = now.ru_utime + now.ru_stime - used.ru_utime - used.ru_stime
    base.say(f"demo: {wall:.1f} s, {processor:.1f} s of processor")


@bench.command("ingest")
@click.option(
    "--gigabytes",
    type=click.FloatRange(0.01),
    default=1.0,
    show_default=True,
    help="Size of the frames file.",
)
@base.count("--rounds", 2, QUICKEST)
def bench_ingest(gigabytes: float = 1.0, rounds: int = 2) -> None:
    """Reading frames against DuckDB's bare extract and a pandas loop, memory, and the time of a new
    day.
    """
    from pipeline.measure.speed.ingest import as_words, bench
    from sample_logs.generator import simulate_frames

    with tempfile.TemporaryDirectory() as folder:
        base.say(as_words(bench(simulate_frames, Path(folder), gigabytes=gigabytes, rounds=rounds)))


@bench.command("validate")
@base.count("--rows", 5_000_000, "Core rows.", least=1000)
def bench_validate(rows: int = 5_000_000) -> None:
    """Validation against the same SQL run bare."""
    from pipeline.measure.speed.validate import bench_validate as measure

    took = measure(rows)
    against = f"bare SQL {took.bare_s:.1f} s, ratio {took.overhead:.2f} (asked < 3)"
    base.say(f"validate {took.rows:,} core rows: {took.validate_s:.1f} s, {against}")


@bench.command("attribute")
@click.option(
    "--largest", is_flag=True, help="Also 10,000 vehicles x 2,000 EVSEs with 10 M sessions."
)
@click.option(
    "--plot",
    type=base.path_type(folder=False),
    help="Write the log-log plot of time over cells to this SVG file.",
)
def bench_attribute(*, largest: bool = False, plot: Path | None = None) -> None:
    """Attribution of growing fleets: seconds, memory, growth in cells."""
    from pipeline.measure.speed.attribute import SIZES, growth, growth_exponent
    from pipeline.settings import load_settings

    table = growth(load_settings().attribute, SIZES if largest else SIZES[:-1])
    for row in table.to_dicts():
        size = f"attribute {row['vehicles']:,} × {row['evses']:,}, {row['sessions']:,} sessions"
        took = f"{row['seconds']:.1f} s, {row['processor_seconds']:.1f} s of processor, {row['peak_mb']:,.0f} MB"
        base.say(f"{size}: {took}{ASKED.get(row['sessions'], '')}")
    base.say(f"attribute: time grows as cells to the power {growth_exponent(table):.2f}")
    if plot:
        _write_growth(table, plot)


def _write_growth(table: pl.DataFrame, plot: Path) -> None:
    import altair as alt

    chart = (
        alt.Chart(table, title="Time to attribute grows with the cells")
        .mark_line(point=True)
        .encode(
            alt.X("cells:Q", title="cells (vehicle x EVSE met)").scale(type="log"),
            alt.Y("processor_seconds:Q", title="processor time (s)").scale(type="log"),
        )
    )
    chart.save(str(plot))
