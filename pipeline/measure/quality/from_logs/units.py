"""What is true of vehicles, EVSEs and pairings at the end of the report week, and what could be known of it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import polars as pl

LEAST_CHANCE = 0.1
"""An attempt can show a fault where the fault makes it fail at least so often."""
LEAST_ATTEMPTS, LEAST_EVSES, LEAST_FAILURES = 3, 2, 2
"""Identifiable: so many attempts that could show it, at so many healthy EVSEs, since the fault; so many did."""
STRONG_RATE = 0.25
WEAK_FAILURES = 15
"""A weak EVSE fault counts as identifiable from so many failures on."""


@dataclass(frozen=True)
class World:
    """What a generator wrote beside its delivery; times are UTC."""

    attempts: pl.DataFrame
    vehicle_faults: pl.DataFrame
    evse_faults: pl.DataFrame
    pairings: pl.DataFrame
    vehicles: pl.DataFrame
    evses: pl.DataFrame


def read_world(truth: Path) -> World:
    """Read the truth of `sample_logs.second_world`."""
    names = ("attempts", "vehicle_faults", "evse_faults", "pairings", "vehicles", "evses")
    return World(*(pl.read_parquet(truth / f"{name}.parquet") for name in names))


def _state(faults: pl.DataFrame, end: datetime) -> pl.DataFrame:
    """Add `there` (at the end), `since` (begin of the last spell), `over` (repaired for good before the end)."""
    relapsed = (pl.col("relapse_at") < end).fill_null(value=False)
    repaired = ((pl.col("repaired_at") < end) & ~pl.col("repair_failed")).fill_null(value=False)
    begun = pl.col("onset_at") < end
    return faults.with_columns(
        (begun & (~repaired | relapsed)).alias("there"),
        (begun & repaired & ~relapsed).alias("over"),
        pl.when(relapsed).then("relapse_at").otherwise("onset_at").alias("since"),
    )


def _showing(world: World, faults: pl.DataFrame, end: datetime) -> pl.DataFrame:
    """By vehicle at fault: the attempts since then that could show it, at how many EVSEs, and those that did."""
    return (
        world.attempts.join(faults.select("vehicle_id", "since", "suspect"), on="vehicle_id")
        .filter(
            (pl.col("plugged_at") >= pl.col("since"))
            & (pl.col("plugged_at") < end)
            & pl.col("known")
            & (pl.col("p_vehicle") >= LEAST_CHANCE)
            & ~pl.col("evse_bites")
            & (pl.col("p_pairing") == 0)
            & ~pl.col("no_wish")
            # Where no EVSE sees the vehicle, only the vehicle itself can tell of its failures.
            & ((pl.col("suspect") != "pilot_open") | pl.col("telematics"))
            & (pl.col("supply") == "AC")
            & ~pl.col("outcome").is_in(["declined", "abandoned"])
        )
        .group_by("vehicle_id")
        .agg(
            pl.len().alias("showing"),
            pl.col("evse_id").n_unique().alias("evses"),
            (pl.col("cause") == "vehicle").sum().alias("own_failures"),
            pl.col("p_vehicle").mean().alias("bite"),
            pl.col("plugged_at")
            .filter(pl.col("cause") == "vehicle")
            .sort()
            .slice(2, 1)
            .first()
            .alias("third_at"),
        )
    )


def vehicle_truth(world: World, end: datetime) -> pl.DataFrame:
    """A row a vehicle: `kind` (null: never a fault), `there`, `over`, `since`, `identifiable`, what shows it."""
    faults = _state(world.vehicle_faults, end)
    return (
        world.vehicles.join(
            faults.drop("silent_share", strict=False).rename({"suspect": "kind"}),
            on="vehicle_id",
            how="left",
        )
        .join(_showing(world, faults, end), on="vehicle_id", how="left")
        .with_columns(
            pl.col("there", "over").fill_null(value=False),
            pl.col("showing", "evses", "own_failures").fill_null(0),
        )
        .with_columns(
            (
                pl.col("there")
                & (pl.col("showing") >= LEAST_ATTEMPTS)
                & (pl.col("evses") >= LEAST_EVSES)
                & (pl.col("own_failures") >= LEAST_FAILURES)
            ).alias("identifiable")
        )
    )


def evse_truth(world: World, end: datetime) -> pl.DataFrame:
    """A row an EVSE, as for vehicles; `strong` where a quarter or more fail."""
    faults = _state(world.evse_faults, end)
    shows = (
        world.attempts.join(faults.select("evse_id", "since"), on="evse_id")
        .filter(
            (pl.col("plugged_at") >= pl.col("since"))
            & (pl.col("plugged_at") < end)
            & pl.col("recorded")
            & pl.col("evse_bites")
        )
        .group_by("evse_id")
        .agg(
            pl.len().alias("showing"),
            (pl.col("cause") == "evse").sum().alias("own_failures"),
            (pl.col("outcome") == "failed").sum().alias("all_failures"),
            pl.col("vehicle_id")
            .filter(pl.col("cause") == "evse")
            .n_unique()
            .alias("vehicles_failed"),
            pl.col("p_evse").mean().alias("bite"),
        )
    )
    strong = pl.col("rate") >= STRONG_RATE
    enough = (
        pl.when(strong)
        .then((pl.col("own_failures") >= 3) & (pl.col("vehicles_failed") >= 2))
        .otherwise(pl.col("all_failures") >= WEAK_FAILURES)
    )
    return (
        world.evses.join(faults.rename({"suspect": "kind"}), on="evse_id", how="left")
        .join(shows, on="evse_id", how="left")
        .with_columns(pl.col("there", "over").fill_null(value=False), strong.alias("strong"))
        .with_columns((pl.col("there") & enough).fill_null(value=False).alias("identifiable"))
    )


def pairing_truth(world: World, end: datetime) -> pl.DataFrame:
    """A row a faulty pairing in force lately: vehicle model, EVSE model, firmware, `weak`, `identifiable`."""
    lately = end - timedelta(weeks=4)
    shows = (
        world.attempts.filter((pl.col("p_pairing") > 0) & (pl.col("plugged_at") < end))
        .group_by("vehicle_model", "evse_model", "firmware")
        .agg(
            pl.len().alias("showing"),
            (pl.col("cause") == "pairing").sum().alias("own_failures"),
            pl.col("p_pairing").mean().alias("bite"),
            pl.col("vehicle_id").n_unique().alias("vehicles"),
            pl.col("evse_id").n_unique().alias("evses"),
            pl.col("plugged_at").max().alias("last_at"),
        )
    )
    enough = (pl.col("own_failures") >= 5) & (pl.col("vehicles") >= 2) & (pl.col("evses") >= 2)
    return shows.with_columns(
        (pl.col("bite") < STRONG_RATE + 0.05).alias("weak"),
        (enough & (pl.col("last_at") >= lately)).alias("identifiable"),
    )
