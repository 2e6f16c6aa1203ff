"""What may enter the store: the words of the vocabulary, and findings as the file has them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

from pipeline.core.errors import ConflictError, DecisionError
from pipeline.core.weeks import week_start
from pipeline.registry import registry

__all__ = [
    "ConflictError",
    "DecisionError",
    "finding_row",
    "known",
    "plausible",
    "said",
    "week",
    "work_row",
]

EARLIEST_UTC = datetime(2000, 1, 1, tzinfo=UTC)
"""Nothing decided here is older: IEC 61851-1 first appeared in 2001 (from memory)."""
CLOCKS_APART = timedelta(days=1)
"""A machine's clock or a time zone left out may put 'now' so much ahead; more is a slip."""


def plausible(name: str, at: datetime, now: datetime | None = None) -> datetime:
    """The instant, if it is neither of the future nor of a time before there was such equipment.

    Raises DecisionError naming the column: an append-only store cannot be mended afterwards.
    """
    latest = (now or datetime.now(UTC)) + CLOCKS_APART
    if at.tzinfo is None:
        raise DecisionError(f"{name} has no offset", next_step="write it with +00:00 or Z")
    if not EARLIEST_UTC <= at <= latest:
        raise DecisionError(
            f"{name} cannot be {at.isoformat()}",
            next_step=f"give a time from {EARLIEST_UTC:%Y} until now, the year with four figures",
        )
    return at


def week(text: str, now: datetime | None = None) -> str:
    """The ISO week, if it is one and has begun. Raises DecisionError or SettingsError."""
    plausible(f"the week {text}", week_start(text), now)
    return text


def finding_row(row: Mapping[str, Any]) -> dict[str, Any]:
    """One finding, typed and checked as the file's rows are: every column of findings.csv but those
    it may lack is there.

    Raises DecisionError naming the column and what it must be.
    """
    return _checked(row, "decision_finding", "finding")


def work_row(row: Mapping[str, Any]) -> dict[str, Any]:
    """One piece of work at an EVSE, checked as the rows of sites/work.csv are.

    Raises DecisionError naming the column and what it must be.
    """
    return _checked(row, "decision_work", "work_finding")


def _checked(row: Mapping[str, Any], table: str, word: str) -> dict[str, Any]:
    declared = [
        c for c in registry().table(table).columns if c.name not in {"decided_by", "decided_at_utc"}
    ]
    unknown = set(row) - {c.name for c in declared}
    if unknown:
        raise DecisionError(
            f"no such column: {', '.join(sorted(unknown))}",
            next_step=f"use {', '.join(c.name for c in declared)}",
        )
    full: dict[str, Any] = {}
    for column in declared:
        value = row.get(column.name)
        if value is None and not column.nullable:
            raise DecisionError(f"{column.name} is missing", next_step=column.field.meaning)
        if column.field.type == "timestamp" and isinstance(value, str):
            value = instant(column.name, value)
        if (
            column.field.type == "timestamp"
            and value is not None
            and (not isinstance(value, datetime) or value.tzinfo is None)
        ):
            raise DecisionError(
                f"{column.name} must be a time with its offset",
                next_step="write it like 2026-04-02T09:30:00+02:00",
            )
        if column.field.type == "float" and value is not None:
            value = number(column.name, value)
        if isinstance(value, datetime):
            value = plausible(column.name, value)
        full[column.name] = value
    known(table, word, full[word])
    if full["repaired_at_utc"] is not None and full["repaired_at_utc"] < full["at_utc"]:
        raise DecisionError(
            "repaired before it was found",
            next_step="give repaired_at_utc after at_utc, or leave it out",
        )
    return full


def instant(name: str, text: str) -> datetime:
    """An ISO 8601 text as an instant; DecisionError naming the column where it is none."""
    try:
        return datetime.fromisoformat(text)
    except (TypeError, ValueError) as error:
        raise DecisionError(
            f"{name} is no time: {text!r}", next_step="write it like 2026-04-02T09:30:00+02:00"
        ) from error


def number(name: str, value: object) -> float:
    """A number within the field's limits; DecisionError naming the column where it is not.

    A resistance may be infinite: what a meter shows as over range.
    """
    field = registry().fields[name]
    least = field.minimum
    try:
        given = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError) as error:
        raise DecisionError(
            f"{name} must be a number, not {value!r}", next_step="use a decimal point and no unit"
        ) from error
    over_range = field.unit == "ohm" and given == math.inf
    if not (math.isfinite(given) or over_range) or (least is not None and given < least):
        raise DecisionError(
            f"{name} cannot be {value!r}", next_step="leave it out if it was not measured"
        )
    return given


def known(table: str, column: str, word: object) -> None:
    """Raise DecisionError unless the word is one the column allows."""
    values = next(c.field.values for c in registry().table(table).columns if c.name == column)
    if word not in values:
        raise DecisionError(f"{word!r} is no {column}", next_step=f"use one of {', '.join(values)}")


def said(words: Mapping[str, str]) -> None:
    """Raise DecisionError where something that must be said is empty."""
    for name, word in words.items():
        if not word.strip():
            raise DecisionError(
                f"{name} is empty", next_step="say it; it is kept with the decision"
            )
