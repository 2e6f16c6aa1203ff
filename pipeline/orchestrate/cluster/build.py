"""On a worker: a bucket of stations, from the cuts of files to their core tables."""

from __future__ import annotations

import hashlib
import json
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import polars as pl
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from pipeline.ingest.frames import read_frames
from pipeline.ingest.lines import REJECT_SCHEMA
from pipeline.ingest.sink import Sink
from pipeline.ingest.tables import fleet_zone
from pipeline.ingest.zones import place_local_times
from pipeline.normalise import stage
from pipeline.normalise.incremental import windows
from pipeline.normalise.rebuild import rebuild
from pipeline.normalise.sessions import fleet
from pipeline.normalise.signals import codes
from pipeline.orchestrate import fingerprint
from pipeline.orchestrate.cluster.cut import Cut
from pipeline.orchestrate.cluster.room import room
from pipeline.settings import Settings
from pipeline.storage.lake import CORE, RAW, Lake, bucket_of
from pipeline.storage.warehouse import Connection, insert, transaction, writing

# What a bucket needs of the whole fleet, as queries on the warehouse: its EVSEs with when each was
# told of, and exports.
LISTS = {
    "raw_file": "SELECT * FROM raw_file SEMI JOIN raw_evse USING (file_id)",
    "raw_evse": "SELECT * FROM raw_evse",
    "raw_session": "SELECT * FROM raw_session",
}


def build(
    lake: Lake, bucket: int, cuts: Sequence[Cut], lists: str, settings: Settings
) -> dict[str, Any]:
    """Bring a bucket up to date with the cuts, in their order; gives its note: generation and
    account of every file.

    Nothing is done when its note says that all this was done before. `lists` names the folder of
    the fleet's lists. Raises StoreError where there is no room.
    """
    before = lake.bucket(bucket)
    accounts: dict[str, list[int]] = dict(before.get("accounts", {}))
    new = [one for one in cuts if one.sha256 not in accounts]
    generation = _generation(lists, [*accounts, *(one.sha256 for one in new)], settings)
    if before.get("generation") == generation:
        return before
    with (
        room(lake.url),
        tempfile.TemporaryDirectory(prefix="whichside-") as folder,
        writing(Path(folder) / "bucket.duckdb") as con,
    ):
        for table in LISTS:
            insert(con, table, lake.table(f"{lists}/{table}.parquet"))
        for table in RAW if before else ():
            insert(con, table, lake.table(lake.paths(table, [before])[0]))
        for one in new:
            with transaction(con):
                accounts[one.sha256] = _take(con, lake, bucket, one, settings)
        with transaction(con):
            place_local_times(con, fleet_zone(con, settings.ingest))
            _core(con, lake, bucket, settings)
        note = {"bucket": bucket, "generation": generation, "accounts": accounts}
        for table in (*RAW, *CORE):
            lake.put_table(
                lake.paths(table, [note])[0], con.sql(f'SELECT * FROM "{table}"').to_arrow_table()
            )
        lake.note(f"buckets/{bucket:04d}.json", note)
    return note


def _generation(lists: str, files: list[str], settings: Settings) -> str:
    """Name of a bucket's state by all it is made from."""
    wanted = settings.model_dump(mode="json", include={"ingest", "normalise"})
    made_from = json.dumps([fingerprint.of_code(), lists, files, wanted], sort_keys=True)
    return hashlib.sha256(made_from.encode()).hexdigest()[:20]


def _take(con: Connection, lake: Lake, bucket: int, one: Cut, settings: Settings) -> list[int]:
    """Carry a file's part into the bucket's raw tables.

    Gives used, rejected, duplicates of that part.
    """
    if one.kind == "pilot":
        insert(con, "raw_pilot", lake.table(f"cuts/{one.sha256}/raw_pilot-{bucket:04d}.parquet"))
        if bucket == 0:
            insert(con, "raw_rejected", lake.table(f"cuts/{one.sha256}/raw_rejected-0000.parquet"))
        return [one.used, one.rejected, 0] if bucket == 0 else [0, 0, 0]
    sink = Sink(con, (one.sha256,), (one.file,), settings.ingest)
    with lake.files.open(lake.at(f"cuts/{one.sha256}/lines-{bucket:04d}.parquet"), "rb") as handle:
        for _ in read_frames(sink, _parts(pq.ParquetFile(handle))):
            pass
    account = sink.account()
    return [account.used, account.rejected, account.duplicates]


def _parts(file: pq.ParquetFile) -> Iterator[tuple[pa.Table, pl.DataFrame]]:
    """Each block's good and bad lines, as `good_and_bad` gave them."""
    for group in range(file.num_row_groups):
        rows = file.read_row_group(group)
        bad = pl.DataFrame(rows.filter(pc.is_valid(rows["reject_reason"])))
        good = rows.filter(pc.is_null(rows["reject_reason"]))
        yield good.select(["line", "byte_offset", "text"]), bad.select(REJECT_SCHEMA.names())


def _core(con: Connection, lake: Lake, bucket: int, settings: Settings) -> None:
    """The bucket's core tables, made whole: clocks, firmware, pilot rows, signals, plug-ins."""
    own = codes.site_words(settings.normalise.codes_file)
    fleet.update(con)
    mine = f"SELECT evse_id FROM core_evse WHERE {bucket_of('station_id', lake.buckets)} = {bucket}"
    con.execute(f"DELETE FROM raw_session WHERE evse_id NOT IN ({mine})")
    windows.whole(con)
    rebuild(con, settings.normalise, own)
    stage.firmware(con, stage.EVERY_FILE)
