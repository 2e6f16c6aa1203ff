"""Vehicles × EVSEs of a site: a bad row is a car, a bad column an EVSE, a bad block a pairing.

Rows are ordered by vehicle model, columns by EVSE model and firmware, the worst first, so that each
kind of trouble shows as what it is; what the analysis calls is outlined. Rows and columns beyond a
cap are pooled, never dropped.
"""

from __future__ import annotations

from typing import Any

import altair as alt
import polars as pl

from dashboards.theme import named, specification

ROWS_SHOWN = 24
COLUMNS_SHOWN = 24
_STEP, _WIDE_STEP, _WIDE_COLUMNS = 24, 44, 14


def _ranked(
    cells: pl.DataFrame, key: str, group: list[str], called: frozenset[str], shown: int
) -> pl.DataFrame:
    """key, label, order: the worst `shown` by failures, grouped, worst group first.

    The rest under one label at the end.
    """
    sums = cells.group_by(key, *group).agg(pl.col("failures").sum(), pl.col("attempts").sum())
    sums = sums.with_columns(called=pl.col(key).is_in(called))
    sums = sums.with_columns(
        rank=pl.struct(~pl.col("called"), -pl.col("failures"), key).rank("ordinal")
    )
    sums = sums.with_columns(kept=(pl.col("rank") <= shown) | (pl.len() <= shown + 1))
    share = (pl.col("failures").sum() / pl.col("attempts").sum()).over(group)
    order = sums.with_columns(group_share=share).sort(
        [~pl.col("kept"), -pl.col("group_share"), *group, pl.col("rank")], nulls_last=True
    )
    pooled = (~pl.col("kept")).sum()
    label = pl.when("kept").then(pl.col(key)).otherwise(pl.format("{} others", pooled))
    return order.select(key, label=label).with_row_index("order")


def _outlines(
    cells: pl.DataFrame, vehicles: frozenset[str], evses: frozenset[str], pairings: pl.DataFrame
) -> pl.DataFrame:
    """cause, x, x2, y, y2.

    A frame around each called vehicle's row, EVSE's column and pairing's block.
    """
    first_last = {
        "x": pl.col("column").sort_by("x_order").first(),
        "x2": pl.col("column").sort_by("x_order").last(),
        "y": pl.col("row").sort_by("y_order").first(),
        "y2": pl.col("row").sort_by("y_order").last(),
    }
    ends = cells.select(**first_last)
    row = (
        cells.filter(pl.col("vehicle_id").is_in(vehicles))
        .select(y="row", y2="row")
        .unique(maintain_order=True)
    )
    row = row.join(ends.select("x", "x2"), how="cross").with_columns(cause=pl.lit("vehicle"))
    column = (
        cells.filter(pl.col("evse_id").is_in(evses))
        .select(x="column", x2="column")
        .unique(maintain_order=True)
    )
    column = column.join(ends.select("y", "y2"), how="cross").with_columns(cause=pl.lit("evse"))
    kinds = ["vehicle_model", "evse_model", "firmware"]
    inside = cells.filter(~pl.col("pooled")).join(
        pairings.select(kinds), on=kinds, how="semi", nulls_equal=True
    )
    block = (
        inside.group_by(kinds, maintain_order=True)
        .agg(**first_last)
        .with_columns(cause=pl.lit("pairing"))
    )
    names = ["cause", "x", "x2", "y", "y2"]
    return pl.concat([row.select(names), column.select(names), block.select(names)])


def site_matrix(
    cells: pl.DataFrame, vehicles: frozenset[str], evses: frozenset[str], pairings: pl.DataFrame
) -> dict[str, Any]:
    """The picture of one site.

    cells: vehicle_id, vehicle_model, evse_id, evse_model, firmware, attempts, failures, fault (one
    site); vehicles, evses: those called at fault; pairings: those called at fault (vehicle_model,
    evse_model, firmware).
    """
    rows = _ranked(cells, "vehicle_id", ["vehicle_model"], vehicles, ROWS_SHOWN)
    columns = _ranked(cells, "evse_id", ["evse_model", "firmware"], evses, COLUMNS_SHOWN)
    placed = cells.join(rows.rename({"label": "row", "order": "y_order"}), on="vehicle_id")
    placed = placed.join(
        columns.rename({"label": "column", "order": "x_order"}), on="evse_id"
    ).with_columns(
        pooled=(pl.col("row") != pl.col("vehicle_id")) | (pl.col("column") != pl.col("evse_id"))
    )
    tiles = placed.group_by("row", "column", maintain_order=True).agg(
        pl.col("attempts").sum(),
        pl.col("failures").sum(),
        fault=pl.col("fault").drop_nulls().mode().sort().first(),
    )
    tiles = tiles.with_columns(share=(pl.col("failures") / pl.col("attempts")).round(3))
    chart = _draw(
        rows["label"].unique(maintain_order=True).to_list(),
        columns["label"].unique(maintain_order=True).to_list(),
    )
    summary = "Each square is a vehicle (row) at an EVSE (column); a stronger shade means a larger share of attempts failed."
    return specification(
        chart, summary=summary, tiles=tiles, outlines=_outlines(placed, vehicles, evses, pairings)
    )


_DASHES = {"vehicle": [1, 0], "evse": [6, 2], "pairing": [2, 2]}


def _draw(row_names: list[str], column_names: list[str]) -> Any:
    # The order stands in the scales' domains, shared by all layers. Top axis: names at the columns'
    # heads, where the eye starts.
    across, down = alt.Scale(domain=column_names), alt.Scale(domain=row_names)
    x_axis = alt.Axis(orient="top", labelAngle=-60, ticks=False, domain=False, labelPadding=8)
    x = alt.X("column:N", scale=across, title=None, axis=x_axis)
    y = alt.Y(
        "row:N",
        scale=down,
        title=None,
        axis=alt.Axis(ticks=False, domain=False, labelLimit=140, labelPadding=6),
    )
    tooltip = [
        alt.Tooltip("row:N", title="vehicle"),
        alt.Tooltip("column:N", title="EVSE"),
        alt.Tooltip("failures:Q", title="failed"),
        alt.Tooltip("attempts:Q", title="of attempts"),
        alt.Tooltip("fault:N", title="usual fault code"),
    ]
    base = alt.Chart(named("tiles")).encode(x=x, y=y, tooltip=tooltip)
    # Opacity of the page's ink, not a colour ramp: it reads the same on light, dark and paper.
    squares = base.mark_rect(fill="var(--ink)", stroke="var(--paper)", strokeWidth=1).encode(
        opacity=alt.Opacity(
            "share:Q", scale=alt.Scale(domain=[0, 1], range=[0.07, 0.92]), legend=None
        )
    )
    numbers = base.mark_text(fontSize=10).encode(
        text="failures:Q",
        color=alt.condition(
            "datum.share > 0.5", alt.value("var(--paper)"), alt.value("var(--ink)")
        ),
    )
    layers = [
        squares,
        numbers.transform_filter("datum.failures > 0"),
        *(_frame(cause, across, down) for cause in _DASHES),
    ]
    step = _STEP if len(column_names) > _WIDE_COLUMNS else _WIDE_STEP
    return alt.layer(*layers).properties(width=alt.Step(step), height=alt.Step(_STEP))


def _frame(cause: str, across: alt.Scale, down: alt.Scale) -> Any:
    box = alt.Chart(named("outlines")).transform_filter(alt.datum.cause == cause)
    box = box.mark_rect(
        fillOpacity=0, strokeWidth=3, stroke=f"var(--{cause})", strokeDash=_DASHES[cause]
    )
    return box.encode(
        x=alt.X("x:N", scale=across, bandPosition=0),
        x2=alt.X2("x2:N", bandPosition=1),
        y=alt.Y("y:N", scale=down, bandPosition=0),
        y2=alt.Y2("y2:N", bandPosition=1),
    )
