"""What is kept of a station's past: whatever comes, a run that keeps it ends as one that asks all again."""

from __future__ import annotations

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.settings.validate import ValidateSettings
from pipeline.storage.warehouse import Connection, append, read
from pipeline.validate import validate

from .settled_worlds import deliveries
from .worlds import World, frame, new

KEEPING = ValidateSettings(settled_days=3)
KEPT = ("meta_settled_station", "meta_settled_count", "meta_settled_caught")
RESULTS = ("core_impossible", "core_rule_result", "core_rule_station", "core_rule_firmware")


def delivered(con: Connection, world: World) -> None:
    """Add a delivery and validate."""
    for table, rows in world.items():
        append(con, table, frame(table, rows))
    validate(con, KEEPING)


def found(con: Connection) -> dict[str, pl.DataFrame]:
    """All that validate leaves, but what it keeps for itself."""
    tables = {table: read(con, table) for table in RESULTS}
    tables["weights"] = read(con, "core_attempt").select("attempt_id", "distrust", "weight")
    return {table: rows.sort(rows.columns) for table, rows in tables.items()}


def assert_as_if_asked_again(con: Connection) -> None:
    """What was found by what is kept equals, row by row, what is found where nothing is kept."""
    kept = found(con)
    for table in KEPT:
        con.execute(f"DELETE FROM {table}")
    validate(con, KEEPING)
    for table, rows in found(con).items():
        assert kept[table].equals(rows), table


@pytest.mark.parametrize("late", [0.0, 0.01])
@settings(max_examples=2, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_two_deliveries_give_the_counts_of_one(late: float, seed: int) -> None:
    """Validated after each of two deliveries: counts, caught records and weights are as if asked whole."""
    with new() as con:
        for part in deliveries(seed, late):
            delivered(con, part)
        assert_as_if_asked_again(con)


@pytest.mark.parametrize("table", KEPT[1:])
def test_what_is_kept_is_used(table: str) -> None:
    """Where the past is as it was, it is not asked again: kept counts and caught records that were taken away are missed."""
    with new() as con:
        first, second = deliveries(3, 0.0)
        delivered(con, first)
        assert read(con, table).height
        con.execute(f"DELETE FROM {table}")
        delivered(con, second)
        with pytest.raises(AssertionError):
            assert_as_if_asked_again(con)
