"""Times written without an offset are in the site's time zone, which may be delivered later than
the times.

Such a row is stored as if written in UTC, its columns named in `unzoned`; when the station's zone
becomes known (or is corrected) the times are put where they belong, and `zone` says in which zone
they stand. A vehicle has no site: its reports are placed once, in the fleet's zone.

At a clock change a local time occurs twice or never. Of a frame the receiver's clock tells which is
meant. A pilot record and a vehicle's reports are told apart by the order of writing; where that
does not decide, `time_doubt` says fold or gap.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.core.constants import DAY_S
from pipeline.ingest.daylight_saving import readings, settle_series
from pipeline.ingest.sql import quoted
from pipeline.registry import registry
from pipeline.storage.warehouse import Connection, query, seeing

# Of a frame's two readings the later is meant unless it lies this far after its receipt: half of
# the usual change.
_AHEAD = "INTERVAL '30 minutes'"


@dataclass(frozen=True)
class _Kind:
    """A table of times to place.

    Whose zone, its time's column, and which rows are one record in the order of writing.
    """

    table: str
    owner: str
    at: str
    series: tuple[str, ...] = ()
    once: bool = False


_KINDS = (
    _Kind("raw_frame", "station_id", "receiver_at_utc"),
    _Kind("raw_sample", "station_id", "receiver_at_utc"),
    _Kind("raw_event", "station_id", "receiver_at_utc"),
    _Kind("raw_pilot", "station_id", "station_at_utc", ("station_id", "connector_id")),
    _Kind("raw_charging", "vehicle_id", "at_utc", ("vehicle_id",), once=True),
)
# The zone in the row read last counts.
_STATIONS = """
    SELECT e.station_id, arg_max(e.timezone, (f.ingested_at_utc, e.line)) AS timezone
    FROM raw_evse e JOIN raw_file f USING (file_id) GROUP BY 1
"""


def place_local_times(con: Connection, fleet_zone: str) -> pl.DataFrame:
    """Put unzoned times into their zones.

    Gives the stations and spans that changed (report.TOUCHED_SCHEMA).
    """
    vehicles = f"SELECT DISTINCT vehicle_id, {quoted(fleet_zone)} AS timezone FROM raw_charging WHERE unzoned IS NOT NULL"
    zones = {"station_id": _STATIONS, "vehicle_id": vehicles}
    moved = {kind: _place(con, kind, zones[kind.owner]) for kind in _KINDS}
    return pl.concat([spans for kind, spans in moved.items() if kind.owner == "station_id"])


def _place(con: Connection, kind: _Kind, zones: str) -> pl.DataFrame:
    due = f"t.unzoned IS NOT NULL AND {'t.zone IS NULL' if kind.once else 't.zone IS DISTINCT FROM z.timezone'}"
    spans = query(
        con,
        f"""SELECT t.{kind.owner}, min(t.{kind.at}) AS from_utc, max(t.{kind.at}) AS to_utc
            FROM {kind.table} t JOIN ({zones}) z USING ({kind.owner}) WHERE {due} GROUP BY 1""",
    )
    if spans.height:
        columns = registry().table(kind.table).columns
        moved = [_moved(c.name, kind) for c in columns if c.field.type == "timestamp"]
        settled = _settled(con, kind, zones, due) if kind.series else None
        doubt = ", time_doubt = NULL" if kind.series else ""
        con.execute(
            f"UPDATE {kind.table} AS t SET {', '.join(moved)}, zone = z.timezone{doubt} FROM ({zones}) z "
            f"WHERE t.{kind.owner} = z.{kind.owner} AND {due}"
        )
        if settled is not None and settled.height:
            with seeing(con, _settled=settled):
                con.execute(
                    f"UPDATE {kind.table} AS t SET {kind.at} = s.at_utc, time_doubt = s.time_doubt FROM _settled s "
                    "WHERE t.file_id = s.file_id AND t.line = s.line"
                )
    return spans


def _local(column: str) -> str:
    """A stored time as its clock showed it."""
    return f"timezone(coalesce(t.zone, 'UTC'), t.{column})"


def _moved(column: str, kind: _Kind) -> str:
    """SET of a time column: placed where it has no offset, else as it is."""
    placed = f"timezone(z.timezone, {_local(column)})"
    if column == "station_at_utc" and kind.at == "receiver_at_utc":
        early, _, _ = readings(_local(column), "z.timezone")
        sooner = f"NOT list_contains(t.unzoned, 'receiver_at_utc') AND {placed} > t.receiver_at_utc + {_AHEAD}"
        placed = f"CASE WHEN {sooner} THEN {early} ELSE {placed} END"
    return f"{column} = CASE WHEN list_contains(t.unzoned, '{column}') THEN {placed} ELSE t.{column} END"


def _settled(con: Connection, kind: _Kind, zones: str, due: str) -> pl.DataFrame:
    """Times of days with a clock change, as `folds.settle_series` gives them."""
    early, late, gap = readings("local", "timezone")
    day = "CAST(local AS DATE)"
    hours = f"epoch(timezone(timezone, {day} + INTERVAL 1 DAY)) - epoch(timezone(timezone, CAST({day} AS TIMESTAMP)))"
    rows = query(
        con,
        f"""SELECT file_id, line, {", ".join(kind.series)}, {early} AS early, {late} AS late, {gap} AS gap
            FROM (SELECT t.*, z.timezone, {_local(kind.at)} AS local
                  FROM {kind.table} t JOIN ({zones}) z USING ({kind.owner}) WHERE {due})
            WHERE {hours} <> {DAY_S}""",
    )
    return settle_series(rows, list(kind.series))
