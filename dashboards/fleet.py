"""The fleet manager's page.

This week's calls, what changed, what waiting has cost and costs, the fleet in pictures.
"""

from __future__ import annotations

from typing import Any

import polars as pl

from dashboards import charts
from dashboards.costs import COSTS, against, currency, stated, waiting
from dashboards.language import Language
from dashboards.page_data import CAUSES, PageData, changes, failures_by_cause
from dashboards.reader import Reader

CALLS = ("refer", "proving", "watch", "insufficient_data", "proved", "clear")
_CHANGES_SHOWN = 12
ROWS_SHOWN = 400
"""Vehicles the list holds as rows, the urgent first; the search finds all. Keeps a page of 10,000
vehicles under a second; decided."""
_RANK = {code: rank for rank, code in enumerate(CALLS)}
_BUT_CLEAR = "refer proving watch insufficient_data proved"


def number_called(frame: pl.DataFrame, call: str) -> int:
    """How many rows have that call."""
    return frame.filter(pl.col("call") == call).height


def rank() -> pl.Expr:
    """The order of vehicles' calls, the urgent first."""
    return pl.col("call").replace_strict(_RANK, default=len(_RANK), return_dtype=pl.Int64)


def fleet_headline(t: Language, vehicles: pl.DataFrame) -> str:
    """The week's finding in a sentence."""
    proving = number_called(vehicles, "proving")
    return t(
        "fleet.headline",
        refer=t("fleet.vehicles", n=number_called(vehicles, "refer")),
        watch=number_called(vehicles, "watch"),
        tail=t("fleet.tail", n=proving) if proving else "",
    )


def fleet_view(data: PageData, reader: Reader) -> dict[str, Any]:
    """What the fleet template needs."""
    t = reader.t
    week_cost, visit_cost = stated(data, "vehicle")
    vehicles = (
        data.vehicles.join(waiting(data, "vehicle"), on="vehicle_id", how="left")
        .join(data.about_vehicles, on="vehicle_id", how="left")
        .with_columns(rank=rank())
        .sort("rank", pl.col("p_vehicle").neg(), "vehicle_id", nulls_last=True)
    )
    changed = changes(data.vehicles, data.vehicles_before, "vehicle_id").sort(rank(), "vehicle_id")
    whole = pl.concat([data.vehicles["vehicle_id"], data.about_vehicles["vehicle_id"]]).n_unique()
    lows = low_before_after(data)
    return {
        "title": t("menu.fleet"),
        "headline": fleet_headline(t, vehicles),
        "lead": _lead(t, data, vehicles.filter(pl.col("call") == "refer")),
        "changed": changed.head(_CHANGES_SHOWN).to_dicts(),
        "changed_more": max(0, changed.height - _CHANGES_SHOWN),
        "first": data.vehicles_before is None,
        "changed_title": _changed_title(t, changed),
        "vehicles": vehicles.head(ROWS_SHOWN).to_dicts(),
        "whole": whole,
        "beyond": whole - min(vehicles.height, ROWS_SHOWN),
        "weighed": {
            row["vehicle_id"]: against(t, row, data, "vehicle")
            for row in vehicles.filter(pl.col("call").is_in(["refer", "watch"])).to_dicts()
        },
        "currency": currency(data),
        "week_cost": week_cost,
        "visit_cost": visit_cost,
        "cost_names": ", ".join((*COSTS["vehicle"], "pages.currency")),
        "choices": [
            (_BUT_CLEAR, t("finder.but_clear")),
            *((c, t(f"call.{c}")) for c in CALLS),
        ],
        "calls": CALLS,
        "chosen": _BUT_CLEAR if vehicles.filter(pl.col("call") != "clear").height else "",
        "causes_title": _causes_title(t, data),
        "causes_chart": charts.causes_by_week(t, failures_by_cause(data.attempts)),
        "low_chart": charts.low_before_after(t, lows) if lows.height else None,
        "trend_chart": _trend(
            t, data, "vehicle", ("refer", "watch", "proved", "insufficient_data")
        ),
    }


def _lead(t: Language, data: PageData, referred: pl.DataFrame) -> str:
    said = t(
        "fleet.lead",
        vehicles=t("fleet.vehicles", n=data.vehicles.height),
        attempts=t("fleet.attempts", n=data.attempts.height),
    )
    each = float(referred["each_week"].sum())
    if not each:
        return said
    so_far = t.number(float(referred["so_far"].sum()), 0)
    costs = t("fleet.waiting", so_far=so_far, each_week=t.number(each, 0), currency=currency(data))
    return f"{said} {costs}"


def _changed_title(t: Language, changed: pl.DataFrame) -> str:
    if not changed.height:
        return t("fleet.unchanged")
    new = changed.filter(pl.col("call") == "refer").height
    gone = changed.filter(pl.col("call_before") == "refer").height
    return t("fleet.changed", new=new, gone=gone, n=changed.height)


def _causes_title(t: Language, data: PageData) -> str:
    this_week = pl.col("plugged_at").dt.strftime("%G-W%V") == data.week
    rows = failures_by_cause(data.attempts.filter(this_week))
    total = round(float(rows["failures"].sum()))
    if not total:
        return t("fleet.causes_none")
    shares = {row["cause"]: row["failures"] for row in rows.to_dicts()}
    said = ", ".join(
        f"{shares[cause]:.0f} {t(f'cause.{cause}')}" for cause in CAUSES if round(shares[cause])
    )
    return t("fleet.causes", n=total, said=said)


def low_before_after(data: PageData) -> pl.DataFrame:
    """vehicle_id, before_v, after_v: a called vehicle's median negative level in B2 before and since
    its onset or last repair; the rest of the fleet in one row (vehicle_id null). No row without a
    level.
    """
    repaired = (
        data.marks.filter((pl.col("unit_kind") == "vehicle") & (pl.col("mark") == "repair"))
        .group_by(vehicle_id="unit_id")
        .agg(repaired=pl.col("at").max())
    )
    called = data.vehicles.filter(pl.col("call").is_in(["refer", "watch", "proving", "proved"]))
    turn = called.join(repaired, on="vehicle_id", how="left").select(
        "vehicle_id", "call", turn=pl.coalesce("onset", "repaired")
    )
    levels = data.attempts.filter(pl.col("pilot_low_b_v").is_not_null())
    low, since = pl.col("pilot_low_b_v"), pl.col("plugged_at") >= pl.col("turn")
    own = (
        levels.join(turn, on="vehicle_id")
        .group_by("vehicle_id")
        .agg(
            call=pl.col("call").first(),
            before_v=low.filter(~since).median(),
            after_v=pl.coalesce(low.filter(since).median(), low.median()),
        )
        .sort(rank(), "vehicle_id")
        .select("vehicle_id", "before_v", "after_v")
        .head(24)
    )
    rest = levels.join(turn, on="vehicle_id", how="anti")
    if own.is_empty() or rest.is_empty():
        return own
    whole = rest.group_by("vehicle_id").agg(low.median())["pilot_low_b_v"].median()
    return pl.concat([own, pl.DataFrame([(None, None, whole)], schema=own.schema, orient="row")])


def _trend(t: Language, data: PageData, kind: str, calls: tuple[str, ...]) -> Any:
    """The chart of calls by week; None where this is the first week published."""
    rows = data.calls_by_week.filter((pl.col("unit_kind") == kind) & pl.col("call").is_in(calls))
    if data.earlier_calls.is_empty():
        return None
    weeks = data.calls_by_week.select("week").unique()
    every = weeks.join(pl.DataFrame({"call": list(calls)}), how="cross")
    counted = rows.group_by("week", "call").agg(units=pl.len().cast(pl.Int64))
    filled = every.join(counted, on=["week", "call"], how="left").with_columns(
        pl.col("units").fill_null(0)
    )
    return charts.calls_by_week(t, filled.sort("week", "call"), calls)
