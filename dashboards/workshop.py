"""The workshop's page.

What to look at, with its pack, what the meter should show, and who is back from repair.
"""

from __future__ import annotations

from typing import Any

import polars as pl

from dashboards.fleet import number_called
from dashboards.page_data import PageData
from dashboards.words import count, sentence


def workshop_view(data: PageData, packs: dict[str, str], reviews: dict[str, str]) -> dict[str, Any]:
    """What the workshop template needs. packs, reviews.

    Vehicle_id to the address of its evidence page, its review.
    """
    models = data.attempts.group_by("vehicle_id").agg(
        model=pl.col("vehicle_model").drop_nulls().last()
    )
    vehicles = data.vehicles.join(models, on="vehicle_id", how="left")
    referred = vehicles.filter(pl.col("call") == "refer").sort(
        pl.col("p_vehicle").neg(), "vehicle_id", nulls_last=True
    )
    back = vehicles.filter(pl.col("call").is_in(["proving", "proved"])).sort(
        "call", "vehicle_id", descending=[True, False]
    )
    tests = data.next_tests.sort(pl.col("expected_bits").neg(), "vehicle_id", nulls_last=True)
    by_vehicle = tests.partition_by("vehicle_id", as_dict=True)
    cards = [
        {
            **row,
            "pack": packs.get(row["vehicle_id"]),
            "review": reviews.get(row["vehicle_id"]),
            "tests": _tests_of(by_vehicle, row["vehicle_id"]),
        }
        for row in referred.to_dicts()
    ]
    return {
        "title": "Workshop",
        "headline": _headline(referred, back),
        "lead": "Each vehicle with its reason, what the meter should show, and its evidence pack to print or to mail.",
        "referred": cards,
        "back": back.to_dicts(),
        "back_title": _back_title(back),
        "tests": tests.to_dicts(),
        "tests_title": sentence(f"{count(tests.height, 'plug-in test')} proposed"),
    }


def _headline(referred: pl.DataFrame, back: pl.DataFrame) -> str:
    proving = number_called(back, "proving")
    tail = f", {proving} back from repair and still proving" if proving else ""
    return sentence(f"{count(referred.height, 'vehicle')} to look at{tail}")


def _back_title(back: pl.DataFrame) -> str:
    if back.is_empty():
        return "No vehicle is back from repair"
    return f"Back from repair: {number_called(back, 'proving')} proving, {number_called(back, 'proved')} proved"


def _tests_of(
    by_vehicle: dict[tuple[Any, ...], pl.DataFrame], vehicle: str
) -> list[dict[str, Any]]:
    found = by_vehicle.get((vehicle,))
    return [] if found is None else found.to_dicts()
