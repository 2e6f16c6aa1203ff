"""One measured job a process: `python -m pipeline.measure.speed.run_jobs JOB FOLDER STORE` prints what
it took as JSON.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb

from pipeline.core.peak_memory import peak_mb
from pipeline.core.sql import quoted
from pipeline.orchestrate.run import Request, run_week
from pipeline.settings import Settings

# The nine fields of a frame that any reader must look at: who, when, which way, what.
FIELDS = ("$[0]", "$[1]", "$[2]", "$[3].connectorId", "$[3].timestamp")
_ENVELOPE = {"at": "VARCHAR", "station_id": "VARCHAR", "dir": "VARCHAR", "version": "VARCHAR", "frame": "JSON"}  # fmt: skip
_LINE_CAP = 16 << 20


def whole_run(folder: Path, store: Path) -> dict[str, Any]:
    """All stages of a week's run; seconds by stage, of the wall and of the processor, and the most
    memory held until each stage's end.
    """
    request = Request((folder,), store, store.with_suffix(".weeks"), None, Settings())
    worked: dict[str, float] = {}
    peaks: dict[str, float] = {}

    def as_task(name: str, step: Callable[..., Any]) -> Callable[..., Any]:
        def timed(*given: Any) -> Any:
            start = time.process_time()
            done = step(*given)
            worked[name] = time.process_time() - start
            peaks[name] = peak_mb()
            return done

        return timed

    result = run_week(request, as_task=as_task)
    files = result.run["inputs"]
    rows = result.run["counts"]["rows"]
    return {
        "files": len(files),
        "lines": sum(file["lines"] for file in files),
        "frames": rows["raw_frame"],
        "attempts": rows["core_attempt"],
        "packs": len(list(result.folder.glob("referrals/*"))),
        "stages": dict(result.run["timings_s"]),
        "stages_cpu_s": worked,
        "stages_peak_mb": peaks,
    }


def bare(folder: Path, store: Path) -> dict[str, Any]:
    """DuckDB's own JSON reader over the frames of a folder, nine fields as text into a table on disk;
    nothing is checked, a line it cannot read is passed over.
    """
    files = [str(path) for path in sorted((folder / "ocpp").rglob("*")) if path.is_file()]
    shape = "{" + ", ".join(f"{quoted(k)}: {quoted(v)}" for k, v in _ENVELOPE.items()) + "}"
    paths = ", ".join(quoted(path) for path in FIELDS)
    with duckdb.connect(str(store)) as con:
        con.execute("SET enable_progress_bar = false")
        con.execute(
            f"""CREATE TABLE frame AS
                SELECT "at", station_id, dir, version, json_extract_string(frame, [{paths}]) AS f
                FROM read_json(?, format = 'newline_delimited', columns = {shape},
                               ignore_errors = true, maximum_object_size = {_LINE_CAP})""",
            [files],
        )
        return {"lines": int(con.execute("SELECT count(*) FROM frame").fetchall()[0][0])}


JOBS: dict[str, Callable[[Path, Path], dict[str, Any]]] = {"run": whole_run, "bare": bare}


def main(job: str, folder: str, store: str) -> None:
    """Run a job and print what it took; the start of the interpreter and its imports count for none."""
    start, cpu_start = time.perf_counter(), time.process_time()
    told = JOBS[job](Path(folder), Path(store))
    told["wall_s"] = time.perf_counter() - start
    told["cpu_s"] = time.process_time() - cpu_start
    told["peak_mb"] = peak_mb()
    sys.stdout.write(json.dumps(told) + "\n")


if __name__ == "__main__":
    main(*sys.argv[1:])
