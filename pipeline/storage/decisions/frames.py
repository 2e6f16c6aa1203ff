"""The decisions as frames, as a run takes them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import polars as pl
import sqlalchemy as sa

from pipeline.registry import Column, empty, polars_schema, registry
from pipeline.storage.decisions.checks import DecisionError, instant, number, plausible
from pipeline.storage.decisions.tables import WITHDRAWAL


@dataclass(frozen=True)
class DecisionFrames:
    """Everything in the store as frames, in the order it was written: what a run takes.

    Findings and readings taken back or corrected are left out; `entries` tells them.
    `unreadable` names each row that is not as declared (written by hand, or by an earlier version
    that let it in) and was left out.
    """

    reviews: pl.DataFrame = field(default_factory=lambda: empty("decision_review"))
    findings: pl.DataFrame = field(default_factory=lambda: empty("decision_finding"))
    lessons: pl.DataFrame = field(default_factory=lambda: empty("decision_lesson"))
    referrals: pl.DataFrame = field(default_factory=lambda: empty("decision_referral"))
    readings: pl.DataFrame = field(default_factory=lambda: empty("decision_reading"))
    works: pl.DataFrame = field(default_factory=lambda: empty("decision_work"))
    unreadable: tuple[str, ...] = ()


def withdrawn(con: sa.Connection) -> dict[str, frozenset[int]]:
    """Numbers of the entries taken back or corrected, by table."""
    rows = con.execute(sa.select(WITHDRAWAL.c.entry_table, WITHDRAWAL.c.entry_number)).all()
    return {
        name: frozenset(number for table, number in rows if table == name)
        for name in {table for table, _ in rows}
    }


def frame_of(
    con: sa.Connection, table: sa.Table, without: frozenset[int]
) -> tuple[pl.DataFrame, list[str]]:
    """The good rows of a table, and what is wrong with each of the others."""
    declared = registry().table(table.name).columns
    plain = [
        sa.type_coerce(table.c[c.name], sa.String)
        if c.field.type == "timestamp"
        else table.c[c.name]
        for c in declared
    ]
    good: list[tuple[Any, ...]] = []
    faults: list[str] = []
    for row_number, *values in con.execute(
        sa.select(table.c.number, *plain).order_by(table.c.number)
    ):
        if row_number in without:
            continue
        try:
            good.append(tuple(_value(c, value) for c, value in zip(declared, values, strict=True)))
        except DecisionError as error:
            faults.append(f"{table.name} {row_number}: {error.what}")
    return pl.DataFrame(good, schema=polars_schema(table.name), orient="row"), faults


def _value(column: Column, value: Any) -> Any:
    """A stored value as declared; DecisionError where it is not what the column holds."""
    if value is None:
        if not column.nullable:
            raise DecisionError(f"{column.name} is empty")
        return None
    if column.field.type == "timestamp":
        return plausible(column.name, instant(column.name, value))
    if column.field.type == "float":
        return number(column.name, value)
    if column.field.values and value not in column.field.values:
        raise DecisionError(f"{column.name} is {value!r}")
    return value
