"""Reporting past weeks again."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import timedelta

from pipeline.core.errors import SettingsError
from pipeline.core.weeks import week_of, week_start
from pipeline.orchestrate.run import Request, Result, run_week


def weeks_between(first: str, last: str) -> Iterator[str]:
    """ISO weeks from the first to the last, both included.

    Raises SettingsError when they are the wrong way round.
    """
    at, end = week_start(first), week_start(last)
    if at > end:
        raise SettingsError(f"{first} comes after {last}", next_step="give the earlier week first")
    while at <= end:
        yield week_of(at)
        at += timedelta(days=7)


def backfill(
    request: Request, first: str, last: str, run: Callable[[Request], Result] = run_week
) -> list[Result]:
    """Report each week of a span, oldest first. Deliveries are read at the first.

    After that a file costs nothing.
    """
    return [run(replace(request, week=week)) for week in weeks_between(first, last)]
