"""The command for a case at the bench: what is most probable, what to measure next."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline.cli import base, case_readings, case_words, decided
from pipeline.cli.base import main

if TYPE_CHECKING:
    from pipeline.refer.bench import Assessment, Case
    from pipeline.storage.decisions.bench_store import BenchStore


@main.command()
@click.argument("vehicle")
@click.option(
    "--inlet",
    "inlets",
    multiple=True,
    help="Coupler of the vehicle, like cType2; may be given again.",
)
@click.option(
    "--answer",
    "answers",
    multiple=True,
    help="KIND=ANSWER, like ac_reach=not_seen; `whichside explain reading`.",
)
@click.option(
    "--reading",
    "readings",
    multiple=True,
    help="KIND=VALUE or KIND@STATE=VALUE, like cp_low_v@B2=-8.8.",
)
@click.option(
    "--trace",
    "traces",
    multiple=True,
    help="FILE or FILE@STATE: an oscilloscope's CSV, its levels as readings.",
)
@click.option("--instrument", help="Of the readings given here, with its test current or range.")
@click.option(
    "--note", help="Of the readings given here; 'known-good' = on another vehicle, to compare."
)
@click.option("--at", help="When they were taken, local or with an offset; now if absent.")
@click.option("--withdraw", type=int, help="Number of a kept reading to take back; with --reason.")
@click.option("--reason", default="", help="Why it is taken back.")
@click.option(
    "--store",
    type=base.path_type(folder=False),
    help="Keep the readings with the decisions of this warehouse; else nothing is kept.",
)
@base.settings
@decided.decisions
@click.option(
    "--out",
    type=base.path_type(folder=True),
    help="Begin from what the newest week here says of the vehicle.",
)
@click.option(
    "--sheet", type=base.path_type(folder=False), help="Write the case on one A4 page (PDF)."
)
@base.as_json
@decided.by
def case(vehicle: str, **given: Any) -> None:
    """Weigh readings of a VEHICLE at the bench: what is most probable, what to measure next, when to stop."""
    from pipeline.refer.bench import Case, assess

    if given["withdraw"] is not None and not given["store"]:
        raise click.UsageError("--withdraw takes back a kept reading: name its --store")
    at, inlets = decided.when(given["at"]), tuple(given["inlets"])
    new = [
        *case_readings.answers(given, at),
        *case_readings.figures(given, at),
        *case_readings.traces(given, at),
    ]
    numbers: list[int | None] = [None] * len(new)
    if given["store"]:
        store = _bench(given)
        if given["withdraw"] is not None:
            store.withdraw("decision_reading", given["withdraw"], given["by"], given["reason"])
        case_readings.keep(store, vehicle, new, inlets, given["by"])
        numbers, new = case_readings.kept(store, vehicle)
    told = inlets or tuple(sorted({c for r in new if r.coupler for c in r.coupler.split(";")}))
    prior, words, known = _believed(vehicle, given["out"])
    delivered = case_readings.delivered(given["store"], vehicle)
    whole = Case(prior, (*delivered, *new), told or known, vehicle, words)
    result = assess(whole)
    if given["sheet"]:
        _write_sheet(given["sheet"], whole, result)
    base.say(
        json.dumps(case_words.as_json(result), ensure_ascii=False)
        if given["as_json"]
        else case_words.as_words(result, [*[None] * len(delivered), *numbers])
    )


def _believed(vehicle: str, out: Path | None) -> tuple[dict[str, float], str, tuple[str, ...]]:
    """Prior, where it comes from, and the vehicle's couplers."""
    from dashboards.review.bench_case import believed
    from dashboards.snapshots import read_week, weeks

    found = weeks(out) if out else []
    return believed(vehicle, read_week(out, found[0]) if out and found else None)


def _bench(given: dict[str, Any]) -> BenchStore:
    from pipeline.storage.decisions import open_decisions
    from pipeline.storage.decisions.bench_store import bench_store

    where = decided.decisions_of(given["store"], given["settings_file"], given["decisions"])
    return bench_store(open_decisions(where), where, given["store"])


def _write_sheet(path: Path, whole: Case, result: Assessment) -> None:
    from pipeline.refer.bench.case_sheet import case_pdf

    path.write_bytes(case_pdf(whole, result, None, datetime.now(UTC)))
    base.say(f"Open {path}", err=True)
