"""The fleet manager's page.

This week's calls, what changed, what waiting costs, each vehicle's story.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

from dashboards import charts
from dashboards.page_data import PageData, changes, failures_by_cause, iso_week, stories
from dashboards.words import CAUSES, STAGES, VEHICLE_CALLS, count, sentence

_CHANGES_SHOWN = 12
_RANK = {code: rank for rank, code in enumerate(VEHICLE_CALLS)}


def number_called(frame: pl.DataFrame, call: str) -> int:
    """How many rows have that call."""
    return frame.filter(pl.col("call") == call).height


def refer_settings(data: PageData) -> Mapping[str, Any]:
    """The settings of the refer stage as the run recorded them; empty where it did not."""
    return (data.run.get("settings") or {}).get("refer") or {}


def fleet_headline(vehicles: pl.DataFrame) -> str:
    """The week's finding in a sentence."""
    refer, watch, proving = (
        number_called(vehicles, call) for call in ("refer", "watch", "proving")
    )
    tail = f", {proving} proving after repair" if proving else ""
    return sentence(f"{count(refer, 'vehicle')} to refer, {watch} to watch{tail}")


def fleet_view(data: PageData, packs: dict[str, str], reviews: dict[str, str]) -> dict[str, Any]:
    """What the fleet template needs. packs, reviews.

    Vehicle_id to the address of its evidence page, of its review.
    """
    week_cost = refer_settings(data).get("cost_week_without_ac")
    changed = changes(data.vehicles, data.vehicles_before, "vehicle_id")
    rank = pl.col("call").replace_strict(_RANK, default=len(_RANK), return_dtype=pl.Int64)
    waiting = pl.col("p_vehicle").fill_null(0.0) * (week_cost or 0.0)
    waiting = (
        pl.when(pl.col("call").is_in(["refer", "watch", "insufficient_data"]))
        .then(waiting)
        .otherwise(0.0)
    )
    vehicles = data.vehicles.with_columns(rank=rank, waiting=waiting)
    changed = changed.sort(rank, "vehicle_id")
    lows = vehicles.filter(pl.col("pilot_low_v").is_not_null())
    referred = vehicles.filter(pl.col("call") == "refer")
    return {
        "title": "Fleet",
        "headline": fleet_headline(vehicles),
        "lead": _lead(data, float(referred["waiting"].sum()) if week_cost else None),
        "changed": changed.head(_CHANGES_SHOWN).to_dicts(),
        "changed_more": max(0, changed.height - _CHANGES_SHOWN),
        "first": data.vehicles_before is None,
        "changed_title": _changed_title(changed),
        "vehicles": vehicles.sort(
            "rank", pl.col("p_vehicle").neg(), "vehicle_id", nulls_last=True
        ).to_dicts(),
        "week_cost": week_cost,
        "visit_cost": refer_settings(data).get("cost_needless_visit"),
        "choices": [
            ("refer proving watch insufficient_data proved", "all but the clear ones"),
            *VEHICLE_CALLS.items(),
        ],
        "chosen": "refer proving watch insufficient_data proved"
        if vehicles.filter(pl.col("call") != "clear").height
        else "",
        "causes_title": _causes_title(data),
        "causes_chart": charts.causes_by_week(failures_by_cause(data.attempts)),
        "low_chart": charts.pilot_low_sides(lows) if lows.height else None,
        "low_title": _low_title(lows),
        "stories": {**_stories(data, packs, reviews), "stages": STAGES},
    }


def _lead(data: PageData, waiting: float | None) -> str:
    attempts = data.attempts.height
    parts = [
        f"{count(data.vehicles.height, 'vehicle')}, {count(attempts, 'charge attempt')} looked at."
    ]
    if waiting:
        parts.append(
            f"Leaving the referred ones for another week is expected to cost about {waiting:,.0f} in your currency."
        )
    return " ".join(parts)


def _changed_title(changed: pl.DataFrame) -> str:
    new = changed.filter(pl.col("call") == "refer").height
    gone = changed.filter(pl.col("call_before") == "refer").height
    if not changed.height:
        return "Nothing has changed since last week"
    return f"Since last week: {new} new to refer, {gone} no longer, {count(changed.height, 'change')} in all"


def _causes_title(data: PageData) -> str:
    rows = failures_by_cause(
        data.attempts.filter(pl.col("plugged_at").dt.strftime("%G-W%V") == data.week)
    )
    total = rows["failures"].sum()
    if not total:
        return "No failed attempt this week"
    shares = {row["cause"]: row["failures"] for row in rows.to_dicts()}
    said = ", ".join(
        f"{shares[cause]:.0f} {name}" for cause, name in CAUSES.items() if round(shares[cause])
    )
    return f"{total:.0f} failed attempts this week, put down to: {said}"


def _low_title(lows: pl.DataFrame) -> str:
    bound = charts.SOUND.hi_v
    off = lows.filter(pl.col("pilot_low_v") > bound).height
    if not off:
        return f"All {lows.height} vehicles with pilot readings leave the low side where a sound diode does"
    return f"{off} of {lows.height} vehicles with pilot readings leave the low side short of −{-bound:.1f} V"


def _stories(data: PageData, packs: dict[str, str], reviews: dict[str, str]) -> dict[str, Any]:
    """Each vehicle's story by its id; `weeks` names the columns of every story's counts."""
    tests = data.next_tests.group_by("vehicle_id").agg(tests=pl.struct("evse_id", "decides"))
    told = stories(data).join(tests, on="vehicle_id", how="left")
    weeks = sorted(data.attempts.select(iso_week()).unique()["week"])
    return {
        "weeks": weeks,
        "vehicles": {
            row["vehicle_id"]: {
                "model": row["model"],
                "counts": [list(week.values())[1:] for week in _every_week(row["weeks"], weeks)],
                "evses": [list(place.values()) for place in row["evses"]],
                "failures": [list(failure.values()) for failure in row["failures"] or ()],
                "tests": [list(test.values()) for test in row["tests"] or ()],
                "links": _links(row["vehicle_id"], packs, reviews),
            }
            for row in told.to_dicts()
        },
    }


def _every_week(known: list[dict[str, Any]], weeks: list[str]) -> list[dict[str, Any]]:
    by_week = {row["week"]: row for row in known}
    none = {"week": None, "AC charged": 0, "AC failed": 0}
    return [by_week.get(week, none) for week in weeks]


def _links(vehicle: str, packs: dict[str, str], reviews: dict[str, str]) -> list[tuple[str, str]]:
    named = (("Open the evidence pack", packs), ("Review this vehicle", reviews))
    return [(name, addresses[vehicle]) for name, addresses in named if vehicle in addresses]
