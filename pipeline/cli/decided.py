"""What the commands share that keep what people decided or found."""

from __future__ import annotations

import getpass
from datetime import UTC, datetime
from pathlib import Path

import click

by = click.option(
    "--by", default=getpass.getuser, show_default="your user name", help="Who says so."
)
decisions = click.option(
    "--decisions",
    help="Path or database URL of the decisions store; beside the warehouse if absent.",
)


def decisions_of(store: Path, settings_file: Path | None, decisions: str | None) -> str:
    """Where the decisions are: as named on the command line, else by the settings."""
    from pipeline.orchestrate.run import decisions_at
    from pipeline.settings import load_settings

    return decisions or decisions_at(store, load_settings(settings_file))


force = click.option(
    "--force", is_flag=True, help="Keep it although the warehouse knows no such vehicle or week."
)


def known_to(store: Path, vehicle: str, week: str | None) -> None:
    """Raise DecisionError unless the warehouse has the vehicle, and attempts in that week or later.

    A slip of the pen would be kept for good, for a vehicle nobody has.
    """
    from pipeline.core.errors import DecisionError
    from pipeline.core.weeks import week_of, week_start
    from pipeline.storage.warehouse import reading

    how = "check the spelling; `--force` keeps it all the same"
    with reading(store) as con:
        found = con.execute(
            "SELECT count(*) FROM core_vehicle WHERE vehicle_id = ?", [vehicle]
        ).fetchone()
        span = con.execute("SELECT min(plugged_at_utc), max(plugged_at_utc) FROM core_attempt")
        first, last = span.fetchone() or (None, None)
    if not found or not found[0]:
        raise DecisionError(f"the warehouse knows no vehicle {vehicle!r}", next_step=how)
    if week and (last is None or not week_of(first) <= week_of(week_start(week)) <= week_of(last)):
        raise DecisionError(f"the warehouse has no attempts in {week}", next_step=how)


def when(text: str | None) -> datetime:
    """An instant as it was typed, now where nothing was; raises DecisionError where it is no time."""
    from pipeline.core.local_time import moment

    return moment(text) if text else datetime.now(UTC)
