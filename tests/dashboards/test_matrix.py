"""The picture of vehicles × EVSEs."""

from __future__ import annotations

import polars as pl
from invented import invented_week

from dashboards.matrix import COLUMNS_SHOWN, ROWS_SHOWN, site_matrix
from dashboards.page_data import PageData, cells

NONE: frozenset[str] = frozenset()


def _picture(
    data: PageData, site: str = "yard-0", *, called: bool = True
) -> dict[str, list[dict[str, object]]]:
    here = cells(data.attempts).filter(pl.col("site_id") == site)
    kinds = data.pairings.filter(pl.col("call") == "faulty").select(
        "vehicle_model", "evse_model", "firmware"
    )
    vehicles, evses = (frozenset({"V-0000"}), frozenset({"E-001"})) if called else (NONE, NONE)
    return site_matrix(here, vehicles, evses, kinds if called else kinds.clear())["datasets"]


def test_no_attempt_is_dropped_by_pooling() -> None:
    """However many vehicles and EVSEs, the tiles hold every attempt and failure."""
    data = invented_week(vehicles=90, evses=80, per_vehicle=30, sites=1)
    tiles = _picture(data)["tiles"]
    assert sum(int(str(t["attempts"])) for t in tiles) == data.attempts.height
    assert len({t["row"] for t in tiles}) <= ROWS_SHOWN + 1
    assert len({t["column"] for t in tiles}) <= COLUMNS_SHOWN + 1


def test_row_column_and_block_are_outlined() -> None:
    """A called vehicle frames its row from end to end, a called EVSE its column, a called pairing
    its block.
    """
    outlines = {str(o["cause"]): o for o in _picture(invented_week())["outlines"]}
    assert outlines["vehicle"]["y"] == outlines["vehicle"]["y2"] == "V-0000"
    assert outlines["evse"]["x"] == outlines["evse"]["x2"] == "E-001"
    assert outlines["pairing"]["x"] != outlines["pairing"]["x2"]
    assert set(outlines) == {"vehicle", "evse", "pairing"}


def test_nothing_called_nothing_outlined() -> None:
    """Without calls there is no frame, whatever failed."""
    assert _picture(invented_week(), called=False)["outlines"] == []


def test_a_called_vehicle_is_never_pooled() -> None:
    """A vehicle that is called keeps its own row even when others failed more often."""
    data = invented_week(vehicles=90, evses=12, per_vehicle=30, sites=1)
    quiet = data.attempts.filter(
        (pl.col("vehicle_id") != "V-0000") | (pl.col("evse_id") == "E-000")
    )
    tiles = _picture(invented_week(vehicles=90, evses=12, per_vehicle=30, sites=1, attempts=quiet))[
        "tiles"
    ]
    assert "V-0000" in {t["row"] for t in tiles}
