"""Times as people type them: with an offset, or local to where they are."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pipeline.core.errors import DecisionError


def moment(text: str, zone: str = "") -> datetime:
    """An instant in UTC; without an offset in `zone` (an IANA name), or where that is none in this machine's own zone.

    Raises DecisionError where the text is no time.
    """
    try:
        read = datetime.fromisoformat(text.strip())
        placed = read if read.tzinfo is not None else _placed(read, zone)
        return placed.astimezone(UTC)
    except (ValueError, OverflowError) as error:
        raise DecisionError(
            f"{text!r} is no time",
            next_step="write it like 2026-04-01 14:30, local, or with its offset",
        ) from error


def _placed(read: datetime, zone: str) -> datetime:
    try:
        return read.replace(tzinfo=ZoneInfo(zone)) if zone else read.astimezone()
    except (ZoneInfoNotFoundError, ValueError):
        return read.astimezone()
