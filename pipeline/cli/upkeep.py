"""Commands of upkeep: check, doctor, schedule, backfill, backup, bench, evaluate, licences."""

from __future__ import annotations

import json
from pathlib import Path

import click

from pipeline.cli import base
from pipeline.cli.base import main

DOCTOR_FOUND_TROUBLE = 9


@main.command()
@base.store
@base.as_json
def check(store: Path, settings_file: Path | None, *, as_json: bool) -> None:
    """Check a warehouse against every rule and expectation (extra: check)."""
    from pipeline.settings import load_settings
    from pipeline.validate import check as check_store

    load_settings(settings_file)  # a wrong file is told, whatever the command uses of it
    result = check_store(store)
    if as_json:
        base.say(result.to_json())
    else:
        caught = result.rules.filter(result.rules["offending"] > 0).sort("severity", "rule")
        for row in caught.iter_rows(named=True):
            mark = "EXCEEDED" if row["exceeded"] else ""
            base.say(
                f"{row['severity']:<9}{row['rule']:<44}{row['offending']:>9} of {row['checked']:>10}  {mark}"
            )
        base.say(
            f"{result.rules.height} rules, {caught.height} caught something, {len(result.exceeded)} beyond their rate"
        )
    click.get_current_context().exit(result.exit_code)


@main.command()
@click.option("--store", type=base.path_type(folder=False), help="A warehouse to look at.")
@click.option("--out", type=base.path_type(folder=True), help="The weeks' folders to look at.")
@base.settings
@click.option("--deep", is_flag=True, help="Read every row of the warehouse.")
def doctor(store: Path | None, out: Path | None, settings_file: Path | None, *, deep: bool) -> None:
    """Say whether everything is in order: versions, settings, warehouse, disk, last runs."""
    from pipeline.orchestrate.doctor.checks import as_words
    from pipeline.orchestrate.doctor.examine import examine

    health = examine(store, out, _decisions(store, settings_file), settings_file, deep=deep)
    base.say(as_words(health))
    click.get_current_context().exit(0 if health.in_order else DOCTOR_FOUND_TROUBLE)


def _decisions(store: Path | None, settings_file: Path | None) -> str | None:
    """Where the decisions of a warehouse are.

    None where they are not there yet, or the settings (told apart) do not say.
    """
    from pipeline.core.errors import SettingsError
    from pipeline.orchestrate.run import decisions_at
    from pipeline.settings import load_settings
    from pipeline.storage.decisions import file_of

    try:
        where = decisions_at(store, load_settings(settings_file)) if store else None
    except SettingsError:
        return None
    file = file_of(where) if where else None
    return None if file and not file.exists() else where


@main.command()
@click.argument("deliveries", nargs=-1, type=base.path_type())
@click.option("--cron", default="0 6 * * 1", show_default=True, help="When, as a cron line in UTC.")
@click.option(
    "--drop",
    type=base.path_type(folder=True),
    help="A folder to watch: each delivery that arrives there is run.",
)
@base.store
@base.out
def schedule(
    deliveries: tuple[Path, ...],
    cron: str,
    drop: Path | None,
    store: Path,
    out: Path,
    settings_file: Path | None,
) -> None:
    """Serve the weekly run against a Prefect server until stopped (extra: schedule)."""
    from pipeline.orchestrate.run import Request
    from pipeline.orchestrate.schedule import serve_schedule
    from pipeline.settings import load_settings

    serve_schedule(cron, Request(deliveries, store, out, None, load_settings(settings_file)), drop)


@main.command()
@click.argument("first")
@click.argument("last")
@click.argument("deliveries", nargs=-1, type=base.path_type())
@base.store
@base.out
def backfill(
    first: str,
    last: str,
    deliveries: tuple[Path, ...],
    store: Path,
    out: Path,
    settings_file: Path | None,
) -> None:
    """Report every ISO week from FIRST to LAST again, reading DELIVERIES before."""
    from pipeline.orchestrate.backfill import backfill as backfill_weeks
    from pipeline.orchestrate.run import Request
    from pipeline.settings import load_settings

    for result in backfill_weeks(
        Request(deliveries, store, out, None, load_settings(settings_file)), first, last
    ):
        base.say(str(result.folder))


@main.command()
@click.argument("target", type=base.path_type(folder=False))
@base.store
@click.option(
    "--restore",
    is_flag=True,
    help="Put TARGET in the place of the decisions, keeping what is there beside it.",
)
@click.option(
    "--unsealed", is_flag=True, help="With --restore: take a copy that has no seal, unchecked."
)
def backup(
    target: Path, store: Path, settings_file: Path | None, *, restore: bool, unsealed: bool
) -> None:
    """Copy the decisions store to TARGET while it is in use; or bring TARGET back."""
    from pipeline.core.errors import StoreError
    from pipeline.orchestrate.run import decisions_at
    from pipeline.settings import load_settings
    from pipeline.storage.backup import backup_decisions, restore_decisions
    from pipeline.storage.decisions import file_of

    decisions = file_of(decisions_at(store, load_settings(settings_file)))
    if decisions is None:
        raise StoreError(
            "a database server keeps the decisions",
            next_step="use its own tools, such as pg_dump and pg_restore",
        )
    if restore:
        kept = restore_decisions(target, decisions, unsealed=unsealed)
        base.say(f"Restored {decisions}" + (f"; what was there is kept as {kept}" if kept else ""))
    else:
        base.say(f"Copied to {backup_decisions(decisions, target)}")


@main.command()
@base.as_json
def licences(*, as_json: bool) -> None:
    """List the packages this installation rests on, with their licences."""
    from dataclasses import asdict

    from pipeline.cli.licences import as_words, installed

    packages = installed()
    base.say(json.dumps([asdict(p) for p in packages]) if as_json else as_words(packages))
