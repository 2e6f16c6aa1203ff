"""Pilot rows in true time, with their faults in canonical words."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.normalise import clocks, codes


def build(raw: pl.DataFrame, clock: pl.DataFrame, evses: pl.DataFrame, own: Mapping[str, str]) -> pl.DataFrame:
    """core_pilot of known EVSEs from raw_pilot of some stations; rows of a station without clock keep its own time."""
    placed = raw.join(evses.select("station_id", "connector_id", "evse_id"), on=["station_id", "connector_id"], how="inner")
    timed = clocks.to_true(placed, clock).with_columns(
        at_utc=pl.coalesce("at_utc", "station_at_utc"), clock_error_s=pl.coalesce("clock_error_s", pl.lit(clocks.UNKNOWN_ERROR_S))
    )
    return codes.with_fault(timed, "fault_raw", "vendor_code", own, "fault").sort("evse_id", "at_utc", "file_id", "line")
