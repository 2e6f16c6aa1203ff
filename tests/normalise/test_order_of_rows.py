"""The order in which rows stand in the warehouse: that of deliveries, files and threads, none of which may count."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.normalise import normalise
from pipeline.settings.normalise import NormaliseSettings
from pipeline.storage.warehouse import Connection, append
from tests.normalise.test_incremental import CORE, core, fresh, parts

LINE = ["file_id", "line"]


def delivered(seed: int) -> dict[str, pl.DataFrame]:
    """A depot's raw rows; every call stands in a second file too, of the same instant, so that either may have an answer."""
    halves = parts(seed, "random")
    every = {
        table: pl.concat([half[table] for half in halves if table in half])
        for table in sorted(halves[0].keys() | halves[1].keys())
    }
    frames = every["raw_frame"]
    calls = frames.filter((pl.col("message_type") == 2) & (pl.col("line") % 3 == 0))
    again = calls.with_columns(file_id=pl.lit("again"), frame_key=pl.col("frame_key") + 1)
    return every | {"raw_frame": pl.concat([frames, again])}


def shuffled(rows: pl.DataFrame, seed: int) -> pl.DataFrame:
    """Lines in another order; rows of one line keep theirs, as one statement puts them."""
    lines = rows.select(LINE).unique(maintain_order=True)
    return (
        lines.sample(fraction=1.0, shuffle=True, seed=seed)
        .join(rows, on=LINE, maintain_order="left_right")
        .select(rows.columns)
    )


def made(tables: dict[str, pl.DataFrame]) -> tuple[Connection, dict[str, pl.DataFrame]]:
    """A warehouse of such rows, and its core tables."""
    con = fresh()
    for table, rows in tables.items():
        append(con, table, rows)
    normalise(con, None, NormaliseSettings())
    return con, core(con)


@pytest.mark.parametrize("seed", [1, 2])
def test_core_rows_do_not_depend_on_the_order_of_raw_rows(seed: int) -> None:
    """Raw rows put line by line in three orders, two calls of one instant among them for every third: every core table is the same."""
    tables = delivered(seed)
    con, first = made(tables)
    assert len(first["core_attempt"]) > 5
    answered = first["core_signal"].filter(pl.col("id_token_status").is_not_null())
    assert len(answered) > 0
    con.close()
    for order in (1, 2):
        told = {
            table: shuffled(rows, order) if set(LINE) <= set(rows.columns) else rows
            for table, rows in tables.items()
        }
        con, again = made(told)
        con.close()
        assert all(first[table].equals(again[table]) for table in CORE)
