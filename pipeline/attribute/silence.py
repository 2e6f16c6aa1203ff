"""Which attempts were silent, which asked, and how much a silence looks like a fault."""

from __future__ import annotations

import polars as pl

ASKED = ("requested", "energised", "delivering")
"""Stages at which the vehicle has asked for charge (IEC 61851-1 state C or later)."""


def with_silence(attempts: pl.LazyFrame) -> pl.LazyFrame:
    """Add `silent`, `asked` (Boolean) and `wish` (log odds for a fault against the driver's wish).

    `silent` as given where the frame has it; else an AC attempt of outcome 'not_requested'.
    """
    names = attempts.collect_schema().names()
    outcome, ac = pl.col("outcome"), pl.col("supply") == "AC"
    given = pl.col("silent") if "silent" in names else (outcome == "not_requested") & ac
    stage = pl.col("stage").is_in(ASKED) if "stage" in names else pl.lit(value=False)
    silent = given.fill_null(value=False) & (outcome != "charged")
    asked = ((outcome == "charged") | ((outcome == "failed") & stage)).fill_null(value=False)
    return attempts.with_columns(
        silent.alias("silent"), (asked & ~silent).alias("asked"), pl.lit(0.0).alias("wish")
    )
