"""CSV files of the known kinds: typed by their declared header, bad rows rejected one by one."""

from __future__ import annotations

from collections.abc import Iterator

import polars as pl
import pyarrow as pa

from pipeline.ingest.kinds import TABLES, headers
from pipeline.ingest.lines import Block
from pipeline.ingest.records import Records, records
from pipeline.ingest.rejects import reject
from pipeline.ingest.report import Account
from pipeline.ingest.table_sql import insert_query, typed_query
from pipeline.settings.ingest import IngestSettings
from pipeline.warehouse import Connection, query

_TOUCHED = {
    "pilot": """SELECT station_id, min(station_at_utc) AS from_utc, max(station_at_utc) AS to_utc
                FROM _typed WHERE reject_reason IS NULL GROUP BY 1""",
    "evses": """SELECT DISTINCT station_id, CAST(NULL AS TIMESTAMPTZ) AS from_utc, CAST(NULL AS TIMESTAMPTZ) AS to_utc
                FROM _typed WHERE reject_reason IS NULL""",
}


def read_table(
    con: Connection, file_id: str, file: str, kind: str, found: tuple[str, ...],
    blocks: Iterator[Block], settings: IngestSettings,
) -> Iterator[Account]:  # fmt: skip
    """Carry a CSV of a known kind into its raw table; yields the account after each block."""
    unknown = tuple(name for name in found if name not in headers()[kind].known)
    account = Account(unknown_columns=unknown)
    zone = fleet_zone(con, settings)
    header = True
    for part in records(blocks, ",", settings):
        account = account.plus(rejected=reject(con, file_id, file, part.bad))
        rows = _as_rows(part)
        if header and rows.num_rows:
            account = account.plus(used=rows["span"][0].as_py())
            rows, header = rows.slice(1), False
        if rows.num_rows:
            account = _insert(con, file_id, file, kind, found, rows, zone, account)
        yield account
    con.execute("DROP TABLE IF EXISTS _typed")


def _as_rows(part: Records) -> pa.Table:
    """Records as `line`, `byte_offset`, `text`, `span`, `cells`; plain lines get their cells by a vectorised split."""
    if part.plain is None:
        return part.rows.to_arrow()
    lines = pl.DataFrame(part.plain)
    cells = pl.col("text").str.strip_chars_end("\r\n").str.split(",")
    return lines.with_columns(span=pl.lit(1, pl.Int64), cells=cells).to_arrow()


def _insert(
    con: Connection, file_id: str, file: str, kind: str, found: tuple[str, ...], rows: pa.Table, zone: str, account: Account
) -> Account:  # fmt: skip
    con.register("_records", rows)
    select = typed_query(kind, found)
    given = {"fleet_zone": zone} if "$fleet_zone" in select else {}
    con.execute(f"CREATE OR REPLACE TEMP TABLE _typed AS {select}", given)
    con.unregister("_records")
    bad = query(con, "SELECT line, byte_offset, span, reject_reason, text FROM _typed WHERE reject_reason IS NOT NULL")
    used: int = con.execute("SELECT coalesce(sum(span), 0)::BIGINT FROM _typed WHERE reject_reason IS NULL").fetchall()[0][0]
    con.execute(insert_query(kind, found), {"file_id": file_id})
    rejected = reject(con, file_id, file, _one_a_line(bad))
    grown = account.plus(used=used, rejected=rejected)
    if kind not in _TOUCHED:
        return grown
    return Account(**{**vars(grown), "touched": (*account.touched, query(con, _TOUCHED[kind]))})


def _one_a_line(bad: pl.DataFrame) -> pl.DataFrame:
    """A rejected record of several lines as one row a line."""
    each = pl.int_ranges(pl.col("line"), pl.col("line") + pl.col("span")).alias("line")
    return bad.with_columns(each).drop("span").explode("line")


def fleet_zone(con: Connection, settings: IngestSettings) -> str:
    """Zone of vehicle-side times without an offset: as set, else the most common one of the EVSEs known so far, else UTC."""
    if settings.fleet_timezone:
        return settings.fleet_timezone
    rows = con.execute("SELECT timezone FROM raw_evse GROUP BY 1 ORDER BY count(DISTINCT evse_id) DESC, 1 LIMIT 1").fetchall()
    return rows[0][0] if rows else "UTC"


__all__ = ["TABLES", "fleet_zone", "read_table"]
