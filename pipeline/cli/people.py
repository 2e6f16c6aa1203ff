"""Commands for people: explain a name or a call, review a call, open the review pages, say who may sign in."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.cli import base, decided
from pipeline.cli.base import main


@main.command()
@click.argument("name")
def explain(name: str) -> None:
    """Say what a table, column, code, rule or setting (or `settings`) means, and where that comes
    from.
    """
    from pipeline.cli.explain import explain as explain_name

    base.say(explain_name(name))


@main.command()
@click.argument("name")
@base.store
@click.option("--week", help="ISO week asked about; the last complete one in the data if absent.")
@decided.decisions
def why(
    name: str, store: Path, week: str | None, settings_file: Path | None, decisions: str | None
) -> None:
    """Say why a vehicle, an EVSE or an attempt was called as it was, and what would change the
    answer.
    """
    from pipeline.attribute.report.why import why as explain_call
    from pipeline.orchestrate.reported_week import week_to_report
    from pipeline.publish.week_report import judge_week
    from pipeline.settings import load_settings
    from pipeline.storage.decisions import open_decisions
    from pipeline.storage.warehouse import reading

    settings = load_settings(settings_file)
    kept = open_decisions(decided.decisions_of(store, settings_file, decisions))
    try:
        so_far = kept.frames()
    finally:
        kept.close()
    with reading(store) as con:
        judged = judge_week(con, week_to_report(con, week), settings, so_far)
    answer, told = judged.attribution, judged.told(name)
    base.say(explain_call(answer, settings.attribute, name, told).text())


@main.command()
@click.argument("vehicle")
@click.argument("decision", type=click.Choice(["accept", "hold", "dismiss"]))
@click.option("--reason", required=True, help="Why, in a sentence.")
@click.option("--week", required=True, help="ISO week of the call decided on.")
@base.store
@decided.decisions
@decided.force
@decided.by
def review(
    vehicle: str, decision: str, reason: str, week: str, store: Path, settings_file: Path | None, decisions: str | None, by: str,
    *, force: bool,
) -> None:  # fmt: skip
    """Keep a decision on a VEHICLE's call; it counts in the lists of weeks that end after it."""
    from pipeline.storage.decisions import open_decisions

    if not force:
        decided.known_to(store, vehicle, week)
    kept = open_decisions(decided.decisions_of(store, settings_file, decisions))
    kept.review(vehicle, week, decision, reason, by)
    kept.close()
    base.say(f"Kept: {vehicle} {decision}, by {by}.")


@main.command()
@base.store
@base.out
@click.option("--host", help="Address to listen on; other than loopback demands sign-in.")
@click.option("--port", type=click.IntRange(1, 65535), help="Port to listen on.")
@click.option(
    "--people",
    "people_file",
    type=base.path_type(folder=False),
    help="File of people who may sign in (see `whichside person`).",
)
def serve(
    store: Path,
    out: Path,
    settings_file: Path | None,
    host: str | None,
    port: int | None,
    people_file: Path | None,
) -> None:
    """Open the weekly review in a browser on this machine (extra: serve)."""
    from dashboards.review.app import clear_text_warning
    from dashboards.review.app import serve as serve_pages
    from pipeline.core.progress import Progress
    from pipeline.orchestrate.child import run_in_child
    from pipeline.orchestrate.run import decisions_at
    from pipeline.settings import load_settings
    from pipeline.storage.decisions import open_decisions
    from pipeline.storage.decisions.bench_store import bench_store

    settings = load_settings(settings_file)
    given = {
        name: value
        for name, value in (("host", host), ("port", port), ("people", people_file))
        if value is not None
    }

    def run_delivery(delivery: Path, progress: Progress) -> str:
        return run_in_child(delivery, store, out, settings, progress)

    serving = settings.serve.model_copy(update=given)
    base.say(f"http://{serving.host}:{serving.port}/ (stop with Ctrl-C)", err=True)
    where = decisions_at(store, settings)
    decisions = open_decisions(where)
    if warning := clear_text_warning(serving):
        base.say(f"Warning: {warning}", err=True)
    bench = bench_store(decisions, where, store)
    serve_pages(store, out, decisions, run_delivery, serving, bench=bench)


@main.command()
@click.argument("name")
@click.option(
    "--people",
    "people_file",
    type=base.path_type(folder=False),
    required=True,
    help="The file the person stands in.",
)
def remove_person(name: str, people_file: Path) -> None:
    """Let a person sign in no more; who is signed in is out with the next click."""
    from dashboards.review.people import remove_person as remove

    remove(people_file, name)
    base.say(f"{name} may sign in no more.")


@main.command()
@click.argument("name")
@click.argument("role", type=click.Choice(["manager", "operator", "workshop"]))
@click.option(
    "--people",
    "people_file",
    type=base.path_type(folder=False),
    required=True,
    help="The file to add the person to.",
)
@click.option(
    "--site", "sites", multiple=True, help="A site the operator runs; may be given again."
)
@click.password_option(help="Asked for when absent, never shown.")
def person(name: str, role: str, people_file: Path, sites: tuple[str, ...], password: str) -> None:
    """Let a person sign in to the review pages."""
    from dashboards.review.people import Person, save_person

    save_person(people_file, Person(name, role, frozenset(sites)), password)  # type: ignore[arg-type]  # click checked the role
    base.say(f"{name} may sign in as {role}.")
