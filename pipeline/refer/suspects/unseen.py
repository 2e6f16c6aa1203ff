"""Plug-ins that only the vehicle reported: evidence of an open pilot line.

With the line or the diode open the EVSE stays in state A, whatever is plugged in. A stay at which the vehicle charged was
elsewhere, at equipment that is not ours, and says nothing; one that no EVSE saw and that brought no charge may be so, by the
share of such stays the fleet has anyway (plugged in elsewhere, a log missing). A cumulative sum finds when it began.
"""

from __future__ import annotations

import math
from datetime import timedelta

import polars as pl

from pipeline.refer.suspects.cumulative_sum import cumulative

SLACK = timedelta(minutes=3)
"""Two clocks further apart do not tell of one plug-in (as `normalise.telematics_slack_s`)."""
ONE_VISIT = timedelta(hours=2)
"""Stays of one vehicle that begin so near each other are one visit: its retries fail for one cause."""
USUAL_LEAST, USUAL_MOST = 0.02, 0.5
CAP = math.log(1e5)
SCHEMA = pl.Schema(
    {
        "vehicle_id": pl.String(),
        "stays": pl.Int64(),
        "unseen": pl.Int64(),
        "unseen_since_utc": pl.Datetime("us", "UTC"),
        "unseen_log_factor": pl.Float64(),
    }
)


def stays(charging: pl.DataFrame) -> pl.DataFrame:
    """Stays as vehicles reported them (raw_charging): `vehicle_id, from_utc, until_utc, charged`."""
    order = ["vehicle_id", "at_utc", "line"]
    plugged = pl.col("event").is_in(["plugged", "unplugged"])
    ended = (pl.col("event") == "unplugged").cast(pl.Int64)
    return (
        charging.unique(["vehicle_id", "at_utc", "event"], keep="first", maintain_order=True)
        .sort(order)
        .with_columns(stay=plugged.cum_sum().over("vehicle_id") - ended)
        .group_by("vehicle_id", "stay", maintain_order=True)
        .agg(
            from_utc=pl.col("at_utc").filter(pl.col("event") == "plugged").first(),
            until_utc=pl.col("at_utc").max(),
            charged=(pl.col("event") == "charge_started").any(),
        )
        .filter(pl.col("from_utc").is_not_null())
        .drop("stay")
    )


def with_seen(told: pl.DataFrame, attempts: pl.DataFrame) -> pl.DataFrame:
    """Stays with `seen`: an EVSE recorded this vehicle meanwhile. `attempts`: core_attempt."""
    recorded = attempts.filter(
        pl.col("vehicle_id").is_not_null(), pl.col("source") != "telematics"
    ).select(
        "vehicle_id",
        begins=pl.col("plugged_at_utc") - SLACK,
        ends=pl.coalesce("unplugged_at_utc", "plugged_at_utc") + SLACK,
    )
    return (
        told.sort("until_utc")
        .join_asof(recorded.sort("begins"), left_on="until_utc", right_on="begins", by="vehicle_id", check_sortedness=False)
        .with_columns(seen=(pl.col("ends") >= pl.col("from_utc")).fill_null(value=False))
        .drop("begins", "ends")
    )  # fmt: skip


def unseen(charging: pl.DataFrame, attempts: pl.DataFrame) -> pl.DataFrame:
    """One row per vehicle that reports its plug-ins: columns as SCHEMA.

    `charging`: raw_charging of the look-back; `attempts`: core_attempt. `stays`, `unseen`: visits since the run began, and those
    that no EVSE saw; `unseen_log_factor`: natural log of how much likelier they are with an open line than without.
    """
    told = with_seen(stays(charging), attempts).filter(pl.col("seen") | ~pl.col("charged"))
    told = told.sort("vehicle_id", "from_utc").with_columns(
        visit=((pl.col("from_utc").diff() > ONE_VISIT).fill_null(value=True)).cum_sum().over("vehicle_id")
    )  # fmt: skip
    visits = told.group_by("vehicle_id", "visit", maintain_order=True).agg(
        plugged_at_utc=pl.col("from_utc").first(), silent=~pl.col("seen").any()
    )
    if visits.is_empty():
        return pl.DataFrame(schema=SCHEMA)
    share = visits["silent"].mean()
    usual = min(max(share if isinstance(share, float) else 0.0, USUAL_LEAST), USUAL_MOST)
    run = pl.col("plugged_at_utc") >= pl.col("begins_utc")
    return (
        cumulative(visits.with_columns(usual=pl.lit(usual)))
        .group_by("vehicle_id")
        .agg(
            stays=run.sum().cast(pl.Int64),
            unseen=(run & pl.col("silent")).sum().cast(pl.Int64),
            unseen_since_utc=pl.col("begins_utc").last(),
            unseen_log_factor=pl.col("score").last().clip(0.0, CAP),
        )
        .select(list(SCHEMA))
        .sort("vehicle_id")
    )
