"""One run: deliveries in, the week's folder out. The steps in order, each a plain function."""

from __future__ import annotations

import platform
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from importlib.metadata import version
from pathlib import Path
from typing import Any

import polars as pl

from dashboards.language import Language
from dashboards.written import write_week_pages
from pipeline.core.logs import event
from pipeline.core.progress import Progress, silent
from pipeline.ingest import ingest_delivery
from pipeline.ingest.file_accounts import file_accounts
from pipeline.ingest.report import TOUCHED_SCHEMA
from pipeline.ingest.turned_away import check_lists, rejected_reasons, turned_away
from pipeline.normalise.stage import normalise
from pipeline.orchestrate.mail import Mailed, mail_week
from pipeline.orchestrate.reported_week import week_to_report
from pipeline.publish.week import publish_week
from pipeline.publish.week_report import WeekReport, report_week
from pipeline.settings import Settings
from pipeline.storage.decisions import DecisionFrames, open_decisions, shown_as
from pipeline.storage.tables import rebuilding
from pipeline.storage.warehouse import Connection, bound_memory, writing
from pipeline.validate import validate


@dataclass(frozen=True)
class Request:
    """What a run is asked for; `week` None means the last complete one in the data."""

    deliveries: tuple[Path, ...]
    store: Path
    out: Path
    week: str | None
    settings: Settings


@dataclass(frozen=True)
class Result:
    """What a run gave: the week, its folder, its tables (names without out_), `run.json`, and what became of its mail."""

    week: str
    folder: Path
    tables: dict[str, pl.DataFrame]
    run: dict[str, Any]
    mailed: Mailed | None = None


@dataclass
class Timings:
    """Seconds per step."""

    seconds: dict[str, float] = field(default_factory=dict)

    @contextmanager
    def step(self, name: str) -> Iterator[None]:
        """Time a block under a name."""
        start = time.perf_counter()
        with traced(name):
            yield
        self.seconds[name] = round(self.seconds.get(name, 0.0) + time.perf_counter() - start, 3)


@contextmanager
def traced(name: str) -> Iterator[None]:
    """Log what a step, or a part of one, took: seconds, and seconds of this process's processor time."""
    start, worked = time.perf_counter(), time.process_time()
    yield
    event(
        "step",
        step=name,
        seconds=round(time.perf_counter() - start, 3),
        processor_s=round(time.process_time() - worked, 3),
    )


def versions() -> dict[str, str]:
    """Versions that a result depends on."""
    return {
        "python": platform.python_version(),
        **{name: version(name) for name in ("whichside", "duckdb", "polars")},
    }


def decisions_at(store: Path, settings: Settings) -> str:
    """Path or URL of the decisions store of a warehouse."""
    return settings.decisions or str(store.with_suffix(".decisions.sqlite"))


def told_settings(settings: Settings) -> dict[str, Any]:
    """The settings as run.json and the pages tell them: a database's password stays out, and
    people's addresses.
    """
    told = settings.model_dump(mode="json", by_alias=True)
    if settings.mail.host:
        told["mail"] = {"host": settings.mail.host, "addresses": len(settings.mail.to)}
    return (
        told if settings.decisions is None else told | {"decisions": shown_as(settings.decisions)}
    )


def decisions_of(request: Request) -> DecisionFrames:
    """What people decided so far, read once for the run."""
    store = open_decisions(decisions_at(request.store, request.settings))
    try:
        return store.frames()
    finally:
        store.close()


def ingest_step(con: Connection, request: Request, progress: Progress) -> list[dict[str, Any]]:
    """Read the deliveries into raw_*; one row a delivered file for run.json."""
    files = [
        ingest_delivery(con, delivery, request.settings.ingest, progress).files
        for delivery in request.deliveries
    ]
    account = file_accounts(con, pl.concat(files)) if files else pl.DataFrame()
    return [dict(row) for row in account.rename({"file_id": "sha256"}, strict=False).to_dicts()]


def normalise_step(con: Connection, settings: Settings, progress: Progress) -> None:
    """Build core_* from raw_* that is not in core yet, also what an earlier run read and did not
    come to build.
    """
    progress("Building attempts", 0, 0)
    with rebuilding(con) as whole:
        normalise(con, None if whole else pl.DataFrame(schema=TOUCHED_SCHEMA), settings.normalise)


def validate_step(con: Connection, settings: Settings) -> None:
    """Run every rule, and weigh attempts by what it caught."""
    validate(con, settings.validate_)


def report_step(
    con: Connection, week: str, settings: Settings, decisions: DecisionFrames
) -> WeekReport:
    """Attribute and refer."""
    return report_week(con, week, settings, decisions)


def publish_step(
    con: Connection,
    request: Request,
    report: WeekReport,
    inputs: list[dict[str, Any]],
    timings: Timings,
) -> Result:
    """Write the week's folder whole, and keep its tables in the warehouse."""
    about = {
        "inputs": inputs,
        "versions": versions(),
        "settings": told_settings(request.settings),
        "timings_s": timings.seconds,
        "turned_away": turned_away(inputs),
        "rejected_reasons": rejected_reasons(con, inputs),
    }
    folder, tables, run = publish_week(con, request.out, report, about, write_week_pages)
    store = open_decisions(decisions_at(request.store, request.settings))
    try:
        store.add_referrals(report.referral.listed)
        store.add_lessons(report.referral.lessons)
    finally:
        store.close()
    return Result(report.week, folder, tables, run)


AsTask = Callable[[str, Callable[..., Any]], Callable[..., Any]]


def plain(_name: str, step: Callable[..., Any]) -> Callable[..., Any]:
    """Take a step as the function it is."""
    return step


def run_week(request: Request, progress: Progress = silent, as_task: AsTask = plain) -> Result:
    """Run all steps, one after the other, in this process.

    Whatever happens, the week's folder is whole or as it was.

    Parameters
    ----------
    request
        Deliveries, warehouse, folder of weeks, week and settings.
    progress
        Told how far it is.
    as_task
        May wrap each step, by name.

    Returns
    -------
    Result
        The week, its folder, its tables, run.json, and what became of its mail.

    Raises
    ------
    DeliveryError
        A delivery cannot be read.
    StoreError
        The warehouse or the folder cannot be used.
    NotEnoughDataError
        Too little for a week.

    """
    timings = Timings()
    with writing(request.store) as con:
        bound_memory(con, request.settings.ingest.engine_bytes)
        with timings.step("ingest"):
            inputs = as_task("ingest", ingest_step)(con, request, progress)
        with timings.step("normalise"):
            as_task("normalise", normalise_step)(con, request.settings, progress)
        return run_from_core(con, request, inputs, timings, as_task)


def run_from_core(
    con: Connection,
    request: Request,
    inputs: list[dict[str, Any]],
    timings: Timings,
    as_task: AsTask = plain,
) -> Result:
    """Validate, report and publish what stands in core_*.

    Raises DeliveryError where a list that calls rest on was turned away and none is at hand.
    """
    check_lists(con, inputs)
    with timings.step("validate"):
        as_task("validate", validate_step)(con, request.settings)
    week = week_to_report(con, request.week, inputs)
    with timings.step("report"):
        report = as_task("report", report_step)(con, week, request.settings, decisions_of(request))
    with timings.step("publish"):
        result: Result = as_task("publish", publish_step)(con, request, report, inputs, timings)
    return replace(result, mailed=_mailed(result, request.settings))


def _mailed(result: Result, settings: Settings) -> Mailed | None:
    away, t = len(result.run["turned_away"]), Language(settings.pages.language)
    told = mail_week(result.folder, result.tables, away, t, settings.mail)
    if told:
        event("mail", told=told.said, failed=told.failed)
    return told
