"""A whole run measured on a delivery as sites hand it over, beside a bare read of the same files.

Thousands of small files, a third of them packed, all sources, some sent twice, dirt. Every job runs
in a process of its own, in turn, so that what else the machine does falls on all alike; of the
rounds the quickest counts.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.measure.speed.job import run_job

HandOver = Callable[[Path, Path, Path, int], int]
"""delivery, folder of many files, folder of one file a source, seed → number of files."""
STAGES = ("ingest", "normalise", "validate", "report", "publish")
BARE, BARE_ONE, MANY, ONE, WEEK = "bare", "bare, one file", "run", "run, one file", "one more week"

# What is asked, decided: (what, of which figure, against which, at most)
_MOST_INGEST_OF_BARE, _MOST_RUN_OF_BARE, _MOST_MANY_OF_ONE, _MOST_PEAK_MB = 3.0, 6.0, 1.2, 1200.0


@dataclass(frozen=True)
class Deliveries:
    """What is measured: `many` files as handed over, the same lines as `one` file a source, and
    `many` again as `before` the last week and the last `week`.
    """

    many: Path
    one: Path
    before: Path
    week: Path


def made(delivery: Path, folder: Path, hand_over: HandOver, seed: int) -> Deliveries:
    """Hand over a written delivery in a folder."""
    all_of = Deliveries(*(folder / name for name in ("many", "one", "before", "week")))
    hand_over(delivery, all_of.many, all_of.one, seed)
    frames = sorted(path.name[7:17] for path in all_of.many.glob("ocpp/*/frames-*"))
    last = frames[-1]
    exports = sorted({path.stem[-3:] for path in all_of.many.glob("sessions/*_??.csv")})
    for path in sorted(p for p in all_of.many.rglob("*") if p.is_file()):
        late = last in path.name or (bool(exports) and path.stem.endswith(exports[-1]))
        to = (all_of.week if late else all_of.before) / path.relative_to(all_of.many)
        to.parent.mkdir(parents=True, exist_ok=True)
        os.link(path, to)
    return all_of


def measure(these: Deliveries, folder: Path, rounds: int) -> dict[str, Any]:
    """The best round of every job, and the ratios asked for. Raises WhichsideError when a job fails."""
    best: dict[str, dict[str, Any]] = {}
    for _ in range(rounds):
        for name, took in _one_round(these, folder):
            if name not in best or took["wall_s"] < best[name]["wall_s"]:
                best[name] = took
    return {"jobs": best, "rounds": rounds, "ratios": ratios(best)}


def _one_round(these: Deliveries, folder: Path) -> Iterator[tuple[str, dict[str, Any]]]:
    stores = folder / "stores"
    for name, job, delivery in (
        (BARE, "bare", these.many),
        (MANY, "run", these.many),
        (BARE_ONE, "bare", these.one),
        (ONE, "run", these.one),
    ):
        stores.mkdir()
        yield name, run_job("run_jobs", job, delivery, stores / "w.duckdb")
        shutil.rmtree(stores)
    stores.mkdir()
    run_job("run_jobs", "run", these.before, stores / "w.duckdb")
    yield WEEK, run_job("run_jobs", "run", these.week, stores / "w.duckdb")
    shutil.rmtree(stores)


def ratios(jobs: dict[str, dict[str, Any]]) -> list[dict[str, Any]]:
    """Each figure asked for: what it is, what was got, what is asked at most, whether it is met."""
    bare, run, one = jobs[BARE], jobs[MANY], jobs[ONE]
    read, ingest, worked = bare["wall_s"], run["stages"]["ingest"], run["stages_cpu_s"]["ingest"]
    found = (
        ("ingest, times the bare read of the same files", ingest / read, _MOST_INGEST_OF_BARE),
        ("ingest, times that bare read, processor time", worked / bare["cpu_s"], _MOST_INGEST_OF_BARE),
        ("ingest of one file a source, times its bare read", one["stages"]["ingest"] / jobs[BARE_ONE]["wall_s"], _MOST_INGEST_OF_BARE),
        ("whole run, times that bare read", run["wall_s"] / read, _MOST_RUN_OF_BARE),
        ("whole run, times that bare read, processor time", run["cpu_s"] / bare["cpu_s"], _MOST_RUN_OF_BARE),
        ("ingest, times the same lines in one file a source", ingest / one["stages"]["ingest"], _MOST_MANY_OF_ONE),
        ("ingest, times the same in one file, processor time", worked / one["stages_cpu_s"]["ingest"], _MOST_MANY_OF_ONE),
        ("peak memory of the whole run, MB", max(jobs[n]["peak_mb"] for n in (MANY, WEEK)), _MOST_PEAK_MB),
    )  # fmt: skip
    return [{"what": w, "got": got, "asked": most, "met": got <= most} for w, got, most in found]


def as_words(told: dict[str, Any], size: str) -> str:
    """The result as lines of text, a table by stage among them."""
    jobs = told["jobs"]
    run = jobs[MANY]
    what = (
        f"{size}: {run['files']:,} files, a third packed, some sent twice, dirt; "
        f"{run['lines']:,} lines, {run['frames']:,} frames kept, {run['attempts']:,} attempts, "
        f"{run['packs']} packs; best of {told['rounds']}"
    )
    lines = [
        what,
        f"{'seconds of the wall':<24}"
        + "".join(f"{name:>12}" for name in (*STAGES, "whole", "cpu s", "MB")),
    ]
    for name in (MANY, ONE, WEEK):
        job = jobs[name]
        stages = "".join(f"{job['stages'].get(stage, 0):>12.1f}" for stage in STAGES)
        lines.append(
            f"{name:<24}{stages}{job['wall_s']:>12.1f}{job['cpu_s']:>12.1f}{job['peak_mb']:>12,.0f}"
        )
    for name in (BARE, BARE_ONE):
        job = jobs[name]
        read = f"{job['wall_s']:>12.1f}"
        lines.append(
            f"{name:<24}{read}{'':>48}{job['wall_s']:>12.1f}{job['cpu_s']:>12.1f}{job['peak_mb']:>12,.0f}"
        )
    verdict = {True: "met", False: "NOT met"}
    lines += [
        f"{r['what']:<52}{r['got']:>8.2f}  asked <= {r['asked']:g}  {verdict[r['met']]}"
        for r in told["ratios"]
    ]
    return "\n".join(lines)
