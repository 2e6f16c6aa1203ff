"""Masks without nulls: what is not known to hold does not hold."""

from __future__ import annotations

import polars as pl


def is_true(mask: pl.Expr) -> pl.Expr:
    """The mask with null as False."""
    return mask.fill_null(value=False)
