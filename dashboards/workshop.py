"""The workshop's page.

What to look at, with its pack, what the meter should show, and who is back from repair.
"""

from __future__ import annotations

from typing import Any

import polars as pl

from dashboards.fleet import number_called
from dashboards.page_data import PageData
from dashboards.reader import Reader
from pipeline.core.wording import percent


def workshop_view(data: PageData, reader: Reader) -> dict[str, Any]:
    """What the workshop template needs."""
    t = reader.t
    models = data.attempts.group_by("vehicle_id").agg(
        model=pl.col("vehicle_model").drop_nulls().last()
    )
    vehicles = data.vehicles.join(models, on="vehicle_id", how="left").join(
        data.about_vehicles.select("vehicle_id", "plate"), on="vehicle_id", how="left"
    )
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
            "pack": reader.packs.get(row["vehicle_id"]),
            "review": reader.reviews.get(row["vehicle_id"]),
            "tests": _tests_of(by_vehicle, row["vehicle_id"]),
        }
        for row in referred.to_dicts()
    ]
    proving = number_called(back, "proving")
    return {
        "title": t("menu.workshop"),
        "headline": t(
            "workshop.headline",
            vehicles=t("fleet.vehicles", n=referred.height),
            tail=t("fleet.tail", n=proving) if proving else "",
        ),
        "lead": t("workshop.lead"),
        "referred": cards,
        "back": back.to_dicts(),
        "back_title": t("workshop.back", n=back.height),
        "tests": [
            {**row, "tells": t.figure(percent(row["expected_bits"]))} for row in tests.to_dicts()
        ],
        "tests_title": t("workshop.tests", n=tests.height),
    }


def _tests_of(
    by_vehicle: dict[tuple[Any, ...], pl.DataFrame], vehicle: str
) -> list[dict[str, Any]]:
    found = by_vehicle.get((vehicle,))
    return [] if found is None else found.to_dicts()
