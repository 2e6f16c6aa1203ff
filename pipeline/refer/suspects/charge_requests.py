"""Has a vehicle stopped asking for charge? A cumulative-sum test on its AC plug-ins, in order of
time.

A driver who only waits (timer, full) is no fault, so a vehicle is measured against how often it and
its fleet do not ask. Page's cumulative sum (E. S. Page, Biometrika 41, 1954; from memory): S =
max(0, S + log(P(x | fault) / P(x | usual))).
"""

from __future__ import annotations

import math

import polars as pl

from pipeline.settings.refer import ReferSettings

FAULTY_NOT_ASKING = 0.85
"""Share of plug-ins at which a vehicle with this fault does not ask; it may be intermittent. Common practice, no source."""
ALARM, SURE = math.log(1e3), math.log(1e5)
"""Log likelihood ratios from which a run counts as a sign, and as a strong one where it spans two EVSEs or more."""
OVER = math.log(100.0)
"""Fall of the sum below its peak, 100 to 1 for asking again, from which the run is over: three plug-ins that charge."""
ALL_ALONG_WORTH = 3.0
"""Plug-ins before the run that the vehicle's share over the whole look-back is worth: a handful of charges shows a change."""
USUAL_LEAST, USUAL_MOST = 0.01, 0.6


def asking(attempts: pl.DataFrame, settings: ReferSettings) -> pl.DataFrame:
    """One row per vehicle with an AC plug-in that shows whether it asked.

    Columns `vehicle_id, category` (asks, seldom_asks, never_asks), `since_utc` (when the run began,
    null if it asks), `plug_ins` and `not_asked` in the run, `evses` in the run. `attempts`:
    core_attempt of the look-back.
    """
    shown = attempts.filter(
        pl.col("supply") == "AC",
        pl.col("vehicle_id").is_not_null(),
        (pl.col("outcome").is_in(["charged", "not_requested"]))
        | (
            (pl.col("outcome") == "failed")
            & pl.col("stage").is_in(["requested", "energised", "delivering"])
        ),
    ).select(
        "vehicle_id",
        "evse_id",
        "plugged_at_utc",
        (pl.col("outcome") == "not_requested").alias("silent"),
    )
    if shown.is_empty():
        return pl.DataFrame(schema=_SCHEMA)
    fleet = pl.lit(min(max(float(shown["silent"].mean()), USUAL_LEAST), USUAL_MOST))  # type: ignore[arg-type]
    first = cumulative(shown.with_columns(usual=fleet))
    before = pl.col("begins_utc").is_null() | (pl.col("plugged_at_utc") < pl.col("begins_utc"))
    # where little lies before the run, silence all along may be a habit: then only more of it than
    # any habit is a sign
    own = ((pl.col("silent") & before).sum() + ALL_ALONG_WORTH * pl.col("silent").mean()) / (
        before.sum() + ALL_ALONG_WORTH
    )
    usual = pl.max_horizontal(own.over("vehicle_id"), fleet).clip(USUAL_LEAST, USUAL_MOST)
    rows = cumulative(first.select(*shown.columns, usual.alias("usual")))
    run = pl.col("plugged_at_utc") >= pl.col("begins_utc")
    result = rows.group_by("vehicle_id").agg(
        pl.col("score").last(),
        (pl.col("walk").filter(run).max() - pl.col("walk").last()).alias("fallen"),
        pl.col("begins_utc").last().alias("since_utc"),
        run.sum().cast(pl.Int64).alias("plug_ins"),
        pl.col("silent").filter(run).sum().cast(pl.Int64).alias("not_asked"),
        pl.col("evse_id").filter(run).n_unique().cast(pl.Int64).alias("evses"),
    )
    seldom = (
        (pl.col("score") >= ALARM)
        & (pl.col("fallen") < OVER)
        & (pl.col("not_asked") >= settings.never_asks_least)
    )
    never = seldom & (pl.col("score") >= SURE) & (pl.col("evses") >= 2)
    return result.with_columns(
        pl.when(never)
        .then(pl.lit("never_asks"))
        .when(seldom)
        .then(pl.lit("seldom_asks"))
        .otherwise(pl.lit("asks"))
        .alias("category"),
        pl.when(seldom).then("since_utc").alias("since_utc"),
    ).select(list(_SCHEMA))


_SCHEMA = pl.Schema(
    {
        "vehicle_id": pl.String(),
        "category": pl.String(),
        "since_utc": pl.Datetime("us", "UTC"),
        "plug_ins": pl.Int64(),
        "not_asked": pl.Int64(),
        "evses": pl.Int64(),
    }
)


def cumulative(shown: pl.DataFrame) -> pl.DataFrame:
    """Rows in order of time with the cumulative sum at the end (`score`) and when its last run
    began (`begins_utc`).
    """
    silent = (pl.lit(FAULTY_NOT_ASKING) / pl.col("usual")).log()
    asked = (pl.lit(1 - FAULTY_NOT_ASKING) / (1 - pl.col("usual"))).log()
    by = "vehicle_id"
    return (
        shown.sort(by, "plugged_at_utc")
        .with_columns(pl.when("silent").then(silent).otherwise(asked).alias("step"))
        .with_columns(pl.col("step").cum_sum().over(by).alias("walk"))
        .with_columns(pl.min_horizontal((pl.col("walk") - pl.col("step")).cum_min().over(by), "walk").alias("lowest"))
        .with_columns((pl.col("walk") - pl.col("lowest")).last().over(by).alias("score"))
        .with_columns(
            pl.col("plugged_at_utc").filter((pl.col("walk") - pl.col("step")) <= pl.col("lowest").last()).last().over(by)
            .alias("begins_utc")
        )
        .with_columns(pl.when(pl.col("score") > 0).then("begins_utc").alias("begins_utc"))
    )  # fmt: skip
