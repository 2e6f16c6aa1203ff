"""The reader measured against its peers on this machine, in one run: ratios, memory, and time per
day as history grows.

Every job runs in a process of its own (`bench_jobs`), peers in turn, so that what else the machine
does falls on all alike; the best of the rounds counts. Seconds are of the wall and of the
processor: the first is what a person waits, the second is what does not depend on what else runs.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.measure.speed.ingest_jobs import lengthen, rates
from pipeline.measure.speed.job import run_job
from pipeline.settings.ingest import IngestSettings

MakeFrames = Callable[[Path, float, int], int]

# What is asked of the reader; decided.
LEAST_OF_BARE = 0.7
LEAST_OF_LOOP = 10.0
MOST_PEAK_MB = 1536.0
MOST_GROWTH = 1.25
MONTHS = (1, 24)
MANY = 50
"""How many files more than one the same frames come in."""


@dataclass(frozen=True)
class Measured:
    """A job's best round: lines, seconds of wall and processor, peak memory in MB."""

    lines: int
    wall_s: float
    cpu_s: float
    peak_mb: float


def bench(
    make_frames: MakeFrames,
    folder: Path,
    *,
    gigabytes: float = 1.0,
    rounds: int = 2,
    day_mb: float = 12.0,
) -> dict[str, Any]:
    """Measure in an empty folder, which is left empty; `make_frames(path, gigabytes, seed)` writes
    frames.

    Gives the measured jobs and, under `ratios`, each figure with what is asked of it and whether it
    is met. Raises WhichsideError when a job fails.
    """
    folder.mkdir(parents=True, exist_ok=True)
    jobs = {"ours": gigabytes, "bare": gigabytes, "loop": min(gigabytes, 0.1)}
    try:
        for name, size in jobs.items():
            _written(make_frames, folder / f"{name}.in", size, 1)
        measured = {name: _best(name, folder, rounds if name != "loop" else 1) for name in jobs}
        days = _days(make_frames, folder, day_mb / 1000, rounds)
        small_ms = _small_files(make_frames, folder, rounds)
    finally:
        shutil.rmtree(folder)
    return {
        "gigabytes": gigabytes,
        "block_bytes": IngestSettings().block_bytes,
        "jobs": {name: vars(result) for name, result in measured.items()},
        "day": {f"{months} months": vars(result) for months, result in days.items()},
        "small_file_ms": small_ms,
        "ratios": _ratios(measured, days),
    }


def as_words(result: dict[str, Any]) -> str:
    """The result as lines of text."""
    verdict = {True: "met", False: "NOT met"}
    ratios = result["ratios"].items()
    lines = [
        f"{name:<42} {ratio['got']:>8.2f}  asked {ratio['asked']:<8} {verdict[ratio['met']]}"
        for name, ratio in ratios
    ]
    lines += [
        f"{name:<9} {job['lines']:>9} lines {job['wall_s']:>7.1f} s wall {job['cpu_s']:>7.1f} s cpu {job['peak_mb']:>5.0f} MB"
        for name, job in {**result["jobs"], **result["day"]}.items()
    ]
    lines.append(
        f"the same frames in {MANY} files more: each file adds {result['small_file_ms']:.1f} ms"
    )
    return "\n".join(lines)


def _ratios(jobs: dict[str, Measured], days: dict[int, Measured]) -> dict[str, dict[str, Any]]:
    def least(got: float, asked: float) -> dict[str, Any]:
        return {"got": got, "asked": f">= {asked:g}", "met": got >= asked}

    def most(got: float, asked: float) -> dict[str, Any]:
        return {"got": got, "asked": f"<= {asked:g}", "met": got <= asked}

    ours, bare, loop = (rates(vars(jobs[name])) for name in ("ours", "bare", "loop"))
    first, last = (days[months] for months in MONTHS)
    return {
        "speed of bare DuckDB, wall": least(ours["wall"] / bare["wall"], LEAST_OF_BARE),
        "speed of bare DuckDB, processor": least(ours["cpu"] / bare["cpu"], LEAST_OF_BARE),
        "times a pandas + json loop, wall": least(ours["wall"] / loop["wall"], LEAST_OF_LOOP),
        "peak memory, MB": most(jobs["ours"].peak_mb, MOST_PEAK_MB),
        f"a day at {MONTHS[1]} against {MONTHS[0]} months, wall": most(
            last.wall_s / first.wall_s, MOST_GROWTH
        ),
        f"a day at {MONTHS[1]} against {MONTHS[0]} months, processor": most(
            last.cpu_s / first.cpu_s, MOST_GROWTH
        ),
    }


def _written(make_frames: MakeFrames, folder: Path, gigabytes: float, seed: int) -> Path:
    folder.mkdir(parents=True)
    make_frames(folder / "frames.jsonl", gigabytes, seed)
    return folder


def _best(name: str, folder: Path, rounds: int) -> Measured:
    """The quickest round."""
    runs = []
    for _ in range(rounds):
        store = folder / f"{name}.duckdb"
        runs.append(_job(name, folder / f"{name}.in", store))
        for left in folder.glob(f"{store.name}*"):
            left.unlink()
    return min(runs, key=lambda run: run.wall_s)


def _job(name: str, frames: Path, store: Path) -> Measured:
    return Measured(**run_job("ingest_jobs", name, frames, store))


def _small_files(make_frames: MakeFrames, folder: Path, rounds: int) -> float:
    """Milliseconds that each file more costs where the same frames come in many small ones."""
    whole, parts = _written(make_frames, folder / "whole.in", 0.001, 1), folder / "parts.in"
    parts.mkdir()
    lines = (whole / "frames.jsonl").read_bytes().splitlines(keepends=True)
    for part in range(MANY + 1):
        (parts / f"{part}.jsonl").write_bytes(b"".join(lines[part :: MANY + 1]))
    took = [
        min(
            _job("ours", frames, folder / f"{frames.stem}-{k}.duckdb").wall_s for k in range(rounds)
        )
        for frames in (whole, parts)
    ]
    return 1000 * (took[1] - took[0]) / MANY


def _days(make_frames: MakeFrames, folder: Path, day_gb: float, rounds: int) -> dict[int, Measured]:
    """A new day read into warehouses that hold more and more months of such days."""
    stores = folder / "days"
    stores.mkdir()
    day = _written(make_frames, stores / "day.in", day_gb, 2)
    month = _written(make_frames, stores / "month.in", 30 * day_gb, 1)
    base = stores / "base.duckdb"
    _job("ours", month, base)
    runs: dict[int, list[Measured]] = {months: [] for months in MONTHS}
    for months in MONTHS:
        shutil.copy(base, stores / f"{months}.duckdb")
        lengthen(stores / f"{months}.duckdb", months)
    for _ in range(rounds + 1):
        for months in MONTHS:
            copy = Path(shutil.copy(stores / f"{months}.duckdb", stores / "copy.duckdb"))
            runs[months].append(_job("ours", day, copy))
    return {months: min(found, key=lambda run: run.wall_s) for months, found in runs.items()}
