"""ISO 8601 weeks."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.core.errors import SettingsError
from pipeline.core.weeks import LookBack, last_complete_week, week_end, week_of, week_start


@given(
    st.datetimes(
        min_value=datetime(1990, 1, 1),  # noqa: DTZ001 -- hypothesis wants naive bounds
        max_value=datetime(2100, 1, 1),  # noqa: DTZ001
        timezones=st.just(UTC),
    )
)
def test_an_instant_lies_in_its_own_week(at: datetime) -> None:
    """Weeks are half-open, seven days long, and hold each instant exactly once."""
    week = week_of(at)
    assert week_start(week) <= at < week_end(week)
    assert week_end(week) - week_start(week) == timedelta(days=7)


def test_week_53_only_where_the_year_has_one() -> None:
    """2026 has a week 53 and 2025 has not (ISO 8601; common calendar tables)."""
    assert week_start("2026-W53") == datetime(2026, 12, 28, tzinfo=UTC)
    for wrong in ("2025-W53", "2026-W00", "2026W14", "last"):
        with pytest.raises(SettingsError, match="ISO week"):
            week_start(wrong)


@pytest.mark.parametrize(
    ("day", "week"),
    [("2026-04-04", "2026-W13"), ("2026-04-05", "2026-W14"), ("2026-04-06", "2026-W14")],
)
def test_a_week_is_complete_once_its_sunday_has_data(day: str, week: str) -> None:
    """The last complete week is the last whose Sunday has data."""
    assert last_complete_week(date.fromisoformat(day)) == week


def test_a_look_back_is_half_open() -> None:
    """Twelve weeks that end with the week named.

    Their first instant counts, the first one after them does not.
    """
    look_back = LookBack.of("2026-W14", 12)
    assert look_back.to_utc == datetime(2026, 4, 6, tzinfo=UTC)
    assert look_back.to_utc - look_back.from_utc == timedelta(weeks=12)
    tick = timedelta(microseconds=1)
    at = [
        look_back.from_utc - tick,
        look_back.from_utc,
        look_back.to_utc - tick,
        look_back.to_utc,
        None,
    ]
    held = pl.DataFrame({"at": at}, schema={"at": pl.Datetime("us", "UTC")}).select(
        look_back.holds("at")
    )["at"]
    assert held.to_list() == [False, True, True, False, None]
