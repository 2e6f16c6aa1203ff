"""What follows of a story for any protocol: who was seen, when a transaction began and ended. Written from the contract alone."""

from __future__ import annotations

import polars as pl

EASED_FOR_S = 60.0
"""A vehicle that is full so long before it leaves is seen to have eased."""


def with_steps(story: pl.DataFrame) -> pl.DataFrame:
    """Add what follows for any protocol: who was seen, when the transaction began and ended, how it eased."""
    unseen = (pl.col("trouble") == "unseen").fill_null(value=False)
    no_answer = (pl.col("trouble") == "no_answer").fill_null(value=False)
    carded = (
        pl.col("auth_s").is_not_null()
        & (pl.col("auth_s") < pl.col("fault_s").fill_null(1e12))
        & (~unseen | (pl.col("auth_s") < 0))
    )
    accepted = carded & ~pl.col("declined") & ~no_answer
    begun = accepted & ~unseen
    return story.with_columns(
        unseen.alias("unseen"),
        no_answer.alias("no_answer"),
        carded.alias("carded"),
        accepted.alias("accepted"),
        pl.when(begun & (pl.col("begins") == "energised"))
        .then("close_s")
        .when(begun & pl.col("begins").is_in(["authorised"]))
        .then(pl.col("auth_s").clip(0) + 0.8)
        .when((pl.col("begins") == "plugged") & ~unseen)
        .then(0.3)
        .otherwise(None)
        .alias("tx_s"),
        ((pl.col("left_s") - pl.col("eased_s")) > EASED_FOR_S)
        .fill_null(value=False)
        .alias("eases"),
        (pl.col("trouble") == "dropped").fill_null(value=False).alias("dropped"),
        (pl.col("code").is_not_null() & (pl.col("trouble") != "dropped"))
        .fill_null(value=False)
        .alias("faulted"),
        pl.min_horizontal(
            pl.col("left_s"), pl.when("by_card").then(pl.col("left_s") - 25).otherwise("left_s")
        ).alias("off_s"),
    ).with_columns(
        pl.when("faulted")
        .then(pl.col("fault_s") + 0.6)
        .when(pl.col("by_card") & (pl.col("left_s") > 300))
        .then("off_s")
        .otherwise("left_s")
        .alias("end_s"),
    )
