"""What rules said of a station's past, kept from run to run while the rows it rests on are the same.

A station's records before `settled_until_utc` are settled: nothing delivered since can have changed
what a settling view (`schemas/views`) says of them, as long as the station's rows until
`proven_until_utc` have the fingerprint they had, and no transaction goes on beyond. Then only rows
from `seen_from_utc` on are looked at, and only records after are counted. Where any of this fails,
the station is asked whole. `sql/frontier.sql` says how far back must be seen.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from contextlib import contextmanager

import duckdb
import polars as pl

from pipeline.storage.warehouse import Connection, append, query, replace, statement
from pipeline.validate.rules import rules, views

_NOTHING = """
    CREATE OR REPLACE TEMP TABLE frontier (station_id VARCHAR, from_utc TIMESTAMPTZ, settled_until_utc TIMESTAMPTZ)
"""
_CUT = {
    "core_signal": ("*", "at_utc", "seen_from_utc"),
    "core_pilot": ("*", "at_utc", "seen_from_utc"),
    "raw_sample": ("*", "receiver_at_utc", "seen_from_utc"),
    "raw_frame": (
        "station_id, connector_id, receiver_at_utc, station_at_utc, direction, transaction_id, meter_wh, file_id, line, unzoned, zone",
        "receiver_at_utc",
        "heard_from_utc",
    ),
}
"""Tables of which settling views see the latest part only: the columns they ask for, by which time, and from when."""
_KEYS = ("rule", "station_id", "connector_id", "firmware")


def declared() -> str:
    """Hash of all that is the same for every row: the rules, the views, DuckDB's version (its row hashes may change)."""
    asked = [duckdb.__version__, *(view.sql for view in views().values())]
    asked += [f"{rule.name} {rule.severity} {rule.select}" for rule in rules().values()]
    return hashlib.sha256("\n".join(asked).encode()).hexdigest()[:16]


def recall(con: Connection, days: int) -> None:
    """Temp table `settled`: the stations whose settled past is as it was."""
    con.execute(
        "CREATE OR REPLACE TEMP VIEW bounds AS SELECT station_id, proven_until_utc AS to_utc FROM meta_settled_station"
    )
    _fingerprints(con, "recalled")
    con.execute(statement(__file__, "settled").format(days=days))


@contextmanager
def latest_only(con: Connection) -> Iterator[None]:
    """Within, the tables settling views look at lack what is settled of the stations in `settled`."""
    if con.execute("SELECT 1 FROM settled LIMIT 1").fetchall():
        store = con.execute("SELECT current_database()").fetchall()[0][0]
        for table, (columns, time, since) in _CUT.items():
            con.execute(
                f'CREATE OR REPLACE TEMP TABLE "{table}" AS SELECT {columns} FROM (SELECT t.* FROM "{store}".main."{table}" t'
                f" LEFT JOIN (SELECT station_id, {since} AS since FROM settled) s USING (station_id) WHERE ({time} >= since) IS NOT FALSE)"
            )
    try:
        yield
    finally:
        for table in _CUT:
            con.execute(f'DROP TABLE IF EXISTS temp."{table}"')


def reach(con: Connection, days: int | None) -> None:
    """Temp table `frontier`: which records of a station are settled already (`from_utc`), and which from now on.

    Of none where `days` is None. The settling views stand.
    """
    con.execute(_NOTHING if days is None else statement(__file__, "frontier").format(days=days))


def kept(con: Connection) -> pl.DataFrame:
    """Counts of what is settled: `rule, station_id, connector_id, firmware, checked, offending, not_judged`.

    What was caught then is added to `caught`.
    """
    con.execute(
        "INSERT INTO caught BY NAME SELECT *, false AS settled FROM meta_settled_caught SEMI JOIN settled USING (station_id)"
    )
    return query(con, "SELECT * FROM meta_settled_count SEMI JOIN settled USING (station_id)")


def keep(con: Connection, before: pl.DataFrame, now: pl.DataFrame) -> None:
    """Keep what is settled from now on: counts settled before, and those of now with `settled`.

    `settled`, `frontier` and `caught` stand; the tables are whole again.
    """
    con.execute(
        "CREATE OR REPLACE TEMP VIEW bounds AS SELECT station_id, proven_until_utc AS to_utc FROM frontier"
    )
    _fingerprints(con, "proven")
    new = now.filter("settled").drop("settled")
    counts = pl.concat([before, new]).group_by(_KEYS).agg(pl.exclude(_KEYS).sum())
    # the stations last: without them nothing is settled, so a run that breaks off here loses nothing
    con.execute("DELETE FROM meta_settled_station")
    replace(con, "meta_settled_count", counts)
    con.execute(
        "DELETE FROM meta_settled_caught WHERE station_id NOT IN (SELECT station_id FROM settled)"
    )
    con.execute(
        "INSERT INTO meta_settled_caught BY NAME SELECT * EXCLUDE (attempt_id, settled) FROM caught WHERE settled"
    )
    stations = "SELECT * EXCLUDE (from_utc) FROM frontier JOIN proven USING (station_id)"
    append(con, "meta_settled_station", query(con, stations))


def forget(con: Connection) -> None:
    """Drop the temporary tables."""
    con.execute("DROP VIEW IF EXISTS temp.bounds")
    for name in ("settled", "recalled", "proven", "frontier"):
        con.execute(f"DROP TABLE IF EXISTS temp.{name}")


def _fingerprints(con: Connection, name: str) -> None:
    con.execute(statement(__file__, "fingerprint").format(name=name), {"declared": declared()})
