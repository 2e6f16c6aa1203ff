"""Times as people type them, local or with an offset."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from pipeline.core.errors import DecisionError
from pipeline.core.local_time import moment


@pytest.mark.parametrize(
    ("text", "zone", "utc"),
    [
        ("2026-04-01T14:30", "Europe/Oslo", datetime(2026, 4, 1, 12, 30, tzinfo=UTC)),
        ("2026-01-01 14:30", "Europe/Oslo", datetime(2026, 1, 1, 13, 30, tzinfo=UTC)),
        ("2026-04-01T14:30+02:00", "America/New_York", datetime(2026, 4, 1, 12, 30, tzinfo=UTC)),
        ("2026-04-01T14:30Z", "", datetime(2026, 4, 1, 14, 30, tzinfo=UTC)),
    ],
)
def test_local_times_are_placed_in_their_zone(text: str, zone: str, utc: datetime) -> None:
    """An offset stands; without one the device's zone decides (IANA time zone data)."""
    assert moment(text, zone) == utc


@pytest.mark.parametrize("zone", ["", "Nowhere/None", "../etc/passwd", "\x00"])
def test_a_zone_that_is_none_falls_back_on_this_machine(zone: str) -> None:
    """A made-up zone is not an error of the person who typed a time."""
    here = datetime(2026, 4, 1, 14, 30).astimezone(UTC)
    assert moment("2026-04-01T14:30", zone) == here


@pytest.mark.parametrize("text", ["", "soon", "2026-13-01", "0001-01-01T00:00+14:00"])
def test_what_is_no_time_is_refused(text: str) -> None:
    """It says how to write one."""
    with pytest.raises(DecisionError, match="no time"):
        moment(text)
