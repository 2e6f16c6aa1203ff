"""Times written without an offset are in the site's time zone, which may be delivered later than the times.

Such a row is stored as if written in UTC, its columns named in `unzoned`; when the station's zone becomes known (or is
corrected) the times are put where they belong, and `zone` says in which zone they stand.
"""

from __future__ import annotations

import polars as pl

from pipeline.registry import registry
from pipeline.warehouse import Connection, query

TABLES = ("raw_frame", "raw_sample", "raw_event", "raw_pilot")
_SPAN = {"raw_pilot": "station_at_utc"}

# The zone in the row read last counts.
_ZONES = """
    SELECT e.station_id, arg_max(e.timezone, (f.ingested_at_utc, e.line)) AS timezone
    FROM raw_evse e JOIN raw_file f USING (file_id) GROUP BY 1
"""
_DUE = "t.unzoned IS NOT NULL AND t.zone IS DISTINCT FROM z.timezone"


def place_local_times(con: Connection) -> pl.DataFrame:
    """Put unzoned times into their stations' zones; gives the stations and spans that changed (report.TOUCHED_SCHEMA)."""
    return pl.concat([_place(con, table) for table in TABLES])


def _place(con: Connection, table: str) -> pl.DataFrame:
    times = [c.name for c in registry().table(table).columns if c.field.type == "timestamp"]
    moved = ", ".join(
        f"{name} = CASE WHEN list_contains(t.unzoned, '{name}') "
        f"THEN timezone(z.timezone, timezone(coalesce(t.zone, 'UTC'), t.{name})) ELSE t.{name} END"
        for name in times
    )
    span = _SPAN.get(table, "receiver_at_utc")
    due = query(
        con,
        f"""SELECT t.station_id, min(t.{span}) AS from_utc, max(t.{span}) AS to_utc
            FROM {table} t JOIN ({_ZONES}) z USING (station_id) WHERE {_DUE} GROUP BY 1""",
    )
    if due.height:
        con.execute(
            f"UPDATE {table} AS t SET {moved}, zone = z.timezone FROM ({_ZONES}) z WHERE t.station_id = z.station_id AND {_DUE}"
        )
    return due
