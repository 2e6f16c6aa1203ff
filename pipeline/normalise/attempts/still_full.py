"""A full battery that tells no state of charge: what the vehicle's attempts around this one say."""

from __future__ import annotations

from datetime import timedelta

import polars as pl

from pipeline.core.masks import is_true
from pipeline.settings.normalise import NormaliseSettings


def with_full_before(attempts: pl.DataFrame, settings: NormaliseSettings) -> pl.DataFrame:
    """Adds `full_before`: the vehicle came here full, as far as its own attempts tell.

    Its last charge was ended by itself, it rested there for `retry_gap_s` and was unplugged no longer
    than `still_full_s` before this plug-in; no state of charge says otherwise, and it does not charge
    within `still_full_s` after. Facts, H4 (a new plug-in soon, a low state of charge speak for a fault).
    """
    near = timedelta(seconds=settings.still_full_s)
    end = pl.coalesce("unplugged_at_utc", "seen_utc")
    charged = (
        attempts.filter(pl.col("vehicle_id").is_not_null() & is_true(pl.col("energy_kwh") > 0))
        .select("vehicle_id", "plugged_at_utc", _left=end, _full=_ended_full(end, settings))
        .sort("plugged_at_utc", "_left")
    )
    numbered = attempts.with_row_index("_row").sort("plugged_at_utc")
    for side, strategy in (("_before", "backward"), ("_after", "forward")):
        numbered = numbered.join_asof(
            charged.rename({"_left": f"_left{side}", "_full": f"_full{side}"}).with_columns(
                pl.col("plugged_at_utc").alias(f"_at{side}")
            ),
            on="plugged_at_utc",
            by="vehicle_id",
            strategy=strategy,  # type: ignore[arg-type]
            allow_exact_matches=False,
            check_sortedness=False,
        )
    soon = is_true(pl.col("_at_after") - end <= near)
    rested = is_true(pl.col("_full_before")) & is_true(
        pl.col("plugged_at_utc") - pl.col("_left_before") <= near
    )
    return (
        numbered.with_columns(full_before=rested & ~soon & ~_said_lower(settings))
        .sort("_row")
        .drop("_row", pl.selectors.matches("^_(left|full|at)_(before|after)$"))
    )


def _said_lower(settings: NormaliseSettings) -> pl.Expr:
    told = pl.max_horizontal("soc_plug_pct", "soc_leave_pct")
    return is_true(told < settings.not_full_soc_pct)


def _ended_full(end: pl.Expr, settings: NormaliseSettings) -> pl.Expr:
    """The vehicle ended the charge by itself, without a fault, and rested there."""
    rest = timedelta(seconds=settings.retry_gap_s)
    return (
        is_true(end - pl.col("ev_suspended_at_utc") >= rest)
        & pl.col("fault_utc").is_null()
        & ~is_true(pl.col("vehicle_fault"))
        & ~_said_lower(settings)
    )
