"""Which vehicles are judged, with what attribution says of each, and from when their attempts speak of today."""

from __future__ import annotations

import polars as pl

from pipeline.refer.inputs import ReferInputs, with_told
from pipeline.refer.suspects.unseen import stays, waited_in_vain


def known_vehicles(
    inputs: ReferInputs, attempts: pl.DataFrame, reported: pl.DataFrame
) -> pl.DataFrame:
    """Attribution's rows for every vehicle with an attempt in the look-back, or that reported a stay in vain then, with its model,
    in order of id.

    `reported`: raw_charging of the look-back; ids that no list of vehicles has do not count.
    """
    listed = reported.join(inputs.fleet, on="vehicle_id", how="semi")
    others = listed.join(attempts, on="vehicle_id", how="anti")
    told = stays(others).filter(waited_in_vain()).select("vehicle_id")
    seen = pl.concat([attempts.select("vehicle_id"), told]).drop_nulls().unique()
    counts = (
        "ac_attempts",
        "ac_failures",
        "evses_failed_at",
        "early_b_failures",
        "dc_attempts",
        "dc_charged",
    )
    return (
        seen.join(
            with_told(inputs.attributed.vehicles).drop("silent", strict=False),
            on="vehicle_id",
            how="left",
        )
        .join(inputs.fleet.select("vehicle_id", "vehicle_model"), on="vehicle_id", how="left")
        .with_columns(
            pl.col("p_vehicle", "p_mute", "p_height").fill_null(0.0),
            pl.col("verdict").fill_null("insufficient_data"),
            pl.col("separable").fill_null(value=False),
            pl.col(counts).fill_null(0),
            pl.col("reason").fill_null("no attempt that charged or failed in the look-back."),
        )
        .sort("vehicle_id")
    )


def since(inputs: ReferInputs, known: pl.DataFrame, onset: str = "onset_lo_utc") -> pl.DataFrame:
    """`vehicle_id, since_utc`: from when a vehicle's attempts speak of its present state; null
    where there is no bound.

    The onset (its early end, or the column given), or the last repair where that is later.
    """
    repaired = (
        inputs.findings.filter(pl.col("repaired_at_utc").is_not_null())
        .group_by("vehicle_id")
        .agg(pl.col("repaired_at_utc").max())
    )
    return known.join(repaired, on="vehicle_id", how="left").select(
        "vehicle_id", pl.max_horizontal(onset, "repaired_at_utc").alias("since_utc")
    )


def of_present(rows: pl.DataFrame, since_utc: pl.DataFrame, at: str) -> pl.DataFrame:
    """Rows as far as they speak of a vehicle's present state."""
    return (
        rows.join(since_utc, on="vehicle_id", how="left", maintain_order="left")
        .filter(pl.col("since_utc").is_null() | (pl.col(at) >= pl.col("since_utc")))
        .drop("since_utc")
    )
