"""Commands that measure: `bench` prints every ratio claimed, `evaluate` every quality figure over seeds."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.cli import base
from pipeline.cli.base import main

if TYPE_CHECKING:
    import polars as pl


@main.group(invoke_without_command=True)
@click.pass_context
def bench(ctx: click.Context) -> None:
    """Measure speed and memory, as ratios in one run; without a name, all of them."""
    if ctx.invoked_subcommand is None:
        for command in (bench_ingest, bench_validate, bench_attribute):
            ctx.invoke(command)


@bench.command("ingest")
@click.option("--gigabytes", type=click.FloatRange(0.01), default=1.0, show_default=True, help="Size of the frames file.")
@click.option("--rounds", type=click.IntRange(1), default=2, show_default=True, help="Rounds, of which the quickest counts.")
def bench_ingest(gigabytes: float = 1.0, rounds: int = 2) -> None:
    """Reading frames against DuckDB's bare extract and a pandas loop, memory, and the time of a new day."""
    from pipeline.ingest.bench import as_words, bench
    from sample_logs.generator import simulate_frames

    with tempfile.TemporaryDirectory() as folder:
        click.echo(as_words(bench(simulate_frames, Path(folder), gigabytes=gigabytes, rounds=rounds)))


@bench.command("validate")
@click.option("--rows", type=click.IntRange(1000), default=5_000_000, show_default=True, help="Core rows.")
def bench_validate(rows: int = 5_000_000) -> None:
    """Validation against the same SQL run bare."""
    from pipeline.validate.bench import bench_validate as measure

    took = measure(rows, alone=False)
    against = f"bare SQL {took.bare_s:.1f} s, ratio {took.overhead:.2f} (asked < 3)"
    click.echo(f"validate {took.rows:,} core rows: {took.validate_s:.1f} s, {against}")


@bench.command("attribute")
@click.option("--largest", is_flag=True, help="Also 10,000 vehicles x 2,000 EVSEs with 10 M sessions.")
@click.option("--plot", type=base.path_type(folder=False), help="Write the log-log plot of time over cells to this SVG file.")
def bench_attribute(*, largest: bool = False, plot: Path | None = None) -> None:
    """Attribution of growing fleets: seconds, memory, growth in cells."""
    from pipeline.attribute.bench import SIZES, growth, growth_exponent
    from pipeline.settings import load_settings

    table = growth(load_settings().attribute, SIZES if largest else SIZES[:-1])
    _show(table)
    click.echo(f"time grows as cells to the power {growth_exponent(table):.2f}")
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


@main.command()
@click.option("--seeds", type=click.IntRange(1), default=5, show_default=True, help="Worlds of each kind.")
@click.option("--first-seed", type=click.IntRange(0), default=0, show_default=True)
@click.option("--vehicles", type=click.IntRange(10), default=2000, show_default=True)
@click.option("--evses", type=click.IntRange(2), default=400, show_default=True)
@click.option("--weeks", type=click.IntRange(2, 26), default=12, show_default=True)
@click.option(
    "--scenario", "scenarios", multiple=True, default=("standard", "misspecified"), show_default=True, help="May be given again."
)
@click.option("--referrals/--no-referrals", default=True, show_default=True, help="Also calls, early warnings and next tests.")
@click.option("--csv", "table_file", type=base.path_type(folder=False), help="Write the table, a row a world, to this file.")
def evaluate(
    seeds: int, first_seed: int, vehicles: int, evses: int, weeks: int, scenarios: tuple[str, ...], table_file: Path | None,
    *, referrals: bool,
) -> None:  # fmt: skip
    """Measure the quality of attribution and referral on simulated worlds, over seeds."""
    from pipeline.evaluate.run import evaluate as evaluate_worlds
    from pipeline.evaluate.run import summary
    from pipeline.settings import load_settings

    span = range(first_seed, first_seed + seeds)
    table = evaluate_worlds(span, scenarios, vehicles=vehicles, evses=evses, weeks=weeks, settings=load_settings().attribute)
    if table_file:
        table.write_csv(table_file)
    _show(summary(table).transpose(include_header=True, header_name="measure", column_names="scenario"))
    if referrals:
        _referrals(span, vehicles, evses)


def _referrals(span: range, vehicles: int, evses: int) -> None:
    from pipeline.evaluate.referral import calls, calls_summary, early_warning, early_warning_summary
    from pipeline.evaluate.settling import settled

    per_day = 1.5
    for title, found in (
        ("Calls and circuit figures", calls_summary(calls(span, vehicles, evses, per_day))),
        ("Leaking diodes before their first failure", early_warning_summary(early_warning(span, vehicles, evses, per_day))),
    ):
        click.echo(title)
        for name, value in found.items():
            click.echo(f"  {name:<40} {value:.4g}")
    tests = settled(span, min(vehicles, 300), min(evses, 60), per_day)
    click.echo("Undecided vehicles: attempts to settle them")
    _show(tests.select("ordinary", "advised").mean().with_columns(questions=tests.height))


def _show(table: pl.DataFrame) -> None:
    import polars as pl

    with pl.Config(tbl_rows=100, tbl_cols=30, tbl_hide_dataframe_shape=True, tbl_hide_column_data_types=True, float_precision=4):
        click.echo(str(table))
