"""A cumulative-sum test on a vehicle's plug-ins, in order of time: since when something is missing.

Page's cumulative sum (E. S. Page, Biometrika 41, 1954; from memory): S = max(0, S + log(P(x | fault) / P(x | usual))).
"""

from __future__ import annotations

import polars as pl


def cumulative(shown: pl.DataFrame, faulty: float | pl.Expr) -> pl.DataFrame:
    """Rows in order of time with the cumulative sum at the end (`score`) and when its last run
    began (`begins_utc`).
    """
    share = faulty if isinstance(faulty, pl.Expr) else pl.lit(faulty)
    silent = (share / pl.col("usual")).log()
    asked = ((1 - share) / (1 - pl.col("usual"))).log()
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
