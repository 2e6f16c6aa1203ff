"""What each family of EVSEs calls a trouble, on the wire and in its pilot record. Written from the contract alone."""

from __future__ import annotations

import polars as pl

from sample_logs.second_world.models import TROUBLES

VENDOR = "https://chargex.inl.gov"


def worded(story: pl.DataFrame) -> pl.DataFrame:
    """Add `code` (OCPP 1.6), `vendor_code` and `info` (null where the family gives none) for each trouble."""
    family = pl.col("words")
    return (
        story.join(
            TROUBLES.rename({"words": "text", "code": "plain"}),
            on="trouble",
            how="left",
            maintain_order="left",
        )
        .with_columns(
            pl.when(family == "coarse")
            .then("coarse")
            .when(family == "own")
            .then(
                pl.when(pl.col("trouble").is_in(["ground", "lock", "dropped"]))
                .then("plain")
                .otherwise(pl.lit("OtherError"))
            )
            .otherwise("plain")
            .alias("code"),
            pl.when(family == "mrec")
            .then("mrec")
            .when(family == "own")
            .then("own")
            .otherwise(None)
            .alias("vendor_code"),
            pl.when(family.is_in(["own", "plain"])).then("text").otherwise(None).alias("info"),
        )
        .with_columns(pl.when(pl.col("plain").is_null()).then(None).otherwise("code").alias("code"))
        .drop("plain", "mrec", "own", "coarse")
    )


def first_of(cases: list[tuple[pl.Expr, str]], otherwise: str) -> pl.Expr:
    """The word of the first case that holds."""
    word = pl.lit(otherwise)
    for case, said in reversed(cases):
        word = pl.when(case.fill_null(value=False)).then(pl.lit(said)).otherwise(word)
    return word
