"""What is true in a simulated world at the end of the report week, in the terms of the answer."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import polars as pl

from sample_logs.generator.world import World

CREEPING = ("pilot_diode_leaky",)
"""Faults that begin before they show.

Their onset is not the spell's begin, and before they show they are neither faulty nor sound ('latent').
"""
LATENT_DAYS = 14
HALF_MENDED = 3
"""A unit that itself caused so many failures in the report week after its repair is neither faulty nor sound.

The repair held by half.
"""
IDENTIFIABLE_EVSES = 2
SERVED_OTHERS = 3
"""Identifiable: it failed at two EVSEs or more that charged others three times or more in the same fortnight."""


@dataclass(frozen=True)
class Truth:
    """`vehicles`: one row per vehicle with an AC attempt: faulty, latent, since_utc (null for
    creeping), third_utc, identifiable.

    `evses`: one row per EVSE with an attempt: faulty, latent, since_utc.  `causes`: attempt_id,
    cause of each failed attempt.
    """

    vehicles: pl.DataFrame
    evses: pl.DataFrame
    causes: pl.DataFrame


def attempts_of(world: World) -> pl.DataFrame:
    """The world's attempts as attribution takes them."""
    return world.attempts.rename({"plugged_at": "plugged_at_utc"}).with_columns(
        pl.col("plugged_at_utc").dt.cast_time_unit("us"), pl.lit(1.0).alias("weight")
    )


def truth_of(world: World) -> Truth:
    """Truth at the end of the world, which is the end of the report week."""
    attempts = attempts_of(world).filter(pl.col("outcome").is_in(["charged", "failed"]))
    ac = attempts.filter(pl.col("supply") == "AC")
    vehicles = _units(world, ac, world.vehicle_truth, "vehicle_id", "vehicle").join(
        _third(world, ac), on="vehicle_id", how="left"
    )
    return Truth(
        vehicles=vehicles.with_columns(pl.col("identifiable").fill_null(value=False)),
        evses=_units(world, attempts, world.evse_truth, "evse_id", "evse"),
        causes=attempts.filter(pl.col("outcome") == "failed").select("attempt_id", "cause"),
    )


def _units(
    world: World, attempts: pl.DataFrame, spells: pl.DataFrame, key: str, cause: str
) -> pl.DataFrame:
    """One row per unit met.

    Fault state on at the end, whether it has shown itself in the last fortnight.
    """
    late, other = (
        world.spec.end - timedelta(days=LATENT_DAYS),
        "evse_id" if key == "vehicle_id" else "vehicle_id",
    )
    shown = attempts.filter((pl.col("cause") == cause) & (pl.col("outcome") == "failed"))
    on = (
        spells.filter(pl.col("to_utc").is_null())
        .select(key, "fault", "severity", since_utc="from_utc")
        .unique(key, keep="last")
    )
    recent = (
        shown.filter(pl.col("plugged_at_utc") >= late)
        .group_by(key)
        .agg(pl.len().alias("shown_lately"), pl.col(other).n_unique().alias("partners_shown"))
    )
    once = shown.join(on.select(key, "since_utc"), on=key).filter(
        pl.col("plugged_at_utc") >= pl.col("since_utc")
    )
    met = attempts.select(key).drop_nulls().unique().sort(key)
    frame = met.join(on, on=key, how="left").join(recent, on=key, how="left")
    frame = frame.join(once.group_by(key).agg(pl.len().alias("shown")), on=key, how="left")
    frame = frame.join(_failed_though_mended(world, shown, spells, key), on=key, how="left")
    return frame.with_columns(
        pl.col("shown_lately", "partners_shown", "shown", "shown_this_week").fill_null(0)
    ).with_columns(
        faulty=pl.col("fault").is_not_null() & (pl.col("shown_lately") > 0),
        latent=pl.when(pl.col("fault").is_null())
        .then(pl.col("shown_this_week") >= HALF_MENDED)
        .otherwise(pl.col("shown_lately") == 0),
        since_utc=pl.when(~pl.col("fault").is_in(CREEPING)).then("since_utc"),
    )


def _failed_though_mended(
    world: World, shown: pl.DataFrame, spells: pl.DataFrame, key: str
) -> pl.DataFrame:
    """By unit: failures of its own in the last week that came after its last spell was over (`shown_this_week`)."""
    mended = spells.filter(pl.col("to_utc").is_not_null()).group_by(key).agg(pl.col("to_utc").max())
    week = shown.filter(pl.col("plugged_at_utc") >= world.spec.end - timedelta(days=7))
    after = week.join(mended, on=key).filter(pl.col("plugged_at_utc") > pl.col("to_utc"))
    return after.group_by(key).agg(pl.len().alias("shown_this_week"))


def _third(world: World, ac: pl.DataFrame) -> pl.DataFrame:
    """For each vehicle with the vehicle to blame.

    Time of its third such failure, and whether it could be told from its EVSEs.
    """
    on = (
        world.vehicle_truth.filter(pl.col("to_utc").is_null())
        .select("vehicle_id", "from_utc")
        .unique("vehicle_id", keep="last")
    )
    blamed = ac.filter((pl.col("outcome") == "failed") & (pl.col("cause") == "vehicle")).join(
        on, on="vehicle_id"
    )
    blamed = blamed.filter(pl.col("plugged_at_utc") >= pl.col("from_utc")).sort("plugged_at_utc")
    late = world.spec.end - timedelta(days=LATENT_DAYS)
    good = ac.filter((pl.col("outcome") == "charged") & (pl.col("plugged_at_utc") >= late))
    served = good.group_by("evse_id").agg(pl.len().alias("all"))
    own = good.group_by("vehicle_id", "evse_id").agg(pl.len().alias("own"))
    told = (
        blamed.filter(pl.col("plugged_at_utc") >= late)
        .unique(["vehicle_id", "evse_id"])
        .join(served, on="evse_id")
    )
    told = told.join(own, on=["vehicle_id", "evse_id"], how="left")
    told = told.filter(pl.col("all") - pl.col("own").fill_null(0) >= SERVED_OTHERS)
    wide = told.group_by("vehicle_id").agg((pl.len() >= IDENTIFIABLE_EVSES).alias("identifiable"))
    third = blamed.group_by("vehicle_id").agg(
        pl.col("plugged_at_utc").sort().get(2, null_on_oob=True).alias("third_utc")
    )
    return third.join(wide, on="vehicle_id", how="left")
