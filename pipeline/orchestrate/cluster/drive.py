"""On the machine that asks: what goes to the workers, and what comes back into the warehouse."""

from __future__ import annotations

from pathlib import Path
from typing import Any, cast

import polars as pl
from prefect import flow, task
from prefect.cache_policies import NO_CACHE
from prefect.futures import wait

from pipeline.core.progress import Progress, silent
from pipeline.ingest import ingest_delivery
from pipeline.ingest.opened import paths
from pipeline.orchestrate import run as steps
from pipeline.orchestrate.cluster.build import build
from pipeline.orchestrate.cluster.cut import Cut, cut
from pipeline.orchestrate.cluster.reach import runner
from pipeline.orchestrate.cluster.warehouse import (
    accounts_of,
    check_lake,
    put_lists,
    take_back,
    unknown,
)
from pipeline.orchestrate.flows import RETRIES, need_server, our_prefect, worth_retrying
from pipeline.orchestrate.run import Request, Result, Timings, traced
from pipeline.storage.lake import Lake, open_lake
from pipeline.storage.warehouse import (
    Connection,
    bound_memory,
    writing,
)

# Stations are spread over so many parts when a lake is made: enough for as many workers, few enough
# for small files.
BUCKETS = 32

_cut: Any = task(
    cast("Any", cut),
    name="cut",
    retries=RETRIES,
    retry_condition_fn=worth_retrying,
    cache_policy=NO_CACHE,
)
_build: Any = task(
    cast("Any", build),
    name="build",
    retries=RETRIES,
    retry_condition_fn=worth_retrying,
    cache_policy=NO_CACHE,
)


@flow(name="whichside-cut", validate_parameters=False, persist_result=False)
def _cut_all(lake: Lake, request: Request) -> list[tuple[Path, Path, Cut]]:
    """Every file of frames or pilot rows, cut.

    Its delivery, its path, its cut, in the order a run on one machine reads them.
    """
    asked = [(delivery, path) for delivery in request.deliveries for path in paths(delivery)]
    futures = [
        _cut.submit(lake, delivery, path, request.settings.ingest) for delivery, path in asked
    ]
    made = [(d, p, future.result()) for (d, p), future in zip(asked, futures, strict=True)]
    cuts = [(d, p, one) for d, p, one in made if one is not None]
    return sorted(cuts, key=lambda c: (request.deliveries.index(c[0]), c[2].kind, c[2].file))


@flow(name="whichside-build", validate_parameters=False, persist_result=False)
def _build_all(lake: Lake, cuts: list[Cut], lists: str, request: Request) -> list[dict[str, Any]]:
    """Every bucket brought up to date; their notes."""
    futures = [
        _build.submit(lake, bucket, cuts, lists, request.settings) for bucket in range(lake.buckets)
    ]
    wait(futures)
    return [future.result() for future in futures]


def run_on_cluster(
    request: Request,
    address: str,
    lake_url: str,
    progress: Progress = silent,
    buckets: int = BUCKETS,
) -> Result:
    """As `pipeline.orchestrate.run.run_week`, with frames and pilot rows read and made into
    plug-ins on the workers of a Dask scheduler.

    Workers must see the deliveries under the same paths, the lake, and the Prefect server
    (PREFECT_API_URL). The warehouse is filled from the lake; the same bytes come out. Raises what
    `run_week` raises, SettingsError without a Prefect server or with certificates that cannot be
    used, and StoreError when the lake cannot be reached, has no room, or does not belong to the
    warehouse.
    """
    timings = Timings()
    lake = open_lake(lake_url, buckets)
    workers = runner(address, request.settings.cluster)
    with our_prefect(), writing(request.store) as con:
        need_server("a run on a cluster")
        bound_memory(con, request.settings.ingest.engine_bytes)
        check_lake(con, lake)
        with timings.step("ingest"):
            progress("Cutting files by station", 0, 0)
            with traced("ingest: cut"):
                cuts = _cut_all.with_options(task_runner=workers)(lake, request)
            with traced("ingest: small files"):
                files = [_small(con, d, cuts, request, progress) for d in request.deliveries]
        with timings.step("normalise"):
            progress("Building stations", 0, lake.buckets)
            new = unknown(con, [one for _, _, one in cuts])
            lists = put_lists(con, lake)
            with traced("normalise: build"):
                notes = _build_all.with_options(task_runner=workers)(lake, new, lists, request)
            with traced("normalise: take back"):
                take_back(con, lake, notes, new, request)
            inputs = accounts_of(con, files, cuts, request)
        return steps.run_from_core(con, request, inputs, timings)


def _small(
    con: Connection,
    delivery: Path,
    cuts: list[tuple[Path, Path, Cut]],
    request: Request,
    progress: Progress,
) -> pl.DataFrame:
    """Read here what the workers left.

    Lists, telematics, exports, findings, and whatever is no file of ours.
    """
    leave = frozenset(path for of, path, _ in cuts if of == delivery)
    return ingest_delivery(con, delivery, request.settings.ingest, progress, leave).files
