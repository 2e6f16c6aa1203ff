"""ISO weeks: 2026-W14 runs from its Monday 00:00 UTC (inclusive) to the next (exclusive)."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import polars as pl

from pipeline.core.errors import SettingsError

_WEEK = re.compile(r"(\d{4})-W(\d{2})", re.ASCII)
_YEARS = range(1990, 2101)  # beyond lies a slip of the pen; the calendar itself ends in 9999


def week_start(week: str) -> datetime:
    """Monday 00:00 UTC of an ISO week (ISO 8601); raises SettingsError when it is not one."""
    match = _WEEK.fullmatch(week)
    number = int(match[2]) if match and int(match[1]) in _YEARS else 0
    if (
        match is None
        or number == 0
        or not 1 <= number <= date(int(match[1]), 12, 28).isocalendar().week
    ):
        raise SettingsError(f"{week!r} is not an ISO week", next_step="write it like 2026-W14")
    monday = date.fromisocalendar(int(match[1]), number, 1)
    return datetime(monday.year, monday.month, monday.day, tzinfo=UTC)


def week_end(week: str) -> datetime:
    """Monday 00:00 UTC after an ISO week: its exclusive end."""
    return week_start(week) + timedelta(days=7)


def week_of(at: datetime) -> str:
    """ISO week that holds an instant."""
    year, number, _ = at.astimezone(UTC).isocalendar()
    return f"{year}-W{number:02d}"


def week_before(week: str) -> str:
    """ISO week before."""
    return week_of(week_start(week) - timedelta(days=7))


def last_complete_week(last_day: date) -> str:
    """Last ISO week whose Sunday is on or before the last day with data."""
    next_day = last_day + timedelta(days=1)
    monday = next_day - timedelta(days=next_day.weekday())
    return week_of(datetime(monday.year, monday.month, monday.day, tzinfo=UTC) - timedelta(days=1))


@dataclass(frozen=True)
class LookBack:
    """The weeks a week's calls rest on, half-open in UTC, and the ISO week they end with."""

    week: str
    from_utc: datetime
    to_utc: datetime

    @classmethod
    def of(cls, week: str, weeks: int) -> LookBack:
        """So many weeks, the named one the last. Raises SettingsError when it is no ISO week."""
        end = week_end(week)
        return cls(week, end - timedelta(weeks=weeks), end)

    def holds(self, column: str) -> pl.Expr:
        """Whether an instant lies in it; null where there is none."""
        return pl.col(column).is_between(self.from_utc, self.to_utc, closed="left")
