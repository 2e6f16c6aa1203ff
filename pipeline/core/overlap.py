"""Pairs of spans of time that meet, without comparing everything with everything.

By the days they cover.
"""

from __future__ import annotations

import polars as pl

from pipeline.core.constants import DAY_S


def covered(frame: pl.DataFrame, start: pl.Expr, end: pl.Expr) -> pl.DataFrame:
    """A row for each day from `start` to `end`, in `_day`; `_first` is the first of them."""
    first, last = start.dt.epoch("s") // DAY_S, end.dt.epoch("s") // DAY_S
    days = pl.int_ranges(first, pl.max_horizontal(first, last) + 1)
    return frame.with_columns(_first=first, _day=days).explode("_day", empty_as_null=False)


def meeting(
    left: pl.DataFrame,
    right: pl.DataFrame,
    by: str,
    spans: tuple[tuple[pl.Expr, pl.Expr], tuple[pl.Expr, pl.Expr]],
    suffix: str = "_b",
) -> pl.DataFrame:
    """Pairs of rows with equal `by` whose closed spans meet, each pair once; the right's columns
    under the suffix.

    `spans` are start and end of the left's and of the right's rows, in their own columns.
    """
    (a, b), (c, d) = spans
    one = covered(left.with_columns(_a=a, _b=b), pl.col("_a"), pl.col("_b"))
    other = covered(right.with_columns(_c=c, _d=d), pl.col("_c"), pl.col("_d")).rename(
        {"_first": "_first_right"}
    )
    pairs = one.join(other, on=[by, "_day"], suffix=suffix, maintain_order="left_right")
    once = pl.col("_day") == pl.max_horizontal("_first", "_first_right")
    meet = (pl.col("_a") <= pl.col("_d")) & (pl.col("_c") <= pl.col("_b"))
    return pairs.filter(once & meet).drop("_a", "_b", "_c", "_d", "_day", "_first", "_first_right")
