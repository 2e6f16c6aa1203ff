"""Weeks by themselves.

Spans of weeks, what a drop folder sets going, and faults told before anything is served.
"""

from __future__ import annotations

import threading
from datetime import date
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from prefect.settings import temporary_settings

from pipeline.core.errors import SettingsError, StoreError
from pipeline.orchestrate import schedule
from pipeline.orchestrate.backfill import backfill, weeks_between
from pipeline.orchestrate.drop_folder import Watch
from pipeline.orchestrate.run import Request, Result
from pipeline.orchestrate.schedule import serve_schedule, take_drops
from pipeline.settings import Settings


def _request(tmp_path: Path) -> Request:
    return Request(
        (tmp_path / "delivery",), tmp_path / "w.duckdb", tmp_path / "out", None, Settings()
    )


def test_a_span_of_weeks_over_a_long_year() -> None:
    """2026 has 53 ISO weeks (ISO 8601.

    A year that starts on a Thursday), so its span has a W53 before 2027-W01.
    """
    assert list(weeks_between("2026-W52", "2027-W02")) == [
        "2026-W52",
        "2026-W53",
        "2027-W01",
        "2027-W02",
    ]


@given(st.dates(date(2000, 1, 1), date(2060, 1, 1)), st.integers(0, 120))
def test_a_span_has_each_week_once(day: date, more: int) -> None:
    """A span from one week to a later one holds each week once and in order, as Python's ISO
    calendar names them.
    """
    monday = date.fromordinal(day.toordinal() - day.weekday())
    names = [
        f"{at.isocalendar().year}-W{at.isocalendar().week:02d}"
        for at in (date.fromordinal(monday.toordinal() + 7 * n) for n in range(more + 1))
    ]
    assert list(weeks_between(names[0], names[-1])) == names


def test_a_span_the_wrong_way_round() -> None:
    """The later week first is an error, not an empty span."""
    with pytest.raises(SettingsError, match="comes after"):
        list(weeks_between("2026-W10", "2026-W09"))


def test_backfill_runs_each_week_oldest_first(tmp_path: Path) -> None:
    """A span is run week by week with the same request otherwise."""
    asked: list[Request] = []

    def run(request: Request) -> Result:
        asked.append(request)
        return Result(str(request.week), tmp_path, {"vehicles": pl.DataFrame()}, {})

    done = backfill(_request(tmp_path), "2026-W01", "2026-W03", run)
    assert [r.week for r in done] == ["2026-W01", "2026-W02", "2026-W03"]
    assert {r.store for r in asked} == {tmp_path / "w.duckdb"}


def test_drops_are_run_one_by_one_and_remembered(tmp_path: Path) -> None:
    """Each delivery that has arrived is run.

    A failed one is tried again at the next look, a good one is not.
    """
    for name in ("depot", "yard"):
        (tmp_path / "drop" / name).mkdir(parents=True)
        (tmp_path / "drop" / name / "a.csv").write_text(name, encoding="utf-8")
    watch = Watch(tmp_path / "drop", tmp_path / "record.jsonl")
    watch.ready()
    answers = iter(["Crashed: the worker died", None, None])
    assert [p.name for p in take_drops(watch, lambda _: next(answers))] == ["depot", "yard"]
    assert [p.name for p in take_drops(watch, lambda _: next(answers))] == ["depot"]
    assert take_drops(watch, lambda _: next(answers)) == []


def test_a_look_that_fails_is_told_and_the_next_takes_the_drop(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A server that does not know the flow yet raises: the watcher lives on and runs the delivery."""
    (tmp_path / "drop" / "yard").mkdir(parents=True)
    (tmp_path / "drop" / "yard" / "a.csv").write_text("a", encoding="utf-8")
    watch = Watch(tmp_path / "drop", tmp_path / "record.jsonl")
    stop, looks = threading.Event(), iter([LookupError("Deployment not found"), None])

    def run(_request: Request, _delivery: Path) -> None:
        error = next(looks)
        if error:
            raise error
        stop.set()

    monkeypatch.setattr(schedule, "_run_served", run)
    schedule._watch_until(stop, watch, _request(tmp_path), 0.01)
    assert "the next one is in 0.01 s: LookupError: Deployment not found" in caplog.text
    assert '"taken"' in watch.record.read_text(encoding="utf-8")


def test_a_wrong_cron_line(tmp_path: Path) -> None:
    """A cron line that is none is named before anything is served."""
    with pytest.raises(SettingsError, match="cron"):
        serve_schedule("mondays at six", _request(tmp_path))


def test_no_server_that_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without PREFECT_API_URL, or with one nothing answers at, the schedule says what to start."""
    monkeypatch.setenv("WHICHSIDE_PREFECT_HOME", str(tmp_path / "prefect"))
    with (
        temporary_settings(restore_defaults={"PREFECT_API_URL"}),
        pytest.raises(SettingsError, match="server that stays"),
    ):
        serve_schedule("0 6 * * 1", _request(tmp_path))
    nobody = {"PREFECT_API_URL": "http://127.0.0.1:1/api"}
    with temporary_settings(nobody), pytest.raises(StoreError, match="does not answer"):
        serve_schedule("0 6 * * 1", _request(tmp_path))
