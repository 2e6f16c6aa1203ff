"""The command for what the workshop found."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from pipeline.cli import base, decided
from pipeline.cli.base import main


@main.command()
@click.argument("vehicle")
@click.argument("finding")
@click.option("--at", help="When found, local or with an offset; now if absent.")
@click.option("--pp-pe-v", help="Proximity to earth, inlet unplugged, in volts.")
@click.option("--forward-ohm", help="Red on CP, black on PE; 2740, 2.74 kΩ and OL are understood.")
@click.option("--reverse-ohm", help="The same, leads exchanged.")
@click.option("--repaired-at", help="When repaired, if it was; local or with an offset.")
@click.option("--note", help="Free text.")
@click.option(
    "--corrects",
    type=int,
    help="Number of an earlier finding that this one stands in place of; with --reason.",
)
@click.option("--reason", default="", help="Why the earlier finding is corrected.")
@click.option("--sure", is_flag=True, help="Keep it although the readings say otherwise.")
@base.store
@decided.decisions
@decided.force
@decided.by
def finding(vehicle: str, finding: str, *, store: Path, force: bool, **given: Any) -> None:
    """Keep what the workshop found in a VEHICLE (see `whichside explain finding` for the words)."""
    from pipeline.core.errors import DecisionError
    from pipeline.refer.bench.finding import FOUND_WORDS, finding_doubts
    from pipeline.storage.decisions import open_decisions
    from pipeline.storage.decisions.entries import correct_finding

    if not force:
        decided.known_to(store, vehicle, None)
    measured = _measured(given)
    doubts = finding_doubts(finding, measured) if finding in FOUND_WORDS else ()
    if doubts and not given["sure"]:
        raise DecisionError(
            " ".join(doubts), next_step="measure again, choose another finding, or say --sure"
        )
    over = {name: float("inf") for name, quantity in measured.items() if quantity.over_range}
    row = {
        "vehicle_id": vehicle,
        "at_utc": decided.when(given["at"]),
        "finding": finding,
        "repaired_at_utc": decided.when(given["repaired_at"]) if given["repaired_at"] else None,
        "note": given["note"],
        **{name: quantity.value for name, quantity in measured.items()},
        **over,
    }
    kept = open_decisions(decided.decisions_of(store, given["settings_file"], given["decisions"]))
    if given["corrects"] is not None:
        number = correct_finding(kept, given["corrects"], row, given["by"], given["reason"])
    else:
        number = kept.finding(row, given["by"])
    kept.close()
    base.say(
        f"Kept as {number}: {vehicle} {finding}, by {given['by']}. It counts in the lists of weeks that end after it."
    )


def _measured(given: dict[str, Any]) -> dict[str, Any]:
    from pipeline.core.quantities import parse_quantity

    asked = {
        "pp_pe_v": ("pp_pe_v", "V", (-1.0, 15.0)),
        "cp_pe_forward_ohm": ("forward_ohm", "ohm", (0.0, 1e9)),
        "cp_pe_reverse_ohm": ("reverse_ohm", "ohm", (0.0, 1e9)),
    }
    return {
        name: parse_quantity(given[key], unit, bounds)
        for name, (key, unit, bounds) in asked.items()
        if given[key]
    }
