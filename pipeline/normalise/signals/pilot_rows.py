"""Pilot rows in true time, with their faults in canonical words."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.normalise.clocks import own_record
from pipeline.normalise.clocks.eras import CHANGE_ERROR_S, Clock
from pipeline.normalise.signals import codes


def build(
    raw: pl.DataFrame,
    clock: Clock,
    booted: pl.DataFrame,
    evses: pl.DataFrame,
    own: Mapping[str, str],
) -> pl.DataFrame:
    """core_pilot (with `fault_trouble, time_doubt` beside) of known EVSEs from raw_pilot of some
    stations.
    """
    known = evses.select("station_id", "connector_id", "evse_id")
    placed = raw.join(known, on=["station_id", "connector_id"], how="inner", maintain_order="left")
    timed = own_record.pilot(placed, clock, booted)
    doubtful = pl.when(pl.col("time_doubt").is_not_null()).then(CHANGE_ERROR_S)
    timed = timed.with_columns(clock_error_s=pl.max_horizontal("clock_error_s", doubtful))
    return codes.with_fault(timed, "fault_raw", "vendor_code", own, "fault").sort(
        "evse_id", "at_utc", "file_id", "line"
    )
