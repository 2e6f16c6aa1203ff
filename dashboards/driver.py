"""What to tell the driver of a vehicle that is due at the workshop: where it can charge meanwhile.

A place is named where the vehicle charged since its trouble began and failed nowhere there: DC
chargers first. What the circuit allows is not promised, only what was seen.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

import polars as pl

from dashboards.language import Language
from dashboards.page_data import PageData, counted

PLACES_SHOWN = 4
WHY = {"refer": "driver.why", "watch": "driver.why_watch", "proving": "driver.why_proving"}
TOLD = tuple(WHY)


def places(data: PageData) -> pl.DataFrame:
    """vehicle_id, supply, evse_id, site_id, charged: where a called vehicle charged every time since its onset."""
    since = data.vehicles.filter(pl.col("call").is_in(TOLD)).select("vehicle_id", "onset")
    met = counted(data.attempts).join(since, on="vehicle_id")
    later = met.filter(pl.col("onset").is_null() | (pl.col("plugged_at") >= pl.col("onset")))
    return (
        later.group_by("vehicle_id", "supply", "evse_id", "site_id")
        .agg(charged=(~pl.col("failed")).sum().cast(pl.Int64), failed=pl.col("failed").sum())
        .filter((pl.col("failed") == 0) & (pl.col("charged") > 0))
        .drop("failed")
        .sort("vehicle_id", "supply", "charged", "evse_id", descending=[False, True, True, False])
    )


def notes(t: Language, data: PageData, due: Collection[str] = ()) -> dict[str, list[str]]:
    """vehicle_id → the driver's note, a sentence a line, for every vehicle that is called.

    `due`: vehicles that go to the workshop whatever the week called them.
    """
    told = data.vehicles.filter(pl.col("call").is_in(TOLD)).select("vehicle_id", "call").rows()
    found = places(data).partition_by("vehicle_id", as_dict=True)
    return {
        vehicle: _note(t, "refer" if vehicle in due else call, found.get((vehicle,)))
        for vehicle, call in told
    }


def _note(t: Language, call: str, found: pl.DataFrame | None) -> list[str]:
    lines = [t(WHY[call])]
    for supply, key in (("DC", "driver.dc"), ("AC", "driver.ac")):
        rows = _of(found, supply)
        where = ", ".join(
            t("driver.times", place=_place(row), n=row["charged"]) for row in rows[:PLACES_SHOWN]
        )
        lines.append(t(key, where=where) if where else t(f"{key}_none"))
    retry = "driver.retry" if found is not None and found.height > 1 else "driver.retry_none"
    return [*lines, t(retry), t("driver.report"), t("driver.safe")]


def short_notes(t: Language, data: PageData) -> dict[str, str]:
    """vehicle_id → the note in a line, for the Monday list."""
    found = places(data).partition_by("vehicle_id", as_dict=True)
    told = data.vehicles.filter(pl.col("call").is_in(TOLD))["vehicle_id"]
    return {vehicle: _short(t, found.get((vehicle,))) for vehicle in told}


def _short(t: Language, found: pl.DataFrame | None) -> str:
    for supply, key in (("DC", "monday.dc_short"), ("AC", "monday.ac_short")):
        rows = _of(found, supply)
        if rows:
            where = t(key, where=", ".join(_place(row) for row in rows[:2]))
            return f"{where}; {t('monday.retry_short')}"
    return f"{t('monday.none_short')}; {t('monday.retry_short')}"


def _of(found: pl.DataFrame | None, supply: str) -> list[dict[str, Any]]:
    return [] if found is None else found.filter(pl.col("supply") == supply).to_dicts()


def _place(row: dict[str, Any]) -> str:
    return f"{row['evse_id']}, {row['site_id']}"
