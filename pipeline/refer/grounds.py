"""The figures a vehicle's reason rests on, counted from its attempts: how others fared, whom its failures are attributed to."""

from __future__ import annotations

import polars as pl

SHARES = {
    "p_vehicle": "the vehicle",
    "p_evse": "its EVSEs",
    "p_pairing": "an incompatible pairing",
    "p_other": "chance",
}


def grounds(attempts: pl.DataFrame, since: pl.DataFrame) -> pl.DataFrame:
    """One row per vehicle with a failed AC attempt in the look-back.

    `others_attempts`, `others_failures`: of all others at the EVSEs where it failed since `since` (`vehicle_id, since_utc`, null:
    no bound), in that time. `attributed_to`, `attributed_share`: to whom most of its failures are attributed, and the share.
    """
    used = attempts.filter(
        pl.col("supply") == "AC", pl.col("outcome").is_in(["charged", "failed"])
    ).with_columns(bad=pl.col("outcome") == "failed")
    own = used.filter(pl.col("vehicle_id").is_not_null(), "bad")
    shares = own.group_by("vehicle_id").agg(pl.col(name).mean() for name in SHARES)
    most = pl.max_horizontal(list(SHARES))
    named = pl.coalesce(
        pl.when(pl.col(name) == most).then(pl.lit(words)) for name, words in SHARES.items()
    )
    return shares.select("vehicle_id", attributed_to=named, attributed_share=most).join(
        _others(used, own, since), on="vehicle_id", how="left"
    )


def _others(used: pl.DataFrame, own: pl.DataFrame, since: pl.DataFrame) -> pl.DataFrame:
    """How all others fared at the EVSEs where each vehicle failed, week by week since its trouble began."""
    week = pl.col("plugged_at_utc").dt.truncate("1w")
    counts = used.group_by("evse_id", week.alias("week_utc")).agg(
        n=pl.len(), bad=pl.col("bad").sum()
    )
    mine = used.group_by("vehicle_id", "evse_id", week.alias("week_utc")).agg(
        own_n=pl.len(), own_bad=pl.col("bad").sum()
    )
    met = (
        own.join(since, on="vehicle_id", how="left")
        .filter(pl.col("since_utc").is_null() | (pl.col("plugged_at_utc") >= pl.col("since_utc")))
        .select("vehicle_id", "evse_id", from_utc=pl.col("since_utc").dt.truncate("1w"))
        .unique()
    )
    return (
        met.join(counts, on="evse_id")
        .filter(pl.col("from_utc").is_null() | (pl.col("week_utc") >= pl.col("from_utc")))
        .join(mine, on=["vehicle_id", "evse_id", "week_utc"], how="left")
        .group_by("vehicle_id")
        .agg(
            others_attempts=(pl.col("n") - pl.col("own_n").fill_null(0)).sum().cast(pl.Int64),
            others_failures=(pl.col("bad") - pl.col("own_bad").fill_null(0)).sum().cast(pl.Int64),
        )
    )
