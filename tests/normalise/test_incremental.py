"""Incremental.

Any split of what is delivered, in any order, ends in the same tables as one run over all of it.
"""

# ruff: noqa: S311

from __future__ import annotations

import random

import duckdb
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.normalise import normalise
from pipeline.normalise.incremental import attempt_rebuild
from pipeline.registry import empty, polars_schema
from pipeline.settings.normalise import NormaliseSettings
from pipeline.storage.tables import create_tables
from pipeline.storage.warehouse import Connection, append, read
from tests.normalise.days import depot
from tests.normalise.test_attempts import station
from tests.normalise.world import T0, World, at

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
    """A depot's raw rows in two deliveries.

    Split by time, at random, by table, or an old week after a new one.
    """
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
                halves[second].setdefault(table, []).append(
                    {**row, "file_id": f"{table}-{number}-{int(second)}"}
                )
    made = []
    for order, half in enumerate(halves):
        frames = {
            table: pl.DataFrame(rows, schema=dict(polars_schema(table)), orient="row")
            for table, rows in half.items()
        }
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
            pl.DataFrame(files, schema=dict(polars_schema("raw_file")), orient="row")
            if files
            else empty("raw_file")
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
    flat = {
        t: f.with_columns(pl.col("lineage").list.join(" ")) if t in lists else f
        for t, f in tables.items()
    }
    return {table: frame.sort(frame.columns) for table, frame in flat.items()}


NOTHING = pl.DataFrame(
    schema={
        "station_id": pl.String,
        "from_utc": pl.Datetime("us", "UTC"),
        "to_utc": pl.Datetime("us", "UTC"),
    }
)


@pytest.mark.parametrize("split", ["time", "backfill", "random", "table"])
@settings(max_examples=6, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_two_runs_equal_one(split: str, seed: int) -> None:
    """Delivered in two parts and taken up one after the other, or all at once.

    Every core table is the same.
    """
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


@settings(max_examples=4, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_attempts_made_by_pieces_are_those_made_at_once(seed: int) -> None:
    """However few plug-ins are held at once, attempts are the same."""
    whole, pieces = fresh(), fresh()
    for part in parts(seed, "time"):
        for table, frame in part.items():
            append(whole, table, frame)
            append(pieces, table, frame)
    normalise(whole, None, NormaliseSettings())
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(attempt_rebuild, "PLUG_INS_AT_ONCE", 3)
        normalise(pieces, None, NormaliseSettings())
    a, b = core(whole), core(pieces)
    assert len(a["core_plug_in"]) > 2 * 3
    assert a["core_attempt"].equals(b["core_attempt"])
    whole.close()
    pieces.close()


def test_a_run_with_nothing_new_changes_nothing() -> None:
    """Taken up again with no new file: the same core tables."""
    con = fresh()
    for part in parts(3, "time"):
        for table, frame in part.items():
            append(con, table, frame)
    normalise(con, None, NormaliseSettings())
    before = core(con)
    normalise(con, NOTHING, NormaliseSettings())
    after = core(con)
    assert all(before[table].equals(after[table]) for table in CORE)


def test_a_new_day_of_one_station_touches_only_its_last_days() -> None:
    """The window made again is that station's alone and begins days, not weeks, before the new rows."""
    con = fresh()
    world = station()
    for day in range(40):
        world.status(day * 86_400, "Preparing")
        world.status(day * 86_400 + 600, "Available")
    other = World(station="st2")
    other.evse("e9")
    other.status(0, "Available")
    for one in (world, other):
        for table, frame in one.frames().items():
            append(con, table, frame)
    normalise(con, None, NormaliseSettings())
    new = World(station="st1")
    new.status(40 * 86_400, "Preparing")
    new.status(40 * 86_400 + 600, "Available")
    append(con, "raw_frame", new.frames()["raw_frame"].with_columns(file_id=pl.lit("new")))
    con.execute(
        "INSERT INTO raw_file BY NAME SELECT 'new' AS file_id, 'new' AS file, 'frames' AS kind, 1 AS file_bytes,"
        " 'new' AS content_sha256, 2 AS lines, 2 AS used, 0 AS rejected, 0 AS duplicates, now() AS ingested_at_utc"
    )
    normalise(con, NOTHING, NormaliseSettings())
    windows = con.execute("SELECT station_id, keep_from_utc FROM _windows").fetchall()
    assert [name for name, _ in windows] == ["st1"]
    assert windows[0][1] >= at(37 * 86_400)
    assert len(read(con, "core_attempt")) == 41
