"""CSV files of the known kinds: typed by their declared header, bad rows rejected one by one."""

from __future__ import annotations

from collections.abc import Iterator

import pyarrow as pa
import pyarrow.compute as pc

from pipeline.doorway.kinds import headers
from pipeline.ingest.lines import Block
from pipeline.ingest.records import as_rows, one_a_line, records
from pipeline.ingest.sink import Account, Sink
from pipeline.ingest.table_sql import insert_query, typed_query
from pipeline.settings.ingest import IngestSettings
from pipeline.storage.warehouse import Connection

_TOUCHED = {
    "pilot": """SELECT station_id, min(station_at_utc) AS from_utc, max(station_at_utc) AS to_utc
                FROM _typed WHERE reject_reason IS NULL GROUP BY 1""",
    "evses": """SELECT DISTINCT station_id, CAST(NULL AS TIMESTAMPTZ) AS from_utc, CAST(NULL AS TIMESTAMPTZ) AS to_utc
                FROM _typed WHERE reject_reason IS NULL""",
}
_BAD = "SELECT line, byte_offset, span, reject_reason, text FROM _typed WHERE reject_reason IS NOT NULL"


def read_table(
    sink: Sink, kind: str, found: tuple[str, ...], blocks: Iterator[Block]
) -> Iterator[Account]:
    """Carry a CSV of a known kind into its raw table; yields the account after each block."""
    unknown = tuple(name for name in found if name not in headers()[kind].known)
    account, header = Account(unknown_columns=unknown), True
    for part in records(blocks, ",", sink.settings):
        account = account.plus(rejected=sink.reject(part.bad))
        rows = as_rows(part, ",")
        if header and rows.num_rows:
            account, rows, header = account.plus(used=rows["span"][0].as_py()), rows.slice(1), False
        if rows.num_rows:
            account = _insert(sink, kind, found, rows, account)
        yield account


def _insert(
    sink: Sink, kind: str, found: tuple[str, ...], rows: pa.Table, account: Account
) -> Account:
    select = typed_query(kind, found)
    with sink.seeing(_records=rows):
        typed = sink.table(
            select,
            {"fleet_zone": fleet_zone(sink.con, sink.settings)} if "$fleet_zone" in select else {},
        )
    with sink.seeing(_typed=typed):
        bad = sink.frame(_BAD)
        sink.con.execute(insert_query(kind, found), {"file_id": sink.file_id})
        touched = sink.frame(_TOUCHED[kind]) if kind in _TOUCHED else None
    used = pc.sum(rows["span"]).as_py() - int(bad["span"].sum())
    return account.plus(used=used, rejected=sink.reject(one_a_line(bad)), touched=touched)


def fleet_zone(con: Connection, settings: IngestSettings) -> str:
    """Zone of vehicle-side times without an offset.

    As set, else the most common one of the EVSEs known so far, else UTC.
    """
    if settings.fleet_timezone:
        return settings.fleet_timezone
    rows = con.execute(
        "SELECT timezone FROM raw_evse GROUP BY 1 ORDER BY count(DISTINCT evse_id) DESC, 1 LIMIT 1"
    ).fetchall()  # fmt: skip
    return str(rows[0][0]) if rows else "UTC"
