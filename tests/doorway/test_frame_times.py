"""When frames were written: by their payload, by the lines around them, by the central clock, in the year their payloads tell."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl
import pytest

from pipeline.doorway.frame_times import FrameTimes
from pipeline.doorway.frames_entry import FramesEntry

UTC_US, LOCAL = pl.Datetime("us", "UTC"), pl.Datetime("us")
AT = datetime(2026, 3, 2, 10, tzinfo=UTC)
SCHEMA: dict[str, Any] = {
    "file": pl.Int64, "station_id": pl.String, "at_zoned": UTC_US, "at_local": LOCAL, "inside_utc": UTC_US, "inside_local": LOCAL,
    "written_at": pl.String, "frame": pl.String, "reason": pl.String,
}  # fmt: skip


def clock(**keys: Any) -> FrameTimes:
    """The times of an entry."""
    usual = {"file": "*.log", "line": "{at} {station_id} {dir} {frame}"}
    return FrameTimes(FramesEntry.model_validate({**usual, **keys}))


def rows(*given: dict[str, Any]) -> pl.DataFrame:
    """Frames of station S in the first file, unless told otherwise."""
    usual = dict.fromkeys(SCHEMA) | {"file": 0, "station_id": "S", "frame": "[]"}
    return pl.DataFrame([usual | one for one in given], schema=SCHEMA)


def local(text: str) -> datetime:
    """A time without a zone."""
    return datetime.fromisoformat(text)


def after(seconds: float) -> datetime:
    """A time so long after the first."""
    return AT + timedelta(seconds=seconds)


def texts(by: FrameTimes, *given: dict[str, Any]) -> list[str | None]:
    """Minutes and seconds of the times told."""
    told = by.told(rows(*given))["at_text"].to_list()
    return [t and t[14:19] + ("Z" if t.endswith("Z") else "") for t in told]


PAYLOAD = {"line": "{station_id} {dir} {frame}", "time_format": "payload"}


def test_a_frame_without_a_time_takes_the_one_before_it() -> None:
    """Its payload's, else the one of its station's frame before, else of any before in its file; before the first there is none."""
    given = [
        {}, {"inside_utc": after(60)}, {"station_id": "T", "inside_utc": after(120)}, {}, {"station_id": "U"},
        {"file": 1}, {"file": 1, "inside_utc": after(180)},
    ]  # fmt: skip
    by = clock(**PAYLOAD)
    told = by.told(rows(*given))
    assert [t and t[14:19] for t in told["at_text"]] == [
        None, "01:00", "02:00", "01:00", "02:00", None, "03:00",
    ]  # fmt: skip
    assert told["reason"].to_list() == [
        "the payload holds no time, and no frame before it does", *[None] * 4, "the payload holds no time, and no frame before it does",
        None,
    ]  # fmt: skip


def test_a_time_is_carried_to_the_next_block_of_the_same_file() -> None:
    """The last time of a block stands until the next one in its file; another file begins anew."""
    by = clock(**PAYLOAD)
    assert texts(by, {"inside_utc": after(60)}, {}) == ["01:00Z", "01:00Z"]
    assert texts(by, {}, {"inside_utc": after(120)}, {}) == ["01:00Z", "02:00Z", "02:00Z"]
    assert texts(by, {}) == ["02:00Z"]
    assert texts(by, {"file": 1}, {"file": 1, "inside_utc": after(180)}) == [None, "03:00Z"]
    local = clock(**PAYLOAD)
    assert texts(local, {"inside_local": AT.replace(tzinfo=None)}) == ["00:00"]
    assert texts(local, {}, {"inside_utc": after(60)}, {}) == ["00:00", "01:00Z", "01:00Z"]


def test_a_time_of_its_own_goes_before_the_payloads() -> None:
    """What is written on the line stands, with an offset or without; the payload's stands in where nothing is."""
    by = clock(time_format=["iso8601", "payload"])
    given = [
        {"at_zoned": after(1), "inside_utc": after(9)},
        {"inside_utc": after(9)},
        {"at_local": after(3).replace(tzinfo=None), "inside_utc": after(9)},
        {"at_local": after(4).replace(tzinfo=None), "inside_local": after(9).replace(tzinfo=None)},
    ]
    assert texts(by, *given) == ["00:01Z", "00:09Z", "00:03", "00:04"]


BOOT, BEAT = '[2,"1","BootNotification",{}]', '[2,"1","Heartbeat",{}]'
ANSWER = '[3,"1",{"currentTime":"x"}]'


def test_a_station_s_own_clock_is_put_right_by_the_answers_it_got() -> None:
    """What was written since a boot has the offset of the next answer, after the last that of the last; each life its own; an offset of
    two seconds is none (decided).
    """
    by = clock(written_by="station")
    own = [
        {"at_zoned": after(0), "frame": BOOT},
        {"at_zoned": after(1), "frame": ANSWER, "inside_utc": after(101)},
        {"at_zoned": after(2), "frame": BEAT},
        {"at_zoned": after(3), "frame": ANSWER, "inside_utc": after(53)},
        {"at_zoned": after(4), "frame": BEAT},
        {"at_zoned": after(5), "frame": BOOT},
        {"at_zoned": after(6), "frame": ANSWER, "inside_utc": after(8)},
        {"at_zoned": after(7), "frame": BEAT},
        {"at_zoned": after(8), "frame": BOOT},
        {"at_zoned": after(9), "frame": BEAT, "inside_utc": after(900)},
        {"at_zoned": after(1), "station_id": "T", "frame": BEAT},
    ]
    assert texts(by, *own) == [
        "01:40Z", "01:41Z", "00:52Z", "00:53Z", "00:54Z", "00:05Z", "00:06Z", "00:07Z", "00:08Z", "00:09Z", "00:01Z",
    ]  # fmt: skip
    past = [{"at_zoned": after(0), "frame": ANSWER, "inside_utc": after(2.1)}]
    assert texts(by, *past) == ["00:02Z"]


def in_year(by: FrameTimes, *given: tuple[datetime, datetime | None]) -> list[int | None]:
    """Years of local times written without one, with the times inside the payloads beside them."""
    made = [{"at_local": at, "inside_utc": inside} for at, inside in given]
    return [t and int(t[:4]) for t in by.told(rows(*made))["at_text"]]


def test_the_year_is_that_nearest_to_the_payloads() -> None:
    """Times without a year are read in 2000; the payloads around tell it, over New Year too; clocks never set tell nothing (OCPP 1.6 is
    of 2015).
    """
    by = clock(time_format="%b %d %H:%M:%S", timezone="UTC")
    eve, day = local("2000-12-31T23:00"), local("2000-01-01T01:00")
    new_year = datetime(2026, 1, 1, 0, tzinfo=UTC)
    assert in_year(by, (eve, None), (eve, new_year), (day, None)) == [2025, 2025, 2026]
    assert in_year(by, (local("2000-06-01"), None)) == [2026]
    assert in_year(clock(time_format="%b %d %H:%M:%S", timezone="UTC"), (day, datetime(1970, 1, 1, tzinfo=UTC))) == [None]  # fmt: skip
    again = clock(time_format="%b %d %H:%M:%S", timezone="UTC")
    assert in_year(again, (day, datetime(2025, 12, 31, tzinfo=UTC))) == [2026]
    dated = clock(time_format=["%b %d %H:%M:%S", "%Y-%m-%d"], timezone="UTC")
    assert in_year(dated, (local("2021-05-01"), new_year)) == [2021]


@pytest.mark.parametrize(
    ("keys", "written", "said"),
    [
        ({}, "soon", "'soon' is no time written ISO 8601 (2026-03-02T10:00:00Z)"), ({}, None, "nothing tells its time"),
        ({}, "x" * 70, f"'{'x' * 60}' is no time written ISO 8601 (2026-03-02T10:00:00Z)"),
        ({"time_format": "%b %d %H:%M"}, "soon", "'soon' is no time written '%b %d %H:%M', or nothing in the payloads tells its year"),
        ({"time_format": ["epoch_s", "%Y-%m-%d"]}, "soon", "'soon' is no time written seconds since 1970 or '%Y-%m-%d'"),
    ],
)  # fmt: skip
def test_a_time_that_cannot_be_read_says_how_it_should_stand(
    keys: dict[str, Any], written: str | None, said: str
) -> None:
    """What stands there, cut at sixty signs, and the formats that were tried; a reason told before stands."""
    told = clock(**keys).told(rows({"written_at": written}, {"reason": "odd"}))
    assert told["reason"].to_list() == [said, "odd"]


def test_local_times_wait_for_the_sites_zone() -> None:
    """With a zone of the entry they are UTC, without one they stay local; six digits of the second are kept."""
    written = local("2026-03-02T10:00:00.123456")
    told = clock().told(rows({"at_local": written}))["at_text"].item()
    assert told == "2026-03-02T10:00:00.123456"
    told = clock(timezone="Europe/Oslo").told(rows({"at_local": written}))["at_text"].item()
    assert told == "2026-03-02T09:00:00.123456Z"
