"""The first generator's truth in the terms of the second's, so that both are scored alike."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from pipeline.measure.quality.from_logs.units import World

_NEVER = pl.lit(None, dtype=pl.Datetime("us", "UTC"))


def read_first_world(truth: Path) -> World:
    """Read the truth of `sample_logs.generator`: of a unit with several spells the last counts."""
    attempts = pl.read_parquet(truth / "attempts.parquet")
    vehicles = attempts.select("vehicle_id", "vehicle_model").unique(maintain_order=True)
    evses = attempts.select("evse_id", "site_id", "evse_model").unique(
        "evse_id", maintain_order=True
    )
    return World(
        _attempts(attempts),
        _faults(truth / "vehicle_truth.csv", "vehicle_id"),
        _faults(truth / "evse_truth.csv", "evse_id"),
        pl.read_csv(truth / "pairing_truth.csv").rename({"probability": "rate"}),
        vehicles.with_columns(pl.lit(value=False).alias("timer")),
        evses,
    )


def _faults(file: Path, unit: str) -> pl.DataFrame:
    """A row a unit: its last spell; what it repaired before is the past."""
    told = pl.read_csv(
        file, schema_overrides={"severity": pl.Float64, "from_utc": pl.String, "to_utc": pl.String}
    )
    onset, repaired = (
        pl.col(name).str.to_datetime("%Y-%m-%dT%H:%M:%S%.f%z", time_unit="us")
        for name in ("from_utc", "to_utc")
    )
    return (
        told.select(
            unit,
            pl.col("fault").alias("suspect"),
            pl.col("severity").alias("rate"),
            onset.alias("onset_at"),
            repaired.alias("repaired_at"),
            pl.lit(value=False).alias("repair_failed"),
            _NEVER.alias("relapse_at"),
        )
        .sort("onset_at")
        .unique(unit, keep="last", maintain_order=True)
    )


def _attempts(a: pl.DataFrame) -> pl.DataFrame:
    coupler = pl.col("coupler")
    silent = (pl.col("cause") == "vehicle").fill_null(value=False) & (
        pl.col("outcome") == "not_requested"
    )
    no = pl.lit(value=False)
    return a.select(
        "evse_id",
        "site_id",
        "vehicle_id",
        "vehicle_model",
        "evse_model",
        "firmware",
        "supply",
        coupler.alias("connector_type"),
        pl.when(pl.col("diode_check") == "no")
        .then(pl.lit("no"))
        .otherwise(pl.lit("b2"))
        .alias("looks"),
        pl.col("plugged_at").dt.cast_time_unit("us"),
        pl.col("unplugged_at").dt.cast_time_unit("us"),
        pl.when(silent).then(pl.lit("failed")).otherwise("outcome").alias("outcome"),
        "cause",
        pl.coalesce("vehicle_fault", "evse_fault").alias("cause_suspect"),
        silent.alias("silent"),
        pl.lit(None, dtype=pl.String).alias("trouble"),
        "stage",
        ((pl.col("outcome") == "not_requested") & ~silent).alias("no_wish"),
        pl.lit(0.0).alias("timer_h"),
        pl.lit(0.0).alias("managed_h"),
        pl.lit(None, dtype=pl.Float64).alias("soc"),
        no.alias("telematics"),
        (
            (pl.col("calls").fill_null(0) > 0)
            | (pl.col("pilot_rows").fill_null(0) > 0)
            | pl.col("exported").fill_null(value=False)
        ).alias("recorded"),
        (pl.col("id_token").is_not_null() & ~pl.col("token_conflict").fill_null(value=False)).alias(
            "known"
        ),
        pl.col("true_p_vehicle").alias("p_vehicle"),
        pl.col("true_p_evse").alias("p_evse"),
        pl.col("true_p_pairing").alias("p_pairing"),
        pl.lit(0.0).alias("p_site"),
        pl.col("true_p_chance").alias("p_chance"),
        pl.col("vehicle_fault").is_not_null().alias("vehicle_bites"),
        pl.col("evse_fault").is_not_null().alias("evse_bites"),
    )
