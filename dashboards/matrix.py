"""Vehicles × EVSEs of a site: a bad row is a vehicle, a bad column an EVSE, a bad block a pairing.

What is called comes first, so that the rows and columns that matter meet in one corner; then models
of called pairings, then the worst. Rows and columns beyond a cap are pooled, never dropped. A cell
is framed where something failed and its row, column or block is called.
"""

from __future__ import annotations

from typing import Any

import polars as pl

ROWS_SHOWN = 24
COLUMNS_SHOWN = 24
KIND = ("vehicle_model", "evse_model", "firmware")


def site_matrix(
    cells: pl.DataFrame, vehicles: frozenset[str], evses: frozenset[str], pairings: pl.DataFrame
) -> dict[str, Any]:
    """The table of one site.

    `columns`: EVSEs (None: pooled, with `label`); `rows`: vehicles, each with a cell a column or
    None.

    cells: vehicle_id, vehicle_model, evse_id, evse_model, firmware, attempts, failures, fault (one
    site); vehicles, evses: those called at fault; pairings: those called at fault (`KIND`).
    """
    models = [frozenset(pairings[name].drop_nulls()) for name in KIND[:2]]
    rows = _ranked(cells, "vehicle_id", ["vehicle_model"], vehicles, models[0], ROWS_SHOWN)
    columns = _ranked(cells, "evse_id", ["evse_model", "firmware"], evses, models[1], COLUMNS_SHOWN)
    tiles = _tiles(cells, rows, columns, vehicles, evses, pairings)
    heads = columns.unique("x", maintain_order=True).sort("x")
    sides = rows.unique("y", maintain_order=True).sort("y")
    by_place = {(tile["y"], tile["x"]): tile for tile in tiles.to_dicts()}
    return {
        "columns": heads.select(id="column", label="label").to_dicts(),
        "rows": [
            {
                "id": side["row"],
                "label": side["label"],
                "cells": [by_place.get((side["y"], head)) for head in heads["x"]],
            }
            for side in sides.to_dicts()
        ],
    }


def _tiles(
    cells: pl.DataFrame, rows: pl.DataFrame, columns: pl.DataFrame, vehicles: frozenset[str], evses: frozenset[str],
    pairings: pl.DataFrame,
) -> pl.DataFrame:  # fmt: skip
    """A row per place (`y, x`) of the table: what its attempts came to, and whose failures they are called."""
    placed = (
        cells.join(_pairing_called(cells, pairings), on=list(KIND), how="left", nulls_equal=True)
        .join(rows.select("vehicle_id", "row", "y"), on="vehicle_id")
        .join(columns.select("evse_id", "column", "x"), on="evse_id")
    )
    failed = pl.col("failures") > 0
    return (
        placed.group_by("y", "x")
        .agg(
            pl.col("attempts").sum(),
            pl.col("failures").sum(),
            vehicle=(failed & pl.col("vehicle_id").is_in(vehicles)).any(),
            evse=(failed & pl.col("evse_id").is_in(evses)).any(),
            pairing=(failed & pl.col("paired").fill_null(value=False)).any(),
            fault=pl.col("fault").drop_nulls().mode().sort().first(),
        )
        .with_columns(share=(pl.col("failures") / pl.col("attempts")).round(2))
    )


def _pairing_called(cells: pl.DataFrame, pairings: pl.DataFrame) -> pl.DataFrame:
    """The kinds of cells whose pairing is called; an unknown firmware is the blank of pairings."""
    called = pairings.select(*KIND[:2], _known=pl.col("firmware").fill_null("")).unique()
    kinds = cells.select(KIND).unique().with_columns(_known=pl.col("firmware").fill_null(""))
    return kinds.join(called, on=[*KIND[:2], "_known"], how="semi", nulls_equal=True).select(
        *KIND, paired=pl.lit(value=True)
    )


def _ranked(
    cells: pl.DataFrame,
    key: str,
    group: list[str],
    called: frozenset[str],
    models: frozenset[str],
    shown: int,
) -> pl.DataFrame:
    """key, place (y or x), row or column (the id, null where pooled), label."""
    place, name = ("y", "row") if key == "vehicle_id" else ("x", "column")
    sums = cells.group_by(key, *group).agg(pl.col("failures").sum(), pl.col("attempts").sum())
    share = (pl.col("failures").sum() / pl.col("attempts").sum()).over(group)
    sums = sums.with_columns(
        called=pl.col(key).is_in(called), matters=pl.col(group[0]).is_in(models), group_share=share
    )
    rank = pl.struct(~pl.col("called"), -pl.col("failures"), key).rank("ordinal")
    # an EVSE whose firmware changed has one place, where it failed most; of equals the first by name
    most = sums.sort(-pl.col("failures"), *group)
    one = most.unique(key, keep="first", maintain_order=True)
    one = one.with_columns(rank=rank)
    one = one.with_columns(kept=(pl.col("rank") <= shown) | (pl.len() <= shown + 1))
    order = [~pl.col("kept"), ~pl.col("called"), ~pl.col("matters"), -pl.col("group_share")]
    placed = one.sort(*order, *group, "rank", nulls_last=True).with_row_index(place)
    first_pooled = pl.col(place).filter(~pl.col("kept")).min()
    pooled = (~pl.col("kept")).sum()
    return placed.select(
        key,
        pl.when("kept").then(pl.col(place)).otherwise(first_pooled).alias(place),
        pl.when("kept").then(pl.col(key)).alias(name),
        label=pl.when("kept").then(pl.col(key)).otherwise(pl.format("+ {}", pooled)),
    )
