"""CSV files of the known kinds: typed by their declared header, bad rows rejected one by one."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing

import pyarrow as pa

from pipeline.doorway.kinds import headers
from pipeline.ingest.lines import Block
from pipeline.ingest.read_ahead import made_ahead
from pipeline.ingest.records import data_rows, one_a_line
from pipeline.ingest.sink import Sink
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
) -> Iterator[None]:
    """Carry CSV files of a known kind with the same header into its raw table; comes back after
    each block.
    """
    select, insert = typed_query(kind, found), insert_query(kind, found)
    zone = {"fleet_zone": fleet_zone(sink.con, sink.settings)} if "$fleet_zone" in select else {}
    with sink.beside() as typing:

        def typed_of(rows: pa.Table) -> pa.Table:
            with typing.seeing(_records=rows):
                return typing.table(select, zone)

        rows = data_rows(sink, blocks, ",", stripped=True)
        with closing(made_ahead(typed_of, rows)) as made:
            for typed in made:
                _put(sink, kind, insert, typed)
                yield


def _put(sink: Sink, kind: str, insert: str, typed: pa.Table) -> None:
    with sink.seeing(_typed=typed):
        sink.con.execute(insert, {"file_ids": list(sink.file_ids)})
        if kind in _TOUCHED:
            sink.touched.append(sink.frame(_TOUCHED[kind]))
        if typed["reject_reason"].null_count < typed.num_rows:
            sink.reject(one_a_line(sink.frame(_BAD)))
    good = typed["reject_reason"].is_null().to_numpy()
    sink.count("used", typed["line"].to_numpy()[good], typed["span"].to_numpy()[good])


def unknown_columns(kind: str, found: tuple[str, ...]) -> tuple[str, ...]:
    """Columns of a header that the kind does not have."""
    return tuple(name for name in found if name not in headers()[kind].known)


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
