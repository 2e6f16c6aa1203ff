"""What waiting has cost and costs, in the currency of the settings, from the stated costs.

A unit that fails now and then costs less than one that always does: a week counts by the share of
attempts since the onset that failed by the unit's own fault.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

import polars as pl

from dashboards.language import Language
from dashboards.page_data import PageData, counted
from dashboards.reader import settings_of
from pipeline.core.weeks import week_end

COSTS: Mapping[str, tuple[str, str]] = {
    "vehicle": ("cost_week_without_ac", "cost_needless_visit"),
    "evse": ("cost_week_faulty_evse", "cost_needless_evse_visit"),
}
WAITING = ("refer", "watch", "faulty", "insufficient_data")
DAYS = 7.0


def currency(data: PageData) -> str:
    """The name of the currency that the costs are stated in."""
    return str(settings_of(data, "pages").get("currency") or "EUR")


def stated(data: PageData, kind: str) -> tuple[float | None, float | None]:
    """Cost of a week of waiting and of a needless visit, as the run's settings state them."""
    settings = settings_of(data, "refer")
    week, visit = (settings.get(name) for name in COSTS[kind])
    return week, visit


def waiting(data: PageData, kind: str) -> pl.DataFrame:
    """<kind>_id, so_far, each_week: expected cost since the onset, and of each week more.

    each_week = cost of a week x (sum of the unit's share in failed attempts since its onset) /
    (attempts since then); so_far = that x weeks since the onset. Zero where no call waits; only
    AC attempts count for vehicles.
    """
    name, p = f"{kind}_id", f"p_{kind}"
    units = data.vehicles if kind == "vehicle" else data.evses
    week_cost = stated(data, kind)[0] or 0.0
    end: datetime = week_end(data.week)
    begin = data.attempts["plugged_at"].min()
    since = units.select(name, "call", pl.col("onset").fill_null(pl.lit(begin)).alias("since"))
    known = counted(data.attempts)
    if kind == "vehicle":
        known = known.filter(pl.col("supply") == "AC")
    shares = (
        known.join(since.filter(pl.col("call").is_in(WAITING)), on=name)
        .filter(pl.col("plugged_at") >= pl.col("since"))
        .group_by(name)
        .agg(
            share=pl.col(p).filter(pl.col("failed")).fill_null(0.0).sum() / pl.len(),
            weeks=(pl.lit(end) - pl.col("since").first()).dt.total_days() / DAYS,
        )
    )
    return (
        units.select(name)
        .join(shares, on=name, how="left", maintain_order="left")
        .select(
            name,
            each_week=(pl.col("share").fill_null(0.0) * week_cost).round(2),
            so_far=(pl.col("share") * week_cost * pl.col("weeks")).fill_null(0.0).round(2),
        )
    )


def against(t: Language, row: Mapping[str, Any], data: PageData, kind: str) -> str | None:
    """What the decision weighs, in a sentence: waiting a week against a needless visit."""
    week, visit = stated(data, kind)
    p = row.get(f"p_{kind}")
    if week is None or visit is None or p is None or row["call"] not in WAITING:
        return None
    wait, go = p * week, (1 - p) * visit
    return t(
        "cost.against" if wait >= go else "cost.against_wait",
        p=t.probability(p),
        q=t.probability(1 - p),
        week=t.number(week, 0),
        visit=t.number(visit, 0),
        wait=t.number(wait, 0),
        go=t.number(go, 0),
        currency=currency(data),
    )
