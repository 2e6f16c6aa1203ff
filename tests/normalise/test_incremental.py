"""Incremental: any split of what is delivered, in any order, ends in the same tables as one run over all of it."""

# ruff: noqa: S311

from __future__ import annotations

import random

import duckdb
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.normalise import normalise
from pipeline.registry import empty, polars_schema
from pipeline.settings.normalise import NormaliseSettings
from pipeline.warehouse import Connection, append, create_tables, read
from tests.normalise.days import depot
from tests.normalise.world import T0, at

CORE = [
    "core_attempt",
    "core_clock",
    "core_evse",
    "core_firmware",
    "core_pilot",
    "core_plug_in",
    "core_signal",
    "core_token",
    "core_vehicle",
    "core_word",
]
TIMES = ("receiver_at_utc", "station_at_utc", "at_utc", "plugged_at_utc")


def parts(seed: int, split: str) -> list[dict[str, pl.DataFrame]]:
    """A depot's raw rows in two deliveries: split by time, at random, by table, or an old week after a new one."""
    rng = random.Random(seed + 1)
    cut = at(rng.uniform(1, 8) * 86_400)
    halves: list[dict[str, list]] = [{}, {}]
    late = {
        table: rng.random() < 0.5
        for table in (
            "raw_frame",
            "raw_pilot",
            "raw_charging",
            "raw_session",
            "raw_token",
            "raw_evse",
            "raw_vehicle",
            "raw_sample",
        )
    }
    for number, world in enumerate(depot(seed)):
        for table, rows in world.rows.items():
            for row in rows:
                when = next((row[c] for c in TIMES if row.get(c) is not None), T0)
                second = {
                    "time": when >= cut,
                    "backfill": when < cut,
                    "random": rng.random() < 0.5,
                    "table": late.get(table, False),
                }[split]
                halves[second].setdefault(table, []).append({**row, "file_id": f"{table}-{number}-{int(second)}"})
    made = []
    for order, half in enumerate(halves):
        frames = {table: pl.DataFrame(rows, schema=dict(polars_schema(table)), orient="row") for table, rows in half.items()}
        ids = sorted({row["file_id"] for rows in half.values() for row in rows})
        files = [
            {
                "file_id": i,
                "file": i,
                "kind": "frames",
                "lines": 1,
                "used": 1,
                "rejected": 0,
                "duplicates": 0,
                "ingested_at_utc": at(order),
                "file_bytes": 1,
                "content_sha256": i,
            }
            for i in ids
        ]
        frames["raw_file"] = (
            pl.DataFrame(files, schema=dict(polars_schema("raw_file")), orient="row") if files else empty("raw_file")
        )
        made.append(frames)
    return made


def fresh() -> Connection:
    """An empty warehouse."""
    con = duckdb.connect()
    con.execute("SET TimeZone = 'UTC'")
    create_tables(con)
    return con


def core(con: Connection) -> dict[str, pl.DataFrame]:
    """The core tables, each in an order of its own."""
    tables = {table: read(con, table) for table in CORE}
    lists = {"core_attempt", "core_plug_in"}
    flat = {t: f.with_columns(pl.col("lineage").list.join(" ")) if t in lists else f for t, f in tables.items()}
    return {table: frame.sort(frame.columns) for table, frame in flat.items()}


NOTHING = pl.DataFrame(schema={"station_id": pl.String, "from_utc": pl.Datetime("us", "UTC"), "to_utc": pl.Datetime("us", "UTC")})


@pytest.mark.parametrize("split", ["time", "backfill", "random", "table"])
@settings(max_examples=6, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_two_runs_equal_one(split: str, seed: int) -> None:
    """Delivered in two parts and taken up one after the other, or all at once: every core table is the same."""
    first, second = parts(seed, split)
    step, whole = fresh(), fresh()
    for part in (first, second):
        for table, frame in part.items():
            append(step, table, frame)
            append(whole, table, frame)
        normalise(step, NOTHING, NormaliseSettings())
    normalise(whole, None, NormaliseSettings())
    a, b = core(step), core(whole)
    assert len(b["core_attempt"]) > 5
    for table in CORE:
        assert a[table].equals(b[table]), (
            table,
            a[table].join(b[table], on=a[table].columns, how="anti", nulls_equal=True),
            b[table].join(a[table], on=a[table].columns, how="anti", nulls_equal=True),
        )
    step.close()
    whole.close()
