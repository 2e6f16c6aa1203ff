"""A diode that begins to leak, seen before it fails: each vehicle's negative level over the weeks,
against the EVSEs' usual levels.

Mixed model, by vehicle i, EVSE e and week w (w counts back from the report week's end):
    low - usual(e, w) = a_i + b_i w + noise(e, w),  a_i ~ N(0, tau_a^2), b_i ~ N(0, tau_b^2) for
    healthy vehicles.
The EVSE's effect is taken out robustly (the other vehicles' median there), so a few leaking
vehicles cannot bend it; tau_a and tau_b come from the fleet's medians, so they cannot hide in them
either. A vehicle is `rising` when both its level now and its slope stand out of that spread, by a
bound on the share of healthy vehicles so flagged; `jumped` when it went up at once.
"""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.stats import norm

from pipeline.core.constants import MEDIAN_EFFICIENCY, NORMAL_MAD
from pipeline.core.weeks import LookBack
from pipeline.refer.suspects.recent import SHORTED_LIFT_V
from pipeline.settings.refer import ReferSettings

Floats = NDArray[np.float64]

WEEK = timedelta(weeks=1)
SLOPE_SHARE = 0.05
"""One-sided chance that a healthy vehicle's slope passes alone; the level's own bound does the rest."""

BETWEEN, RAMP_LEAST = 0.75, 0.2
"""A diode that shorts at once goes straight to that; one that creeps spends weeks under three quarters of it. Derived."""

SCHEMA = pl.Schema(
    {
        "vehicle_id": pl.String(),
        "category": pl.String(),
        "weeks": pl.Int64(),
        "above_v": pl.Float64(),
        "above_z": pl.Float64(),
        "slope_v_per_week": pl.Float64(),
        "slope_z": pl.Float64(),
        "drift_since_utc": pl.Datetime("us", "UTC"),
    }
)


def weekly(levels: pl.DataFrame) -> pl.DataFrame:
    """Per vehicle and week: `above_v` (negative level above usual, inverse-variance mean over EVSEs),
    `precision`, `week_utc`.

    `levels`: as `against_usual` gives them. Only rows whose usual level other vehicles gave.
    """
    return (
        levels.filter(pl.col("usual_from") != "nominal", pl.col("low_v").is_not_null())
        .group_by("vehicle_id", "week_utc", "evse_id", "state")
        .agg(
            (pl.col("low_v") - pl.col("usual_v")).median().alias("above_v"),
            (
                MEDIAN_EFFICIENCY**2 * pl.col("noise_v").first() ** 2 / pl.len()
                + pl.col("usual_se_v").first() ** 2
            ).alias("var"),
        )
        .sort("vehicle_id", "week_utc", "evse_id", "state")
        .group_by("vehicle_id", "week_utc", maintain_order=True)
        .agg(
            ((pl.col("above_v") / pl.col("var")).sum() / (1 / pl.col("var")).sum()).alias(
                "above_v"
            ),
            (1 / pl.col("var")).sum().alias("precision"),
        )
        .sort("vehicle_id", "week_utc")
    )


def drift_table(levels: pl.DataFrame, look_back: LookBack, settings: ReferSettings) -> pl.DataFrame:
    """One row per vehicle with levels in three weeks or more of the look-back, the last two
    included: columns as SCHEMA.
    """
    by_week = weekly(levels).with_columns(
        (
            (pl.col("week_utc") + WEEK / 2 - pl.lit(look_back.to_utc)).dt.total_seconds()
            / WEEK.total_seconds()
        ).alias("x")
    )
    p, x, y = pl.col("precision"), pl.col("x"), pl.col("above_v")
    sums = by_week.group_by("vehicle_id", maintain_order=True).agg(
        pl.len().cast(pl.Int64).alias("weeks"), x.max().alias("last_x"),
        p.sum().alias("s0"), (p * x).sum().alias("s1"), (p * x * x).sum().alias("s2"),
        (p * y).sum().alias("t0"), (p * x * y).sum().alias("t1"),
    ).filter(pl.col("weeks") >= 3, pl.col("last_x") > -2.0)  # fmt: skip
    if sums.is_empty():
        return pl.DataFrame(schema=SCHEMA)
    det = pl.col("s0") * pl.col("s2") - pl.col("s1") ** 2
    fits = sums.with_columns(
        ((pl.col("s2") * pl.col("t0") - pl.col("s1") * pl.col("t1")) / det).alias("above_v"),
        ((pl.col("s0") * pl.col("t1") - pl.col("s1") * pl.col("t0")) / det).alias(
            "slope_v_per_week"
        ),
        (pl.col("s2") / det).alias("above_var"),
        (pl.col("s0") / det).alias("slope_var"),
    )
    for name, value in (("above", "above_v"), ("slope", "slope_v_per_week")):
        sd = np.sqrt(
            fits[f"{name}_var"].to_numpy()
            + spread(fits[value].to_numpy(), fits[f"{name}_var"].to_numpy()) ** 2
        )
        fits = fits.with_columns(pl.Series(f"{name}_z", fits[value].to_numpy() / sd))
    rising = (
        (pl.col("above_z") >= norm.isf(settings.drift_false_alarm))
        & (pl.col("slope_z") >= norm.isf(SLOPE_SHARE))
        & (pl.col("above_v") >= settings.drift_least_v)
    )
    jumped = rising & (pl.col("between_share") < RAMP_LEAST)
    fits = fits.join(_between(levels, settings), on="vehicle_id", how="left")
    return (
        fits.with_columns(
            pl.when(jumped)
            .then(pl.lit("jumped"))
            .when(rising)
            .then(pl.lit("rising"))
            .otherwise(pl.lit("steady"))
            .alias("category")
        )
        .join(_left_band(by_week, settings), on="vehicle_id", how="left")
        .with_columns(
            pl.when(pl.col("category") != "steady").then("drift_since_utc").alias("drift_since_utc")
        )
        .select(list(SCHEMA))
    )


def _between(levels: pl.DataFrame, settings: ReferSettings) -> pl.DataFrame:
    """`between_share`.

    Of a vehicle's lifted readings the share that lies between the usual level and a shorted
    diode's.
    """
    above = pl.col("low_v") - pl.col("usual_v")
    short = pl.col("state").replace_strict(SHORTED_LIFT_V, return_dtype=pl.Float64)
    lifted = above > settings.drift_least_v + 3 * pl.col("noise_v")
    return (
        levels.filter(pl.col("usual_from") != "nominal", lifted)
        .group_by("vehicle_id")
        .agg((above < BETWEEN * short).mean().alias("between_share"))
    )


def spread(estimate: Floats, variance: Floats) -> float:
    """Standard deviation tau of sound units: median(|estimate| / sqrt(variance + tau^2)) = 0.6745;
    0 if none is needed.

    Solved by bisection; robust to up to half the units being odd.
    """
    low, high = 0.0, float(np.max(np.abs(estimate))) + 1e-12

    def excess(tau: float) -> float:
        return float(np.median(np.abs(estimate) / np.sqrt(variance + tau**2))) - NORMAL_MAD

    if excess(low) <= 0:
        return 0.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if excess(middle) > 0 else (low, middle)
    return high


def _left_band(by_week: pl.DataFrame, settings: ReferSettings) -> pl.DataFrame:
    """`drift_since_utc`.

    The end of a vehicle's last week within the usual band, or its first week's start if there is
    none.
    """
    inside = pl.col("above_v") < settings.drift_least_v
    return by_week.group_by("vehicle_id").agg(
        pl.coalesce(pl.col("week_utc").filter(inside).max() + WEEK, pl.col("week_utc").min()).alias(
            "drift_since_utc"
        )
    )
