"""The command line. Each command does one job and says what to open next.

Exit codes: 0 done; 1 a fault not named below; 2 wrong usage; 3 a delivery cannot be read; 4 data do not fit their
declaration; 5 the warehouse or decisions store is missing, held by another run or damaged; 6 a wrong setting;
7 too little data for the question; 8 a check found more than its stated rate.
"""

from __future__ import annotations

import json
import sys
from importlib.metadata import version
from pathlib import Path
from typing import Any

import click

from pipeline.errors import WhichsideError

EXIT_CODES = (__doc__ or "").partition("Exit codes: ")[2].replace("\n", " ").strip()
SAMPLE_DELIVERY = Path(__file__).resolve().parent.parent / "sample_logs" / "delivery"


class _Group(click.Group):
    """Turns our errors into a message and an exit code; never a traceback for what a user can mend."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except WhichsideError as error:
            click.echo(f"whichside: {error}", err=True)
            ctx.exit(error.exit_code)
        except MemoryError:
            click.echo("whichside: not enough memory\nWhat to do: give fewer deliveries at a time", err=True)
            ctx.exit(1)


@click.group(cls=_Group, epilog=f"Exit codes: {EXIT_CODES}", context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(version("whichside"))
def main() -> None:
    """Vehicle, EVSE, pairing or chance? Reads a fleet's charging logs and says who is at fault."""


def _path(*, exists: bool = False, folder: bool | None = None) -> click.Path:
    return click.Path(exists=exists, path_type=Path, file_okay=folder is not True, dir_okay=folder is not False)


_store = click.option("--store", type=_path(), required=True, help="The warehouse: one DuckDB file.")
_settings = click.option("--settings", "settings_file", type=_path(), help="A TOML file of settings.")
_quiet = click.option("--quiet", is_flag=True, help="Say nothing but errors.")
_json = click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")


@main.command()
@click.argument("deliveries", nargs=-1, required=True, type=_path())
@_store
@click.option("--out", type=_path(), required=True, help="Where the weeks' folders go.")
@click.option("--week", help="ISO week to report, like 2026-W14; the last complete one in the data if absent.")
@_settings
@click.option("--orchestrated", is_flag=True, help="Run the steps as Prefect tasks (extra: schedule).")
@_quiet
@_json
def run(
    deliveries: tuple[Path, ...], store: Path, out: Path, week: str | None, settings_file: Path | None,
    *, orchestrated: bool, quiet: bool, as_json: bool,
) -> None:  # fmt: skip
    """Read DELIVERIES into the warehouse and write the week's folder."""
    _run(deliveries, store, out, week, settings_file, orchestrated=orchestrated, quiet=quiet, as_json=as_json)


def _run(
    deliveries: tuple[Path, ...], store: Path, out: Path, week: str | None, settings_file: Path | None,
    *, orchestrated: bool, quiet: bool, as_json: bool,
) -> None:  # fmt: skip
    from pipeline.progress import bars
    from pipeline.run import Request, run_week
    from pipeline.settings import load_settings
    from pipeline.summary import as_words

    request = Request(deliveries, store, out, week, load_settings(settings_file))
    if orchestrated:
        from pipeline.flows import run_week_as_flow

        result = run_week_as_flow(request)
    else:
        with bars(quiet=quiet or as_json) as progress:
            result = run_week(request, progress)
    if as_json:
        click.echo(json.dumps(result.run, ensure_ascii=False))
    elif not quiet:
        click.echo(as_words(result))


@main.command()
@click.option("--dir", "directory", type=_path(folder=True), default=Path("demo"), show_default=True, help="Where to put it.")
@_quiet
@_json
def demo(directory: Path, *, quiet: bool, as_json: bool) -> None:
    """Run the whole job on the sample logs: a town's fleet of vans, nothing real."""
    _run(
        (SAMPLE_DELIVERY,), directory / "whichside.duckdb", directory / "out", None, None,
        orchestrated=False, quiet=quiet, as_json=as_json,
    )  # fmt: skip


@main.command()
@click.argument("directory", type=_path(folder=True))
@click.option("--vehicles", type=click.IntRange(1), default=50, show_default=True)
@click.option("--evses", type=click.IntRange(1), default=20, show_default=True)
@click.option("--weeks", type=click.IntRange(1, 104), default=5, show_default=True)
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True)
@click.option("--scenario", default="standard", show_default=True, help="standard, misspecified, no_fault or sparse.")
@click.option("--dirt", type=click.FloatRange(0, 5), default=1.0, show_default=True, help="How dirty clocks and lines are.")
def simulate(directory: Path, vehicles: int, evses: int, weeks: int, seed: int, scenario: str, dirt: float) -> None:
    """Write an invented delivery to DIRECTORY/delivery, and what is true of it to DIRECTORY/truth."""
    from sample_logs.generator import simulate as simulate_delivery

    simulate_delivery(directory, vehicles, evses, weeks, seed, scenario=scenario, dirt=dirt)
    click.echo(f"Delivery: {directory / 'delivery'}\nTruth:    {directory / 'truth'}")


@main.command()
@click.argument("name")
def explain(name: str) -> None:
    """Say what a table, column, code, rule or setting (or `settings`) means, and where that comes from."""
    from pipeline.explain import explain as explain_name

    click.echo(explain_name(name))


if __name__ == "__main__":
    sys.exit(main())
