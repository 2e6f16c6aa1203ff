"""The fleet's lists in core_*.

As last delivered, and whether anything in them changed since the last run.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.normalise.sessions import identities
from pipeline.storage.warehouse import Connection, query, read, replace


@dataclass(frozen=True)
class Changed:
    """Stations whose EVSEs are described again, and whether vehicles, tokens or EVSEs changed at
    all.
    """

    stations: list[str]
    people: bool


def delivered(con: Connection, table: str) -> pl.DataFrame:
    """A raw table with the time its file was read."""
    return query(
        con, f'SELECT t.*, f.ingested_at_utc FROM "{table}" t LEFT JOIN raw_file f USING (file_id)'
    )


def changes(con: Connection) -> dict[str, pl.DataFrame]:
    """core_change, core_software and core_work: what was done to vehicles and EVSEs, each told once."""
    done = query(
        con,
        "SELECT DISTINCT vehicle_id, at_utc, change, software_version, note FROM raw_change ORDER BY ALL",
    )
    work = query(
        con,
        "SELECT DISTINCT evse_id, at_utc, work_finding, repaired_at_utc, note FROM raw_work ORDER BY ALL",
    )
    return {"core_change": done, "core_software": identities.software(done), "core_work": work}


def update(con: Connection) -> Changed:
    """core_vehicle, core_evse, core_token, core_token_conflict from the raw lists."""
    tokens = identities.latest(
        delivered(con, "raw_token"), ["id_token", "vehicle_id", "valid_from_utc"]
    )
    lists = {
        "core_vehicle": identities.latest(delivered(con, "raw_vehicle"), ["vehicle_id"]),
        "core_evse": identities.latest(delivered(con, "raw_evse"), ["evse_id"]),
        "core_token": tokens,
        **changes(con),
    }
    moved: dict[str, pl.DataFrame] = {}
    for table, rows in lists.items():
        before = read(con, table)
        now = rows.select(before.columns)
        moved[table] = pl.concat(
            [
                before.join(now, on=before.columns, how="anti", nulls_equal=True),
                now.join(before, on=before.columns, how="anti", nulls_equal=True),
            ]
        )
        if len(moved[table]):
            replace(con, table, now)
    if len(moved["core_token"]):
        replace(con, "core_token_conflict", identities.conflicts(tokens))
    return Changed(
        moved["core_evse"]["station_id"].unique().sort().to_list(),
        any(len(rows) for rows in moved.values()),
    )
