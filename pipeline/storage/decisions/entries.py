"""What the workshop enters: readings, findings and their corrections, and what is attached.

Nothing is changed: a correction is a new row with a note that it stands in place of the old one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa

from pipeline.core.errors import ConflictError, DecisionError
from pipeline.registry import registry
from pipeline.storage.decisions.checks import finding_row, instant, known, number, plausible, said
from pipeline.storage.decisions.store import Decisions, insert
from pipeline.storage.decisions.tables import ATTACHMENT, FINDING, READING, WITHDRAWAL

_OURS = frozenset({"decided_by", "decided_at_utc"})
LONGEST = 2000
"""Characters of a text; more is no note."""


@dataclass(frozen=True)
class Entry:
    """A finding or reading as kept: its number, its columns, and who took it back, when and why."""

    number: int
    row: Mapping[str, Any]
    withdrawn_by: str | None
    withdrawn_at_utc: datetime | None
    why: str | None
    replaced_by: int | None


def keep_reading(store: Decisions, row: Mapping[str, Any], decided_by: str) -> int:
    """Keep a reading or answer (columns of decision_reading); returns its number.

    Raises DecisionError naming the column.
    """
    full = _row("decision_reading", row)
    known("decision_reading", "reading", full["reading"])
    with store.writing() as con:
        return insert(con, READING, full | _signed(decided_by))


def keep_attachment(store: Decisions, row: Mapping[str, Any], decided_by: str) -> int:
    """Keep that a photo or trace is attached (columns of decision_attachment); returns its number."""
    full = _row("decision_attachment", row)
    known("decision_attachment", "media_type", full["media_type"])
    with store.writing() as con:
        return insert(con, ATTACHMENT, full | _signed(decided_by))


def correct_finding(
    store: Decisions, entry: int, row: Mapping[str, Any], decided_by: str, reason: str
) -> int:
    """Keep a finding in place of an earlier one of the same vehicle; returns the new number.

    Raises DecisionError where there is no such finding or the new one is wrong, ConflictError where
    somebody corrected it or took it back meanwhile.
    """
    full = finding_row(row) | _signed(decided_by)
    said({"reason": reason})
    with store.writing() as con:
        old = _standing(con, store, FINDING, entry)
        if old.vehicle_id != full["vehicle_id"]:
            raise DecisionError(
                f"finding {entry} is of {old.vehicle_id}",
                next_step="correct a finding of this vehicle",
            )
        new = insert(con, FINDING, full)
        _withdraw(con, FINDING, entry, reason, decided_by, new)
        return new


def withdraw(store: Decisions, table: str, entry: int, decided_by: str, reason: str) -> None:
    """Take a finding or reading back; it is kept, and counts no more. Raises as `correct_finding`."""
    known("decision_withdrawal", "entry_table", table)
    said({"reason": reason})
    with store.writing() as con:
        kept = FINDING if table == FINDING.name else READING
        _standing(con, store, kept, entry)
        _withdraw(con, kept, entry, reason, decided_by, None)


def entries(store: Decisions, table: str, vehicle_id: str) -> tuple[Entry, ...]:
    """All findings, readings or attachments of a vehicle in the order they were written."""
    kept = {t.name: t for t in (FINDING, READING, ATTACHMENT)}[table]
    with store.reading() as con:
        rows = con.execute(
            sa.select(kept).where(kept.c.vehicle_id == vehicle_id).order_by(kept.c.number)
        ).mappings()
        back = {
            row["entry_number"]: row
            for row in con.execute(
                sa.select(WITHDRAWAL).where(WITHDRAWAL.c.entry_table == table)
            ).mappings()
        }
        return tuple(_entry(dict(row), back.get(row["number"])) for row in rows)


def vehicles_at_the_bench(store: Decisions) -> tuple[tuple[str, datetime], ...]:
    """Vehicles with readings, the one entered last first, and when."""
    last = sa.func.max(READING.c.number).label("last")
    with store.reading() as con:
        rows = con.execute(
            sa.select(READING.c.vehicle_id, sa.func.max(READING.c.decided_at_utc))
            .group_by(READING.c.vehicle_id)
            .order_by(last.desc())
        ).all()
    return tuple((str(vehicle), _aware(at)) for vehicle, at in rows)


def _aware(at: datetime | str) -> datetime:
    return datetime.fromisoformat(at) if isinstance(at, str) else at


def _entry(row: dict[str, Any], back: sa.RowMapping | None) -> Entry:
    entry = int(row.pop("number"))
    if back is None:
        return Entry(entry, row, None, None, None, None)
    return Entry(
        entry, row, back["decided_by"], back["decided_at_utc"], back["reason"], back["replaced_by"]
    )


def _signed(decided_by: str) -> dict[str, Any]:
    said({"decided_by": decided_by})
    return {"decided_by": decided_by.strip(), "decided_at_utc": datetime.now(UTC)}


def _standing(con: sa.Connection, store: Decisions, table: sa.Table, entry: int) -> Any:
    row = con.execute(sa.select(table).where(table.c.number == entry)).one_or_none()
    if row is None:
        raise DecisionError(
            f"there is no entry {entry} in {table.name}", next_step="look at its list"
        )
    back = con.execute(
        sa.select(WITHDRAWAL).where(
            WITHDRAWAL.c.entry_table == table.name, WITHDRAWAL.c.entry_number == entry
        )
    ).one_or_none()
    if back is not None:
        raise ConflictError(
            f"{back.decided_by} took it back or corrected it meanwhile: {back.reason}",
            where=store.where,
            next_step="look at it again",
        )
    return row


def _withdraw(
    con: sa.Connection, table: sa.Table, entry: int, reason: str, decided_by: str, new: int | None
) -> None:
    row = {
        "entry_table": table.name,
        "entry_number": entry,
        "replaced_by": new,
        "reason": reason.strip(),
    }
    insert(con, WITHDRAWAL, row | _signed(decided_by))


def _row(table: str, row: Mapping[str, Any]) -> dict[str, Any]:
    """A row typed and checked against its declaration, all columns there."""
    declared = [c for c in registry().table(table).columns if c.name not in _OURS]
    if unknown := set(row) - {c.name for c in declared}:
        raise DecisionError(
            f"no such column: {', '.join(sorted(unknown))}",
            next_step=f"use {', '.join(c.name for c in declared)}",
        )
    full: dict[str, Any] = {}
    for column in declared:
        value = row.get(column.name)
        if value is None and not column.nullable:
            raise DecisionError(f"{column.name} is missing", next_step=column.field.meaning)
        if value is not None and column.field.type == "timestamp":
            value = plausible(
                column.name, instant(column.name, value) if isinstance(value, str) else value
            )
        if value is not None and column.field.type == "float":
            value = number(column.name, value)
        if isinstance(value, str) and len(value) > LONGEST:
            raise DecisionError(f"{column.name} is too long", next_step=f"keep it under {LONGEST}")
        full[column.name] = value
    said({"vehicle_id": full["vehicle_id"]})
    return full
