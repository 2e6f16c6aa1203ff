"""What may enter the store: the words of the vocabulary, and findings as the file has them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from pipeline.core.errors import ConflictError, DecisionError
from pipeline.registry import registry

__all__ = ["ConflictError", "DecisionError", "finding_row", "known", "said"]


def finding_row(row: Mapping[str, Any]) -> dict[str, Any]:
    """One finding, typed and checked as the file's rows are: every column of findings.csv but those
    it may lack is there.

    Raises DecisionError naming the column and what it must be.
    """
    declared = [
        c
        for c in registry().table("decision_finding").columns
        if c.name not in {"decided_by", "decided_at_utc"}
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
            value = _instant(column.name, value)
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
            value = _number(column.name, value)
        full[column.name] = value
    known("decision_finding", "finding", full["finding"])
    if full["repaired_at_utc"] is not None and full["repaired_at_utc"] < full["at_utc"]:
        raise DecisionError(
            "repaired before it was found",
            next_step="give repaired_at_utc after at_utc, or leave it out",
        )
    return full


def _instant(name: str, text: str) -> datetime:
    try:
        return datetime.fromisoformat(text)
    except ValueError as error:
        raise DecisionError(
            f"{name} is no time: {text!r}", next_step="write it like 2026-04-02T09:30:00+02:00"
        ) from error


def _number(name: str, value: object) -> float:
    least = registry().fields[name].minimum
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError) as error:
        raise DecisionError(
            f"{name} must be a number, not {value!r}", next_step="use a decimal point and no unit"
        ) from error
    if math.isnan(number) or (least is not None and number < least):
        raise DecisionError(
            f"{name} cannot be {value!r}", next_step="leave it out if it was not measured"
        )
    return number


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
