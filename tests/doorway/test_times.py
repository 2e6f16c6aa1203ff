"""Times as sites write them: what each format reads, by DuckDB itself."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import duckdb
import pytest

from pipeline.doorway.times import any_shape, has_year, in_words, shape, wrong, zoned_and_local


def read(text: str, form: str) -> tuple[datetime | None, datetime | None]:
    """(instant, local time) that a format reads out of a text."""
    with duckdb.connect() as con:
        con.execute("SET TimeZone = 'UTC'")
        zoned, local = zoned_and_local("written", form)
        found = con.execute(
            f"SELECT {zoned}, {local} FROM (SELECT ? AS written)", [text]
        ).fetchone()
    assert found
    instant, here = found
    return (instant.astimezone(UTC) if instant else None), here


@pytest.mark.parametrize(
    ("name", "zone", "month"),
    [
        ("UTC", "UTC", 1), ("GMT", "Europe/London", 1), ("BST", "Europe/London", 7), ("WET", "Europe/Lisbon", 1),
        ("WEST", "Europe/Lisbon", 7), ("CET", "Europe/Oslo", 1), ("CEST", "Europe/Oslo", 7), ("EET", "Europe/Helsinki", 1),
        ("EEST", "Europe/Helsinki", 7), ("MSK", "Europe/Moscow", 1), ("EST", "America/New_York", 1),
        ("EDT", "America/New_York", 7), ("CDT", "America/Chicago", 7), ("MST", "America/Denver", 1),
        ("MDT", "America/Denver", 7), ("PST", "America/Los_Angeles", 1), ("PDT", "America/Los_Angeles", 7),
        ("AKST", "America/Anchorage", 1), ("AKDT", "America/Anchorage", 7), ("AEST", "Australia/Sydney", 7),
        ("AEDT", "Australia/Sydney", 1), ("NZST", "Pacific/Auckland", 7), ("NZDT", "Pacific/Auckland", 1),
    ],
)  # fmt: skip
def test_the_abbreviation_of_a_zone_is_its_offset(name: str, zone: str, month: int) -> None:
    """As the IANA time zone database has it."""
    there = datetime(2026, month, 15, 10, 30, tzinfo=ZoneInfo(zone))
    assert there.tzname() == name
    assert read(f"2026-{month:02d}-15 10:30:00 {name}", "%Y-%m-%d %T %Z") == (
        there.astimezone(UTC),
        None,
    )


TEN = datetime(2026, 3, 2, 10, 0, 5, tzinfo=UTC)
LOCAL = datetime(2026, 3, 2, 10, 0, 5)  # noqa: DTZ001 - a time of a wall clock


@pytest.mark.parametrize(
    ("text", "form", "instant", "local"),
    [
        ("1772445605", "epoch_s", TEN, None),
        ("1772445605,25", "epoch_s", TEN.replace(microsecond=250_000), None),
        ("1772445605250", "epoch_ms", TEN.replace(microsecond=250_000), None),
        ("1772445605", "epoch_ms", None, None),
        ("2026-03-02T10:00:05Z", "iso8601", TEN, None),
        ("2026-03-02 11:00:05.123456789 +01:00", "iso8601", TEN.replace(microsecond=123_456), None),
        ("20260302T100005", "iso8601", None, LOCAL),
        ("2026-03-02 10:00:05,5", "iso8601", None, LOCAL.replace(microsecond=500_000)),
        ("02/Mar/2026:11:00:05 +0100", "%d/%b/%Y:%T %z", TEN, None),
        ("Mar. 2 2026 10:00:05 a.m.", "%b %-d %Y %I:%M:%S %p", None, LOCAL),
        ("02.03.26 10:00:05.1234567", "%d.%m.%y %H:%M:%S.%f", None, LOCAL.replace(microsecond=123_456)),
        ("061 2026 10:00:05", "%j %Y %T", None, LOCAL),
        ("100% 2026-03-02 10:00:05", "100%% %F %T", None, LOCAL),
        ("Feb 29 10:00:05", "%b %d %T", None, datetime(2000, 2, 29, 10, 0, 5)),  # noqa: DTZ001
        ("noon", "%H:%M", None, None),
    ],
)  # fmt: skip
def test_each_format_reads_its_time(
    text: str, form: str, instant: datetime | None, local: datetime | None
) -> None:
    """Worked by hand: an instant where the text says its offset, else a time of the wall clock; a time without its year in 2000,
    to be put right after.
    """
    assert read(text, form) == (instant, local)


@pytest.mark.parametrize(
    ("form", "said"),
    [
        (" ", "is empty"), ("%Y-%m-%d %Q", "%Q is no part of a time"), ("%d %d %m", "%d stands twice"), ("%H:%M", "names no day"),
        ("%Y-%m-%d %I:%M", "%I counts to twelve and goes with %p (AM or PM); %H counts to 23 and goes without"),
        ("%Y-%m-%d %H %p", "counts to twelve"), ("%F %T", None), ("%j %y", None),
        ("iso8601", None), ("payload", None), ("100%% %F", None),
    ],
)  # fmt: skip
def test_what_is_wrong_with_a_format_is_told(form: str, said: str | None) -> None:
    """One day, one hour, no part twice."""
    told = wrong(form)
    assert told is None if said is None else said in (told or "")


def test_a_per_cent_sign_that_is_meant() -> None:
    """Written twice in a format, it stands once in the text (strptime)."""
    assert re.fullmatch(shape("at 5%% %F"), "at 5% 2026-03-02")
    assert not re.fullmatch(shape("at 5%% %F"), "at 5%% 2026-03-02")


def test_formats_in_words() -> None:
    """As a person is told of them."""
    assert in_words(["iso8601", "epoch_s", "payload", "epoch_ms", "%F"]) == (
        "ISO 8601 (2026-03-02T10:00:00Z) or seconds since 1970 or milliseconds since 1970 or '%F'"
    )
    assert (has_year("%b %d"), has_year("%F"), has_year("epoch_s")) == (False, True, True)
    assert (
        any_shape(["epoch_s", "payload", "epoch_ms"])
        == f"(?:{shape('epoch_s')}|{shape('epoch_ms')})"
    )
