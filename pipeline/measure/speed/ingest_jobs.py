"""One measured job a process: `python -m pipeline.measure.speed.ingest_jobs JOB FRAMES STORE`
prints seconds and memory as JSON.

Peers of our reader, over the same file and into two tables of a database on disk: DuckDB alone, and
pandas with a json loop.
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
from pipeline.ingest.delivery import ingest_delivery
from pipeline.ingest.frame_paths import METER_SHAPE, PATHS
from pipeline.ingest.sql import quoted
from pipeline.settings.ingest import IngestSettings
from pipeline.storage.warehouse import writing

_LINE_CAP = 16 << 20
# A call's payload is kept by none of the three; `third` is its action.
_PAYLOADS = ("fourth", "events")
_NOT_FRAME = ("received", "station_id", "direction", "version", "fourth")


def ours(frames: Path, store: Path) -> int:
    """The whole of ingest: typed, checked, accounted, repeats out, answers paired.

    `frames` is a delivery folder.
    """
    with writing(store) as con:
        con.execute("SET enable_progress_bar = false")
        return int(ingest_delivery(con, frames, IngestSettings()).files["lines"].sum())


def bare(frames: Path, store: Path) -> int:
    """DuckDB's own JSON reader and one extract of the same fields, as text, and meter values
    unnested. Nothing checked.
    """
    inner = {
        name: path.replace("$.frame", "$") for name, path in PATHS.items() if name not in _NOT_FRAME
    }
    paths = ", ".join(quoted(path) for path in inner.values())
    named = ", ".join(f"f[{i}] AS {name}" for i, name in enumerate(inner, start=1))
    shape = "{'at': 'VARCHAR', 'station_id': 'VARCHAR', 'dir': 'VARCHAR', 'version': 'VARCHAR', 'frame': 'JSON'}"
    with duckdb.connect(str(store)) as con:
        con.execute("SET enable_progress_bar = false")
        con.execute(
            f"""CREATE TABLE frame AS SELECT "at", station_id, dir, version, {named}
                FROM (SELECT *, json_extract_string(frame, [{paths}]) AS f
                      FROM read_json(?, format = 'newline_delimited', columns = {shape}, maximum_object_size = {_LINE_CAP}))""",
            [str(_only_file(frames))],
        )
        con.execute(
            f"""CREATE TABLE sample AS SELECT station_id, m.timestamp AS sampled, v.*
                FROM (SELECT station_id, m, unnest(m.sampledValue) AS v
                      FROM (SELECT station_id, unnest(from_json(coalesce(meter, meter_stop_data), '{METER_SHAPE}')) AS m
                            FROM frame WHERE coalesce(meter, meter_stop_data) IS NOT NULL))"""
        )
        return int(con.execute("SELECT count(*) FROM frame").fetchall()[0][0])


def loop(frames: Path, store: Path) -> int:
    """A json loop over the lines into pandas, the same fields, meter values unnested, into the same
    two tables of DuckDB.

    Times and numbers are typed by pandas, a column at a time; nothing is checked.
    """
    import pandas as pd  # type: ignore[import-untyped]  # noqa: PLC0415  # only this job pays for it

    steps = {name: _steps(path) for name, path in PATHS.items() if name not in _PAYLOADS}
    rows: list[dict[str, Any]] = []
    samples: list[dict[str, Any]] = []
    with _only_file(frames).open(encoding="utf-8") as lines:
        for line in lines:
            whole = json.loads(line)
            row = {name: _at(whole, path) for name, path in steps.items()}
            meters, at_stop = row.pop("meter"), row.pop("meter_stop_data")
            for meter in meters or at_stop or []:
                head = {"station_id": row["station_id"], "sampled": meter["timestamp"]}
                samples.extend(head | value for value in meter["sampledValue"])
            rows.append(row)
    frame, sample = pd.DataFrame(rows), pd.DataFrame(samples)
    for table, times, numbers in (
        (frame, ("received", "timestamp", "current_time"), ("meter_start", "meter_stop")),
        (sample, ("sampled",), ("value",)),
    ):
        for name in times:
            table[name] = pd.to_datetime(table[name], format="ISO8601", utc=True)
        for name in numbers:
            table[name] = pd.to_numeric(table[name])
        text = [name for name in table.columns if name not in (*times, *numbers)]
        table[text] = table[text].astype("string")
    with duckdb.connect(str(store)) as con:
        con.execute("CREATE TABLE frame AS FROM frame")
        con.execute("CREATE TABLE sample AS FROM sample")
    return len(rows)


def lengthen(store: Path, months: int) -> None:
    """Give a warehouse of one month's frames `months` of them.

    Copies moved back in time, ids and keys their own.
    """
    times = ("receiver_at_utc", "station_at_utc", "central_at_utc")
    moved = ", ".join(f"{time_} - to_days(31 * k) AS {time_}" for time_ in times)
    with writing(store) as con:
        con.execute("SET enable_progress_bar = false")
        con.execute(
            f"""INSERT INTO raw_frame SELECT f.* REPLACE (
                    {moved}, file_id || k AS file_id, message_id || '-' || k AS message_id,
                    CAST(hash(frame_key, k) >> 1 AS BIGINT) AS frame_key)
                FROM raw_frame f, range(1, $months) t(k)""",
            {"months": months},
        )


def rates(job: dict[str, float]) -> dict[str, float]:
    """Lines per second, of the wall and of the processor."""
    return {"wall": job["lines"] / job["wall_s"], "cpu": job["lines"] / job["cpu_s"]}


def _steps(path: str) -> list[str | int]:
    """The keys and places a path as `$.frame[3].evse.id` leads along."""
    parts = path.removeprefix("$.").replace("[", ".").replace("]", "").split(".")
    return [int(part) if part.isdigit() else part for part in parts]


def _at(whole: Any, steps: list[str | int]) -> Any:
    """The value these steps lead to; None where there is none."""
    for step in steps:
        try:
            whole = whole[step]
        except (KeyError, IndexError, TypeError):
            return None
    return whole


def _only_file(folder: Path) -> Path:
    (file,) = (path for path in folder.iterdir() if path.is_file())
    return file


JOBS: dict[str, Callable[[Path, Path], int]] = {"ours": ours, "bare": bare, "loop": loop}


def main(job: str, frames: str, store: str) -> None:
    """Run a job and print what it took.

    The start of the interpreter and its imports count for none.
    """
    start, cpu_start = time.perf_counter(), time.process_time()
    lines = JOBS[job](Path(frames), Path(store))
    wall, cpu = time.perf_counter() - start, time.process_time() - cpu_start
    sys.stdout.write(
        json.dumps({"lines": lines, "wall_s": wall, "cpu_s": cpu, "peak_mb": peak_mb()}) + "\n"
    )


if __name__ == "__main__":
    main(*sys.argv[1:])
