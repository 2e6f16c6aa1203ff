"""The table of vehicles × EVSEs."""

from __future__ import annotations

from typing import Any

import polars as pl
from invented import invented_week

from dashboards.matrix import COLUMNS_SHOWN, ROWS_SHOWN, site_matrix
from dashboards.page_data import PageData, cells

NONE: frozenset[str] = frozenset()


def _table(data: PageData, site: str = "yard-0", *, called: bool = True) -> dict[str, Any]:
    here = cells(data.attempts).filter(pl.col("site_id") == site)
    kinds = data.pairings.filter(pl.col("call") == "faulty")
    vehicles, evses = (frozenset({"V-0000"}), frozenset({"E-001"})) if called else (NONE, NONE)
    return site_matrix(here, vehicles, evses, kinds if called else kinds.clear())


def _cells(table: dict[str, Any]) -> list[dict[str, Any]]:
    return [cell for row in table["rows"] for cell in row["cells"] if cell]


def test_no_attempt_is_dropped_by_pooling() -> None:
    """However many vehicles and EVSEs, the cells hold every attempt and failure."""
    data = invented_week(vehicles=90, evses=80, per_vehicle=30, sites=1)
    table = _table(data)
    assert sum(cell["attempts"] for cell in _cells(table)) == data.attempts.height
    failed = data.attempts.filter(pl.col("outcome") == "failed").height
    assert sum(cell["failures"] for cell in _cells(table)) == failed
    assert len(table["rows"]) == ROWS_SHOWN + 1
    assert len(table["columns"]) == COLUMNS_SHOWN + 1
    assert [row["id"] for row in table["rows"]].count(None) == 1


def test_what_is_called_meets_in_the_corner() -> None:
    """A called vehicle is the first row and a called EVSE the first column."""
    table = _table(invented_week())
    assert table["rows"][0]["id"] == "V-0000"
    assert table["columns"][0]["id"] == "E-001"


def test_only_what_failed_is_framed() -> None:
    """A frame stands in a called row, column or block, and only in cells with a failure."""
    table = _table(invented_week())
    for cause in ("vehicle", "evse", "pairing"):
        framed = [cell for cell in _cells(table) if cell[cause]]
        assert framed
        assert all(cell["failures"] for cell in framed)
    own = [cell for cell in table["rows"][0]["cells"] if cell and cell["failures"]]
    assert all(cell["vehicle"] for cell in own)


def test_nothing_called_nothing_framed() -> None:
    """Without calls there is no frame, whatever failed."""
    table = _table(invented_week(), called=False)
    assert not any(cell[c] for cell in _cells(table) for c in ("vehicle", "evse", "pairing"))


def test_a_called_vehicle_is_never_pooled() -> None:
    """A vehicle that is called keeps its own row even when others failed more often."""
    data = invented_week(vehicles=90, evses=12, per_vehicle=30, sites=1)
    quiet = data.attempts.filter(
        (pl.col("vehicle_id") != "V-0000") | (pl.col("evse_id") == "E-000")
    )
    fewer = invented_week(vehicles=90, evses=12, per_vehicle=30, sites=1, attempts=quiet)
    assert "V-0000" in {row["id"] for row in _table(fewer)["rows"]}


def test_the_table_is_the_same_whatever_order_its_cells_come_in() -> None:
    """Derived: two EVSEs with two firmwares each, which failed equally often with both, keep their places."""
    both = pl.DataFrame({"evse_id": ["E-1", "E-2"]}).join(
        pl.DataFrame({"firmware": ["1.0", "2.0"]}), how="cross"
    )
    here = both.with_columns(
        vehicle_id=pl.lit("V-1"), vehicle_model=pl.lit("van"), evse_model=pl.lit("post"),
        attempts=pl.when(pl.col("firmware") == "1.0").then(4).otherwise(8) + pl.col("evse_id").rank("dense"),
        failures=pl.lit(2), fault=pl.lit(None, dtype=pl.String),
    )  # fmt: skip
    none = pl.DataFrame(
        schema=dict.fromkeys(("vehicle_model", "evse_model", "firmware"), pl.String)
    )
    tables = [
        site_matrix(here.sample(fraction=1.0, shuffle=True, seed=seed), NONE, NONE, none)
        for seed in range(20)
    ]
    assert all(table == tables[0] for table in tables)
