"""The store: one transaction a call, one writer at a time, readers never held up."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl
import sqlalchemy as sa

from pipeline.core.errors import StoreError
from pipeline.registry import conform, registry
from pipeline.storage.decisions.checks import (
    ConflictError,
    finding_row,
    known,
    plausible,
    said,
    work_row,
)
from pipeline.storage.decisions.checks import (
    week as checked_week,
)
from pipeline.storage.decisions.connection import AS_READER, BUSY_S, opened, shown_as
from pipeline.storage.decisions.frames import DecisionFrames, frame_of, withdrawn
from pipeline.storage.decisions.tables import (
    FINDING,
    LESSON,
    READING,
    REFERRAL,
    REVIEW,
    WORK,
)


@dataclass(frozen=True)
class Decisions:
    """An open store. Each method is one transaction; use one from as many threads as you like."""

    engine: sa.Engine
    where: str

    def review(
        self, vehicle_id: str, week: str, decision: str, reason: str, decided_by: str,
        *, after: int | None = None, decided_at_utc: datetime | None = None,
    ) -> int:  # fmt: skip
        """Keep a reviewer's decision (accept, hold, dismiss); returns its number.

        `after` is `last_review(vehicle_id)` as the reviewer saw it: when someone decided since,
        ConflictError says who. Raises DecisionError where the decision is unknown, or the reason or
        the name is missing.
        """
        known("decision_review", "decision", decision)
        said({"vehicle_id": vehicle_id, "reason": reason, "decided_by": decided_by})
        row = {
            "vehicle_id": vehicle_id, "week": checked_week(week), "decision": decision, "reason": reason.strip(),
            "decided_by": decided_by.strip(), "decided_at_utc": plausible("decided_at_utc", decided_at_utc or datetime.now(UTC)),
        }  # fmt: skip
        with self.writing() as con:
            if after is not None:
                self._refuse_stale(con, vehicle_id, after)
            return insert(con, REVIEW, row)

    def last_review(self, vehicle_id: str) -> int:
        """Number of the last review of a vehicle, 0 if there is none."""
        with self.reading() as con:
            return _last_review(con, vehicle_id)

    def finding(self, row: Mapping[str, Any], decided_by: str) -> int:
        """Keep a workshop's finding: the columns of findings.csv, validated like the file; returns
        its number.

        Raises DecisionError naming the column.
        """
        full = finding_row(row) | {"decided_by": decided_by, "decided_at_utc": datetime.now(UTC)}
        said({"vehicle_id": full["vehicle_id"], "decided_by": decided_by})
        with self.writing() as con:
            return insert(con, FINDING, full)

    def work(self, row: Mapping[str, Any], decided_by: str) -> int:
        """Keep work at an EVSE: the columns of sites/work.csv, validated like the file; returns its
        number.

        Raises DecisionError naming the column.
        """
        full = work_row(row) | {"decided_by": decided_by, "decided_at_utc": datetime.now(UTC)}
        said({"evse_id": full["evse_id"], "decided_by": decided_by})
        with self.writing() as con:
            return insert(con, WORK, full)

    def add_lessons(self, lessons: pl.DataFrame) -> int:
        """Keep what confirmed cases looked like; what is kept already stays as it is.

        Returns how many rows were new.
        """
        return self._add_new(LESSON, lessons)

    def add_referrals(self, referrals: pl.DataFrame) -> int:
        """Keep a week's list of referrals, once per week and vehicle.

        Returns how many rows were new.
        """
        return self._add_new(REFERRAL, referrals)

    def frames(self) -> DecisionFrames:
        """Everything, read in one transaction."""
        with self.reading() as con:
            back = withdrawn(con)
            read = [
                frame_of(con, table, back.get(table.name, frozenset()))
                for table in (REVIEW, FINDING, LESSON, REFERRAL, READING, WORK)
            ]
        reviews, findings, lessons, referrals, readings, works = (frame for frame, _ in read)
        unreadable = tuple(fault for _, faults in read for fault in faults)
        return DecisionFrames(reviews, findings, lessons, referrals, readings, works, unreadable)

    def close(self) -> None:
        """Let go of the connections."""
        self.engine.dispose()

    def _add_new(self, table: sa.Table, frame: pl.DataFrame) -> int:
        rows = conform(frame, table.name).to_dicts()
        key = registry().table(table.name).key
        with self.writing() as con:
            kept = {tuple(row) for row in con.execute(sa.select(*(table.c[k] for k in key)))}
            new = [row for row in rows if tuple(row[k] for k in key) not in kept]
            if new:
                con.execute(sa.insert(table), new)
            return len(new)

    def _refuse_stale(self, con: sa.Connection, vehicle_id: str, after: int) -> None:
        if (last := _last_review(con, vehicle_id)) != after:
            row = con.execute(sa.select(REVIEW).where(REVIEW.c.number == last)).one()
            raise ConflictError(
                f"{row.decided_by} decided {row.decision!r} on {vehicle_id} meanwhile: {row.reason}",
                where=self.where,
                next_step="look at it again and decide again",
            )

    @contextmanager
    def writing(self) -> Iterator[sa.Connection]:
        """One transaction that writes; StoreError where it was not kept."""
        try:
            with self.engine.begin() as con:
                if con.dialect.name == "postgresql":
                    con.execute(sa.text(f"SET LOCAL lock_timeout = '{BUSY_S}s'"))
                    con.execute(sa.text("LOCK TABLE decision_review IN SHARE ROW EXCLUSIVE MODE"))
                yield con
        except sa.exc.DBAPIError as error:
            raise StoreError(
                f"the decision was not kept: {error.orig}", where=self.where, next_step="try again"
            ) from error

    @contextmanager
    def reading(self) -> Iterator[sa.Connection]:
        """One transaction that sees one moment of the whole store."""
        try:
            with self.engine.execution_options(
                **AS_READER.get(self.engine.dialect.name, {})
            ).begin() as con:
                yield con
        except sa.exc.DBAPIError as error:
            raise StoreError(
                f"the decisions cannot be read: {error.orig}",
                where=self.where,
                next_step="restore a copy",
            ) from error


def insert(con: sa.Connection, table: sa.Table, row: Mapping[str, Any]) -> int:
    """Write a row; returns its number."""
    key = con.execute(sa.insert(table).values(dict(row))).inserted_primary_key
    return int(key[0]) if key else 0


def _last_review(con: sa.Connection, vehicle_id: str) -> int:
    found = con.execute(
        sa.select(sa.func.max(REVIEW.c.number)).where(REVIEW.c.vehicle_id == vehicle_id)
    ).scalar()
    return int(found or 0)


def open_decisions(where: Path | str) -> Decisions:
    """Open the store at a path (SQLite, made if absent) or a database URL; raises StoreError as `opened`."""
    return Decisions(opened(where), shown_as(where))
