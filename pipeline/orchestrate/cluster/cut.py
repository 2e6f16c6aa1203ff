"""On a worker: one delivered file of frames or pilot rows, cut into the buckets of its stations."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path

import duckdb
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.doorway.recognise import HEAD_BYTES, Recognised, recognise
from pipeline.ingest.lines import blocks, good_and_bad
from pipeline.ingest.opened import name_in
from pipeline.ingest.sink import Sink
from pipeline.ingest.source import Source
from pipeline.ingest.tables import read_table, unknown_columns
from pipeline.orchestrate.cluster.room import room
from pipeline.settings.ingest import IngestSettings
from pipeline.storage.lake import Lake, bucket_of
from pipeline.storage.warehouse import Connection, seeing, writing

# The station stands once in most envelopes, plainly: then no JSON need be parsed to find it.
_STATION = r"""CASE
    WHEN len(text) - len(replace(text, '"station_id"', '')) = 12 AND regexp_matches(text, '"station_id"\s*:\s*"[^"\\]+"')
        THEN regexp_extract(text, '"station_id"\s*:\s*"([^"\\]+)"', 1)
    WHEN json_valid(text) THEN json_extract_string(text, '$.station_id') END"""
LINES = pa.schema(
    [
        ("line", pa.int64()),
        ("byte_offset", pa.int64()),
        ("text", pa.string()),
        ("reject_reason", pa.string()),
    ]
)


@dataclass(frozen=True)
class Cut:
    """A file that was cut, and its account as far as it is known before its stations are brought
    together.
    """

    file: str
    sha256: str
    content_sha256: str
    kind: str
    file_bytes: int
    used: int = 0
    rejected: int = 0
    unknown_columns: tuple[str, ...] = ()


def cut(lake: Lake, delivery: Path, path: Path, settings: IngestSettings) -> Cut | None:
    """Cut a file into `cuts/<sha256>/`; None when it is no readable file of frames or pilot rows,
    or was written meanwhile.

    A content cut before is not cut again. Raises StoreError where there is no room.
    """
    if not path.is_file():  # a pipe would be waited for without end
        return None
    try:
        source = Source(path, settings)
    except OSError:
        return None
    what = recognise(source.head(HEAD_BYTES))
    if path.is_symlink() or what.message is not None or what.kind not in {"frames", "pilot"}:
        return None
    name = name_in(delivery, path)
    done = lake.noted(f"cuts/{source.sha256}/cut.json")
    if done is not None:
        return Cut(**{**done, "file": name, "unknown_columns": tuple(done["unknown_columns"])})
    with room(lake.url):
        made = (
            _frames(lake, source, name, settings)
            if what.kind == "frames"
            else _pilot(lake, source, name, what, settings)
        )
        if source.changed or source.grown:
            return None
        lake.note(f"cuts/{source.sha256}/cut.json", asdict(made))
    return made


@contextmanager
def _writers(lake: Lake, sha256: str) -> Iterator[list[pq.ParquetWriter]]:
    """One open Parquet file a bucket; a row group is one block of the file."""
    with ExitStack() as stack:
        made = []
        for bucket in range(lake.buckets):
            path = lake.at(f"cuts/{sha256}/lines-{bucket:04d}.parquet")
            lake.files.makedirs(path.rpartition("/")[0], exist_ok=True)
            handle = stack.enter_context(lake.files.open(path, "wb"))
            made.append(stack.enter_context(pq.ParquetWriter(handle, LINES, compression="zstd")))
        yield made


def _frames(lake: Lake, source: Source, name: str, settings: IngestSettings) -> Cut:
    """Lines as they came, by the bucket of their station.

    Those of no station, and those that cannot be read, in bucket 0.
    """
    con = duckdb.connect()
    with _writers(lake, source.sha256) as writers:
        for block in blocks(source, settings):
            good, bad = good_and_bad(block)
            bucket = bucket_of(f"({_STATION})", lake.buckets)
            asked = f"SELECT line, byte_offset, text, NULL::VARCHAR AS reject_reason, {bucket} AS bucket FROM _good"
            with seeing(con, _good=good):
                parts = con.sql(f"{asked} ORDER BY bucket, line").to_arrow_table()
            for number, rows in _by_bucket(parts):
                writers[number].write_table(rows, row_group_size=max(1, rows.num_rows))
            if bad.height:
                rows = bad.select(LINES.names).to_arrow().cast(LINES)
                writers[0].write_table(rows, row_group_size=rows.num_rows)
    con.close()
    return Cut(name, source.sha256, source.content_sha256, "frames", source.file_bytes)


def _by_bucket(parts: pa.Table) -> Iterator[tuple[int, pa.Table]]:
    """Rows sorted by bucket, bucket by bucket, without that column."""
    counts = (
        pl.DataFrame({"bucket": pl.Series(parts["bucket"])}).group_by("bucket").len().sort("bucket")
    )
    start = 0
    for bucket, length in counts.iter_rows():
        yield int(bucket), parts.slice(start, length).select(LINES.names).cast(LINES)
        start += length


def _pilot(
    lake: Lake, source: Source, name: str, what: Recognised, settings: IngestSettings
) -> Cut:
    """Typed rows by the bucket of their station; rejected lines with bucket 0.

    Pilot rows do not depend on other files.
    """
    with (
        tempfile.TemporaryDirectory(prefix="whichside-") as folder,
        writing(Path(folder) / "cut.duckdb") as con,
    ):
        sink = Sink(con, (source.sha256,), (name,), settings)
        for _ in read_table(sink, what.kind, what.found, blocks(source, settings)):
            pass
        for bucket in range(lake.buckets):
            mine = f"{bucket_of('station_id', lake.buckets)} = {bucket}"
            lake.put_table(
                f"cuts/{source.sha256}/raw_pilot-{bucket:04d}.parquet",
                _rows(con, f"raw_pilot WHERE {mine}"),
            )
        lake.put_table(
            f"cuts/{source.sha256}/raw_rejected-0000.parquet", _rows(con, "raw_rejected")
        )
    unknown = unknown_columns(what.kind, what.found)
    account = sink.account(unknown_columns=unknown)
    counts = (account.used, account.rejected, unknown)
    return Cut(name, source.sha256, source.content_sha256, "pilot", source.file_bytes, *counts)


def _rows(con: Connection, what: str) -> pa.Table:
    return con.sql(f"SELECT * FROM {what}").to_arrow_table()
