"""A Parquet lake at any address fsspec knows (a folder, s3:// …): raw and core tables, a file each
by bucket of stations.

A bucket's files are named in its note, written last in one piece: what no note names does not
count.
"""

from __future__ import annotations

import io
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import fsspec  # type: ignore[import-untyped]
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.core.errors import StoreError
from pipeline.storage.warehouse import Connection

# Tables a bucket of stations has to itself, up to the plug-ins. Attempts need the whole fleet: a
# vehicle's own report may speak of any station.
RAW = ("raw_frame", "raw_sample", "raw_event", "raw_pilot", "raw_rejected")
CORE = ("core_clock", "core_firmware", "core_pilot", "core_signal", "core_plug_in")


def bucket_of(station: str, buckets: int) -> str:
    """SQL: the bucket of a station, the same on every machine and in every version.

    0 where there is no station.
    """
    return f"coalesce(CAST('0x' || left(md5({station}), 8) AS UBIGINT) % {buckets}, 0)"


@dataclass(frozen=True)
class Lake:
    """A lake.

    Its address and into how many buckets its stations are spread (fixed when it is made).
    """

    url: str
    buckets: int

    @cached_property
    def _place(self) -> tuple[Any, str]:
        files, root = fsspec.core.url_to_fs(self.url)
        return files, root.rstrip("/")

    @property
    def files(self) -> Any:
        """The file system it lies on."""
        return self._place[0]

    def at(self, name: str) -> str:
        """Full path of a name in the lake."""
        return f"{self._place[1]}/{name}"

    def put(self, name: str, content: bytes) -> None:
        """Write a file whole: on a local disk beside and renamed, elsewhere in one upload."""
        path = self.at(name)
        self.files.makedirs(path.rpartition("/")[0], exist_ok=True)
        if "file" in self.files.protocol:
            self.files.pipe_file(f"{path}.partial", content)
            self.files.mv(f"{path}.partial", path)
        else:
            self.files.pipe_file(path, content)

    def put_table(self, name: str, table: pa.Table) -> None:
        """Write a table as one Parquet file."""
        buffer = io.BytesIO()
        pq.write_table(table, buffer, compression="zstd")
        self.put(name, buffer.getvalue())

    def table(self, name: str) -> pa.Table:
        """A table written by `put_table`."""
        with self.files.open(self.at(name), "rb") as handle:
            return pq.read_table(handle)

    def note(self, name: str, what: Mapping[str, Any]) -> None:
        """Write a note (JSON)."""
        self.put(name, json.dumps(what, sort_keys=True).encode())

    def noted(self, name: str) -> dict[str, Any] | None:
        """A note, None where there is none."""
        try:
            found: dict[str, Any] = json.loads(self.files.cat_file(self.at(name)))
        except FileNotFoundError:
            return None
        return found

    def bucket(self, number: int) -> dict[str, Any]:
        """The note of a bucket; empty before its first run."""
        return self.noted(f"buckets/{number:04d}.json") or {}

    def paths(self, table: str, notes: Iterable[Mapping[str, Any]]) -> list[str]:
        """Names of a table's files in the buckets of these notes."""
        return [
            f"tables/{table}/{note['bucket']:04d}-{note['generation']}.parquet"
            for note in notes
            if note
        ]

    def forget(self, name: str) -> None:
        """Remove a file or folder if it is there."""
        if self.files.exists(self.at(name)):
            self.files.rm(self.at(name), recursive=True)


def open_lake(url: str, buckets: int) -> Lake:
    """The lake at an address, made with so many buckets where there is none yet.

    Raises StoreError when it cannot be reached.
    """
    try:
        lake = Lake(url, buckets)
        made = lake.noted("lake.json")
        if made is None:
            lake.note("lake.json", {"buckets": buckets, "form": 1})
            return lake
        return Lake(url, int(made["buckets"]))
    except (OSError, ValueError, ImportError) as error:
        cure = "check the address and its credentials; s3:// needs the extra cluster"
        raise StoreError(
            f"the lake cannot be reached: {error}", where=url, next_step=cure
        ) from error


def show(con: Connection, lake: Lake) -> None:
    """Views named as the tables over a lake's finished buckets, in a connection that has no tables
    of those names.
    """
    notes = [note for number in range(lake.buckets) if (note := lake.bucket(number))]
    con.register_filesystem(lake.files)
    protocol = (
        lake.files.protocol if isinstance(lake.files.protocol, str) else lake.files.protocol[0]
    )
    for table in (*RAW, *CORE) if notes else ():
        listed = ", ".join(f"'{protocol}://{lake.at(name)}'" for name in lake.paths(table, notes))
        con.execute(
            f'CREATE OR REPLACE TEMP VIEW "{table}" AS SELECT * FROM read_parquet([{listed}])'
        )
