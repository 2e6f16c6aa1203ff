"""One run's published files against the truth: a row a unit, so that any figure can be counted from them afterwards."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import polars as pl

from pipeline.measure.quality.from_logs.oracle import oracle
from pipeline.measure.quality.from_logs.units import World, evse_truth, pairing_truth, vehicle_truth

SAME_PLUG_IN = "10m"
"""A published attempt is the true one at its EVSE whose plug-in is nearest, within this."""


@dataclass(frozen=True)
class Scored:
    """Frames with a row a vehicle, EVSE, pairing, attempt; `said_*` is what was published.

    `times`: how soon vehicles were referred; no row where only the last week was published.
    """

    vehicles: pl.DataFrame
    evses: pl.DataFrame
    pairings: pl.DataFrame
    attempts: pl.DataFrame
    times: pl.DataFrame


def score(world: World, week: Path, end: datetime) -> Scored:
    """Score the week's folder."""
    return Scored(
        _vehicles(world, week, end),
        _evses(world, week, end),
        _pairings(world, week, end),
        _attempts(world, week, end),
        pl.DataFrame(),
    )


def _said(file: Path, key: list[str], columns: list[str]) -> pl.DataFrame:
    # A text column stays text: an all-blank one has no other type to be told by.
    frame = pl.read_csv(file, infer_schema_length=None)
    return frame.select(*key, *(pl.col(name).alias(f"said_{name}") for name in columns))


def _when(name: str) -> pl.Expr:
    return (
        pl.col(name).cast(pl.String).str.to_datetime(time_unit="us", time_zone="UTC", strict=False)
    )


def _vehicles(world: World, week: Path, end: datetime) -> pl.DataFrame:
    columns = [
        "call",
        "p_vehicle",
        "suspect",
        "onset",
        "onset_lo",
        "onset_hi",
        "ac_attempts",
        "ac_failures",
        "reason",
    ]
    said = _said(week / "vehicles.csv", ["vehicle_id"], columns)
    blamed = (
        world.attempts.filter((pl.col("outcome") == "failed") & (pl.col("plugged_at") < end))
        .group_by("vehicle_id")
        .agg(
            (pl.col("cause") == "evse").mean().alias("evse_share"),
            (pl.col("cause") == "pairing").mean().alias("pairing_share"),
        )
    )
    return (
        vehicle_truth(world, end)
        .join(said, on="vehicle_id", how="left")
        .join(oracle(world, end), on="vehicle_id", how="left")
        .join(blamed, on="vehicle_id", how="left")
        .with_columns(
            pl.col("said_p_vehicle", "p_oracle", "evse_share", "pairing_share")
            .cast(pl.Float64)
            .fill_null(0.0),
            pl.col("said_call").fill_null("not listed"),
            _when("said_onset"),
            _when("said_onset_lo"),
            _when("said_onset_hi"),
            pl.lit(world.attempts["plugged_at"].dt.truncate("1w").min()).alias("logs_from"),
        )
    )


def _evses(world: World, week: Path, end: datetime) -> pl.DataFrame:
    said = _said(
        week / "evses.csv",
        ["evse_id"],
        ["call", "p_evse", "suspect", "attempts", "failures", "vehicles_failed", "reason"],
    )
    return (
        evse_truth(world, end)
        .join(said, on="evse_id", how="left")
        .with_columns(
            pl.col("said_p_evse").cast(pl.Float64).fill_null(0.0),
            pl.col("said_call").fill_null("not listed"),
        )
    )


def _pairings(world: World, week: Path, end: datetime) -> pl.DataFrame:
    key = ["vehicle_model", "evse_model", "firmware"]
    said = _said(
        week / "pairings.csv", key, ["call", "p_pairing", "attempts", "failures"]
    ).with_columns(pl.col(key).cast(pl.String))
    return (
        pairing_truth(world, end)
        .join(said, on=key, how="full", coalesce=True)
        .with_columns(
            pl.col("said_call").fill_null("not listed"),
            pl.col("identifiable").fill_null(value=False),
            pl.col("own_failures").fill_null(0),
        )
    )


def _attempts(world: World, week: Path, end: datetime) -> pl.DataFrame:
    """True attempts of the look-back that any log tells of, each with the published one nearest in time at its EVSE."""
    said = pl.read_parquet(week / "attempts.parquet").select(
        "evse_id",
        pl.col("plugged_at").dt.cast_time_unit("us").alias("said_at"),
        pl.col("vehicle_id").alias("said_vehicle"),
        *(
            pl.col(name).alias(f"said_{name}")
            for name in ("outcome", "stage", "fault", "p_vehicle", "p_evse", "p_pairing", "p_other")
        ),
    )
    known = world.attempts.filter(pl.col("recorded") & (pl.col("plugged_at") < end)).sort(
        "plugged_at"
    )
    return known.join_asof(
        said.drop_nulls("said_at").sort("said_at"),
        left_on="plugged_at",
        right_on="said_at",
        by="evse_id",
        strategy="nearest",
        tolerance=SAME_PLUG_IN,
        check_sortedness=False,
    )
