"""Commands of the week: run, demo, simulate."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.cli import base
from pipeline.cli.base import main

if TYPE_CHECKING:
    from pipeline.orchestrate.run import Request, Result
    from pipeline.settings import Settings

SAMPLE_DELIVERY = Path(__file__).resolve().parents[2] / "sample_logs" / "delivery"


@main.command()
@base.deliveries
@click.option("--store", type=base.path_type(folder=False), help="The warehouse: one DuckDB file.")
@click.option("--out", type=base.path_type(folder=True), help="Where the weeks' folders go.")
@click.option(
    "--check", is_flag=True, help="Read and judge the deliveries; the warehouse stays as it is."
)
@click.option(
    "--week", help="ISO week to report, like 2026-W14; the last complete one in the data if absent."
)
@base.settings
@click.option(
    "--cluster", help="Spread the reading over a Dask scheduler at this address (extra: cluster)."
)
@click.option(
    "--lake", help="Folder or fsspec URL of the Parquet lake that the cluster's workers share."
)
@click.option(
    "--orchestrated", is_flag=True, help="Run the steps as Prefect tasks (extra: schedule)."
)
@base.log
@base.quiet
@base.as_json
def run(
    deliveries: tuple[Path, ...], store: Path | None, out: Path | None, week: str | None, settings_file: Path | None,
    cluster: str | None, lake: str | None, log_file: Path | None,
    *, check: bool, orchestrated: bool, quiet: bool, as_json: bool,
) -> None:  # fmt: skip
    """Read DELIVERIES into the warehouse and write the week's folder."""
    from pipeline.core.logs import log_to
    from pipeline.orchestrate.run import Request
    from pipeline.settings import load_settings

    settings = load_settings(settings_file)
    if check:
        _check(deliveries, store, settings, as_json=as_json, quiet=quiet)
        return
    if store is None or out is None:
        raise click.UsageError("a run needs --store and --out (--check needs neither)")
    request = Request(deliveries, store, out, week, settings)
    with log_to(log_file, deliveries=[str(d) for d in deliveries], store=str(store), week=week):
        if cluster:
            _run_on_cluster(request, cluster, lake, quiet=quiet, as_json=as_json)
        else:
            _run(request, orchestrated=orchestrated, quiet=quiet, as_json=as_json)


def _check(
    deliveries: tuple[Path, ...],
    store: Path | None,
    settings: Settings,
    *,
    as_json: bool,
    quiet: bool,
) -> None:
    from pipeline.orchestrate.delivery_check import check, check_words

    found = check(deliveries, store, settings.ingest)
    if as_json:
        told = {
            "inputs": found.inputs,
            "turned_away": found.away,
            "rejected_reasons": found.reasons,
        }
        base.say(json.dumps(told, ensure_ascii=False))
    elif not quiet or found.away:
        base.say(check_words(found))
    if found.no_list:
        raise found.no_list
    if found.away:
        click.get_current_context().exit(base.TURNED_AWAY)


def _run_on_cluster(
    request: Request, cluster: str, lake: str | None, *, quiet: bool, as_json: bool
) -> None:
    from pipeline.core.progress import bars
    from pipeline.orchestrate.cluster.drive import run_on_cluster
    from pipeline.orchestrate.cluster.reach import plain_warning

    if lake is None:
        raise click.UsageError("--cluster needs --lake, a folder or URL that all workers reach")
    if warning := plain_warning(cluster):
        base.say(warning, err=True)
    with bars(quiet=quiet or as_json) as progress:
        result = run_on_cluster(request, cluster, lake, progress)
    _tell(result, quiet=quiet, as_json=as_json)


def _run(request: Request, *, orchestrated: bool, quiet: bool, as_json: bool) -> None:
    from pipeline.core.progress import bars
    from pipeline.orchestrate.run import run_week

    if orchestrated:
        from pipeline.orchestrate.flows import run_week_as_flow

        result = run_week_as_flow(request)
    else:
        with bars(quiet=quiet or as_json) as progress:
            result = run_week(request, progress)
    _tell(result, quiet=quiet, as_json=as_json)


def _tell(result: Result, *, quiet: bool, as_json: bool) -> None:
    from pipeline.cli.run_summary import as_words, told_away

    if as_json:
        base.say(json.dumps(result.run, ensure_ascii=False))
    elif not quiet:
        base.say(as_words(result))
    if (quiet or as_json) and result.mailed and result.mailed.failed:
        base.say(result.mailed.said, err=True)
    if away := result.run["turned_away"]:
        if quiet or as_json:
            base.say(told_away(away), err=True)
        click.get_current_context().exit(base.TURNED_AWAY)


@main.command()
@click.option(
    "--dir",
    "directory",
    type=base.path_type(folder=True),
    default=Path("demo"),
    show_default=True,
    help="Where to put it.",
)
@base.quiet
@base.as_json
def demo(directory: Path, *, quiet: bool, as_json: bool) -> None:
    """Run the whole job on the sample logs: a town's fleet of vans, nothing real."""
    from pipeline.orchestrate.run import Request
    from pipeline.settings import Settings

    request = Request(
        (SAMPLE_DELIVERY,), directory / "whichside.duckdb", directory / "out", None, Settings()
    )
    _run(request, orchestrated=False, quiet=quiet, as_json=as_json)


@main.command()
@click.argument("directory", type=base.path_type(folder=True))
@base.fleet(vehicles=50, evses=20, weeks=5)
@click.option(
    "--scenario",
    default="standard",
    show_default=True,
    help="standard, misspecified, no_fault or sparse.",
)
@click.option(
    "--dirt",
    type=click.FloatRange(0, 5),
    default=1.0,
    show_default=True,
    help="How dirty clocks and lines are.",
)
def simulate(
    directory: Path, vehicles: int, evses: int, weeks: int, seed: int, scenario: str, dirt: float
) -> None:
    """Write an invented delivery to DIRECTORY/delivery, and what is true of it to DIRECTORY/truth."""
    from sample_logs.generator import SCENARIOS
    from sample_logs.generator import simulate as simulate_delivery

    if scenario not in SCENARIOS:
        raise click.BadParameter(f"use one of {', '.join(SCENARIOS)}", param_hint="--scenario")
    simulate_delivery(directory, vehicles, evses, weeks, seed, scenario=scenario, dirt=dirt)
    base.say(f"Delivery: {directory / 'delivery'}\nTruth:    {directory / 'truth'}")
