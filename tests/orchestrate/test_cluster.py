"""A run on a cluster gives the bytes of a run on one machine.

With a lake on S3, when a worker dies, and for what comes later.
"""

from __future__ import annotations

import errno
import os
import pickle
import signal
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import duckdb
import pytest
import s3fs
from distributed import LocalCluster
from fsspec.implementations.local import LocalFileSystem  # type: ignore[import-untyped]
from moto.server import ThreadedMotoServer
from prefect.settings import temporary_settings

from pipeline.core.errors import SettingsError, StoreError
from pipeline.ingest import ingest_delivery
from pipeline.orchestrate.cluster import run_on_cluster
from pipeline.orchestrate.cluster.build import build
from pipeline.orchestrate.cluster.cut import cut
from pipeline.orchestrate.cluster.warehouse import put_lists
from pipeline.orchestrate.run import Request, run_week
from pipeline.settings import Settings
from pipeline.settings.ingest import IngestSettings
from pipeline.storage.lake import RAW, Lake, bucket_of, open_lake, show
from pipeline.storage.warehouse import reading, writing
from tests.ops import delivery, halves, same_bytes

BUCKETS = 3


@pytest.fixture(scope="module")
def s3() -> Iterator[str]:
    """An S3-compatible server on this machine, and the address of an empty bucket on it."""
    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("AWS_ENDPOINT_URL", f"http://{host}:{port}")
        for name in ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY"):
            patch.setenv(name, "test")
        patch.setenv("AWS_DEFAULT_REGION", "us-east-1")
        s3fs.S3FileSystem().mkdir("lake")
        yield "s3://lake/whichside"
    server.stop()


@pytest.fixture(scope="module")
def workers(s3: str) -> Iterator[LocalCluster]:
    """A Dask cluster of two worker processes that know of the S3 server."""
    assert s3
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        yield cluster


def _request(folder: Path, *deliveries: Path) -> Request:
    return Request(deliveries, folder / "w.duckdb", folder / "out", None, Settings())


def test_a_lake_on_s3_and_a_later_delivery(
    server: str, s3: str, workers: LocalCluster, tmp_path: Path
) -> None:
    """Two deliveries, the second overlapping the first: each week has the bytes of one machine's.

    DuckDB reads the same rows.
    """
    assert server
    first, second = halves(delivery(tmp_path, weeks=3), tmp_path)
    for step, deliveries in enumerate([(first,), (second,)]):
        direct = run_week(_request(tmp_path / "direct", *deliveries))
        spread = run_on_cluster(
            _request(tmp_path / "spread", *deliveries),
            workers.scheduler_address,
            s3,
            buckets=BUCKETS,
        )
        assert direct.week == spread.week, step
        same_bytes(direct.folder, spread.folder)
    with reading(tmp_path / "spread" / "w.duckdb") as con, duckdb.connect() as lake:
        show(lake, open_lake(s3, BUCKETS))
        for table in RAW[:4]:
            count = f"SELECT count(*), count(DISTINCT (file_id, line)) FROM {table}"
            assert lake.execute(count).fetchall() == con.execute(count).fetchall()


def test_a_worker_dies(server: str, workers: LocalCluster, tmp_path: Path) -> None:
    """A worker killed while it works.

    Its part is done again by another, and the bytes are the same.
    """
    assert server
    delivered = delivery(tmp_path)
    killed = threading.Event()

    def kill_one() -> None:
        while not list(tmp_path.glob("lake/cuts/*/cut.json")):
            time.sleep(0.01)
        os.kill(next(iter(workers.workers.values())).pid, signal.SIGKILL)
        killed.set()

    killer = threading.Thread(target=kill_one, daemon=True)
    killer.start()
    lake = str(tmp_path / "lake")
    spread = run_on_cluster(
        _request(tmp_path / "spread", delivered), workers.scheduler_address, lake, buckets=BUCKETS
    )
    killer.join(10)
    assert killed.is_set()
    same_bytes(run_week(_request(tmp_path / "direct", delivered)).folder, spread.folder)


@pytest.mark.parametrize("full_at", ["lines-", "cut.json", "tables/", "buckets/"])
def test_a_full_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, full_at: str) -> None:
    """A disk without room while a file is cut or a bucket built is said as such, is not tried again,
    and leaves nothing that counts; with room, the same call ends the work.
    """
    delivered, lake = delivery(tmp_path), open_lake(str(tmp_path / "lake"), 1)
    frames = next(p for p in sorted(delivered.rglob("*.jsonl*")) if p.parent.name == "ocpp")
    with writing(tmp_path / "w.duckdb") as con:
        ingest_delivery(con, delivered, IngestSettings(), leave=frozenset({frames}))
        lists = put_lists(con, lake)

    def work() -> dict[str, Any]:
        one = cut(lake, delivered, frames, IngestSettings())
        assert one is not None
        return build(lake, 0, [one], lists, Settings())

    real = LocalFileSystem.open

    def unless_full(self: LocalFileSystem, path: str, mode: str = "rb", **named: Any) -> Any:
        if full_at in path and mode == "wb":
            raise OSError(errno.ENOSPC, "No space left on device", path)
        return real(self, path, mode, **named)

    monkeypatch.setattr(LocalFileSystem, "open", unless_full)
    with pytest.raises(StoreError, match="no room") as caught:
        work()
    assert full_at in str(caught.value.where)
    assert "make room" in str(pickle.loads(pickle.dumps(caught.value)))  # noqa: S301  # as it comes from a worker
    assert lake.bucket(0) == {}
    monkeypatch.undo()
    made = work()
    assert lake.bucket(0) == made
    assert lake.table(lake.paths("raw_frame", [made])[0]).num_rows > 0


def test_blocks_with_and_without_odd_lines(tmp_path: Path) -> None:
    """A file of several blocks, some typed the quick way whole and some with a line that is left to the
    other way, is built as one machine reads it.
    """
    delivered, lake = delivery(tmp_path), open_lake(str(tmp_path / "lake"), 1)
    settings = Settings(ingest=IngestSettings(block_bytes=1 << 12))
    frames = next(p for p in sorted(delivered.rglob("*.jsonl")) if p.parent.name == "ocpp")
    good = [line for line in frames.read_bytes().splitlines(keepends=True) if b"\\" not in line]
    odd = good[50].replace(b'"in"', b'"\\u0069n"').replace(b'"out"', b'"\\u006fut"')
    assert b"\\u00" in odd
    frames.write_bytes(b"".join([*good[:300], odd]))
    with writing(tmp_path / "w.duckdb") as con:
        lists = put_lists(con, lake)
        ingest_delivery(con, delivered, settings.ingest)
        asked = "SELECT count(*) FROM raw_frame JOIN raw_file USING (file_id) WHERE file = ?"
        expected = con.execute(asked, [f"ocpp/{frames.name}"]).fetchall()[0][0]
    one = cut(lake, delivered, frames, settings.ingest)
    assert one is not None
    made = build(lake, 0, [one], lists, settings)
    assert lake.table(lake.paths("raw_frame", [made])[0]).num_rows == expected > 0


def test_a_warehouse_made_without_the_lake_is_left_as_it_is(
    server: str, workers: LocalCluster, tmp_path: Path
) -> None:
    """A warehouse with frames that are not in the lake is refused with a cure, and nothing in it
    changes.
    """
    assert server
    delivered = delivery(tmp_path)
    before = run_week(_request(tmp_path, delivered))
    more = delivery(tmp_path / "more", seed=8)
    with pytest.raises(StoreError, match="read without this lake"):
        run_on_cluster(
            _request(tmp_path, more),
            workers.scheduler_address,
            str(tmp_path / "lake"),
            buckets=BUCKETS,
        )
    after = run_week(_request(tmp_path, delivered))
    same_bytes(before.folder, after.folder, inputs=False)


def test_a_cluster_needs_a_prefect_server(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a Prefect server that workers can reach, the run says what to start."""
    monkeypatch.setenv("WHICHSIDE_PREFECT_HOME", str(tmp_path / "prefect"))
    with (
        temporary_settings(restore_defaults={"PREFECT_API_URL"}),
        pytest.raises(SettingsError, match="Prefect server"),
    ):
        run_on_cluster(_request(tmp_path, tmp_path), "tcp://127.0.0.1:1", str(tmp_path / "lake"))


def test_the_bucket_of_a_station_never_changes() -> None:
    """The bucket is by MD5 (RFC 1321: 'abc' gives 900150983cd24fb0...): 0x90015098 mod 1000.

    None for no station.
    """
    con = duckdb.connect()
    assert con.execute(f"SELECT {bucket_of('x', 1000)} FROM (VALUES ('abc')) t(x)").fetchall() == [
        (0x90015098 % 1000,)
    ]
    assert con.execute(
        f"SELECT {bucket_of('x', 1000)} FROM (VALUES (NULL::VARCHAR)) t(x)"
    ).fetchall() == [(0,)]


def test_a_lake_keeps_the_number_of_buckets_it_was_made_with(tmp_path: Path) -> None:
    """Opening a lake again with another number does not move its stations."""
    assert open_lake(str(tmp_path / "lake"), 7) == Lake(str(tmp_path / "lake"), 7)
    assert open_lake(str(tmp_path / "lake"), 32).buckets == 7


def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    """Cutting a delivery leaves a named pipe alone, and takes a file whose name is not UTF-8."""
    lake = open_lake(str(tmp_path / "lake"), 2)
    os.mkfifo(tmp_path / "pipe")
    assert cut(lake, tmp_path, tmp_path / "pipe", IngestSettings()) is None
    odd = tmp_path / os.fsdecode(b"van-\xff.csv")
    odd.write_text("at,station_id,connector_id,state,high_v,low_v,duty_pct,contactor,fault\n")
    made = cut(lake, tmp_path, odd, IngestSettings())
    assert made is not None
    assert made.file == "van-\\xff.csv"


def test_a_lake_out_of_reach_is_named() -> None:
    """An address of no known kind gives a clear error."""
    with pytest.raises(StoreError, match="cannot be reached"):
        open_lake("nowhere://lake", 4)
