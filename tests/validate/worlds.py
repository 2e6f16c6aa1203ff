"""Warehouses made row by row: what a test does not name takes a plain, valid value."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any

import duckdb
import polars as pl

from pipeline.registry import polars_schema, registry
from pipeline.storage.tables import create_tables
from pipeline.storage.warehouse import Connection, append

BASE = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
Row = dict[str, Any]
World = dict[str, list[Row]]

PLAIN: Row = {
    "file_id": "f", "station_id": "s1", "connector_id": 1, "evse_id": "e1", "clock_error_s": 0.0, "version": "1.6",
    "action": "StatusNotification", "vehicle_id": "v1", "vehicle_model": "Dray 3", "inlets": "cType2;cCCS2", "id_token": "t1",
    "site_id": "north", "evse_model": "Post M", "supply": "AC", "connector_type": "cType2", "coupler": "cType2",
    "timezone": "UTC", "diode_check": "yes", "vehicle_known_by": "token", "source": "pilot", "lineage": ["f:1"],
    "outcome": "charged", "stage": "delivering", "early_b": False, "pilot_low_samples": 0, "distrust": False, "weight": 1.0,
    "offset_s": 0.0, "drift_s_per_day": 0.0, "anchors": 3, "measurand": "Energy.Active.Import.Register",
    "location": "Outlet", "finding": "diode_shorted", "event": "plugged", "direction": "in", "message_type": 2,
    "message_id": "m", "file": "x", "kind": "frames", "pilot_state": "A1", "firmware": None,
}  # fmt: skip
NUMBERS: Row = {
    "core_evse": {"max_current_a": 32.0, "phases": 3, "max_power_kw": 22.0, "firmware": "1.0"},
    "core_vehicle": {"model_year": 2024, "onboard_charger_kw": 11.0, "ac_phases": 3},
}
STANDING: World = {
    "core_evse": [{}],
    "core_vehicle": [{}],
    "raw_file": [{"ingested_at_utc": 10 * 86400}],
    "raw_frame": [{"receiver_at_utc": -10 * 86400}, {"receiver_at_utc": 10 * 86400}],
}


def when(value: object) -> object:
    """Seconds since BASE as a time; anything else as it is."""
    return (
        BASE + timedelta(seconds=value)
        if isinstance(value, int | float) and not isinstance(value, bool)
        else value
    )


def filled(table: str, row: Row, line: int) -> Row:
    """A whole row of a declared table; times are given in seconds since BASE."""
    made: Row = {}
    for column in registry().table(table).columns:
        default = None
        if column.name == "line":
            default = line
        elif not column.nullable or column.name in {
            "evse_id",
            "connector_id",
            "evse_model",
            "vehicle_model",
        }:
            default = {"timestamp": BASE, "int": 0, "float": 0.0, "bool": False}.get(
                column.field.type, "x"
            )
            default = PLAIN.get(column.name, default)
        value = row.get(column.name, NUMBERS.get(table, {}).get(column.name, default))
        made[column.name] = when(value) if column.field.type == "timestamp" else value
    unknown = set(row) - set(made)
    assert not unknown, f"{table} has no {unknown}"
    return made


def frame(table: str, rows: list[Row]) -> pl.DataFrame:
    """Rows of a declared table as a frame."""
    return pl.DataFrame(
        [filled(table, row, i) for i, row in enumerate(rows, 1)],
        schema=polars_schema(table),
        orient="row",
    )


def fill(con: Connection, world: World) -> None:
    """Put a world, on top of one EVSE, one vehicle and a span of frames unless it names its own,
    into a warehouse.
    """
    for table, rows in {**STANDING, **world}.items():
        if rows:
            append(con, table, frame(table, rows))


def new() -> Connection:
    """An empty warehouse in memory."""
    con = duckdb.connect()
    con.execute("SET TimeZone = 'UTC'")
    create_tables(con)
    return con


_shared = cache(new)


@contextmanager
def warehouse(world: World) -> Iterator[Connection]:
    """A warehouse in memory that holds a world for as long as it is open."""
    con = _shared()
    con.execute("BEGIN")
    try:
        fill(con, world)
        yield con
    finally:
        con.execute("ROLLBACK")
