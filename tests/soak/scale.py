"""Cost against size, one process and a cluster of two workers: `python -m tests.soak.scale 10 100
1000` (station-months).

Prints a line a size and way: delivered bytes, frames, seconds by step, peak memory of the asking
process; and the processor time of that process, by step, and of its workers: a trace of what cannot
be spread (the scheduler runs in that process too). Needs a Prefect server (PREFECT_API_URL) for the
cluster. A station-month here is one station of an invented fleet for 30 days.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from distributed import LocalCluster

from pipeline.core.logs import log_to
from pipeline.core.peak_memory import peak_mb
from pipeline.orchestrate.cluster import run_on_cluster
from pipeline.orchestrate.run import Request, run_week
from pipeline.settings import Settings
from sample_logs.generator import simulate

WEEKS = 12
STATION_WEEKS_A_MONTH = 30 / 7


def deliver(folder: Path, station_months: float) -> Path:
    """A delivery of about so many station-months, over 12 weeks, with two and a half vehicles an
    EVSE.
    """
    evses = max(4, round(station_months * STATION_WEEKS_A_MONTH / WEEKS))
    simulate(folder, round(evses * 2.5), evses, WEEKS, 1)
    return folder / "delivery"


def one_run(delivered: Path, place: Path, way: str) -> dict[str, object]:
    """Run once, in this process; what it took."""
    request = Request((delivered,), place / "w.duckdb", place / "out", None, Settings())
    place.mkdir(parents=True, exist_ok=True)
    log, own = place / "log.jsonl", time.process_time()
    with log_to(log):
        begin = time.monotonic()
        if way == "one":
            result = run_week(request)
        else:
            with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
                begin = time.monotonic()
                result = run_on_cluster(request, cluster.scheduler_address, str(place / "lake"))
    own = time.process_time() - own
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    steps = [json.loads(line) for line in log.read_text(encoding="utf-8").splitlines()]
    took = time.monotonic() - begin
    rows = result.run["counts"]["rows"]
    return {
        "seconds": round(took, 1),
        "steps": result.run["timings_s"],
        "frames": rows["raw_frame"],
        "attempts": rows["core_attempt"],
        "stations": rows["core_evse"],
        "peak_mb": round(peak_mb()),
        "own_cpu_s": round(own, 1),
        "children_cpu_s": round(children.ru_utime + children.ru_stime, 1),
        "own_cpu_by_step_s": {s["step"]: s["processor_s"] for s in steps if s["event"] == "step"},
    }


def main() -> None:
    """Measure each size, each way in a process of its own."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("sizes", nargs="*", type=float, default=[10, 100, 1000])
    parser.add_argument("--one", nargs=3, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.one:
        delivered, place, way = given.one
        print(json.dumps(one_run(Path(delivered), Path(place), way)))  # noqa: T201  # a script that reports
        return
    for size in given.sizes:
        with tempfile.TemporaryDirectory(prefix="whichside-scale-") as folder:
            delivered = deliver(Path(folder), size)
            size_bytes = sum(p.stat().st_size for p in delivered.rglob("*") if p.is_file())
            for way in ("one", "two-workers"):
                command = [
                    sys.executable,
                    "-W",
                    "ignore",
                    "-m",
                    "tests.soak.scale",
                    "--one",
                    str(delivered),
                    f"{folder}/{way}",
                    way,
                ]
                done = subprocess.run(
                    command, capture_output=True, text=True, check=False, env=os.environ
                )
                last = done.stdout.strip().splitlines()[-1:] or [done.stderr[-400:]]
                print(size, way, f"{size_bytes / 1e6:.1f} MB", last[0], flush=True)  # noqa: T201


if __name__ == "__main__":
    main()
