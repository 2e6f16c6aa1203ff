"""Which readings of the pilot tell of a vehicle today: without those from before it was mended, the latest by day or attempt."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.circuit.pilot import GENERATOR_V, LOAD_OHM, low_v
from pipeline.core.constants import MEDIAN_EFFICIENCY

SHORTED_LIFT_V = {s + "2": GENERATOR_V + low_v(LOAD_OHM[s]) for s in "BC"}
"""How far a shorted diode lifts the negative level: 3.2 V in B2, 6.4 V in C2."""
HIGH_LIFT, BACK_SHARE, BACK_ATTEMPTS = 0.1, 0.25, 3
"""A level was high from a tenth of that lift, and is back when three attempts in a row stay under a quarter of it. Derived."""


def without_mended(rows: pl.DataFrame) -> pl.DataFrame:
    """Readings without those from before a lifted level went back to usual by itself: somebody
    mended it, told or not.

    `rows`: as `against_usual` gives them. Mended is a vehicle whose last attempts all lie under a
    quarter of its high readings; a leak that grows has its last readings highest.
    """
    short = pl.col("state").replace_strict(SHORTED_LIFT_V, return_dtype=pl.Float64)
    rows = rows.with_columns(((pl.col("low_v") - pl.col("usual_v")) / short).alias("lift"))
    by_attempt = (
        rows.filter(pl.col("lift").is_not_null())
        .group_by("vehicle_id", "attempt_id", "at")
        .agg(pl.col("lift").max())
        .sort("vehicle_id", "at", "attempt_id")
    )
    high, latest = pl.col("lift").quantile(0.9), pl.col("lift").tail(BACK_ATTEMPTS).max()
    spans = by_attempt.group_by("vehicle_id", maintain_order=True).agg(
        pl.when((high >= HIGH_LIFT) & (latest < BACK_SHARE * high))
        .then(pl.col("at").filter(pl.col("lift") >= BACK_SHARE * high).max())
        .alias("high_until_utc")
    )
    return (
        rows.join(spans, on="vehicle_id", how="left", maintain_order="left")
        .filter(pl.col("high_until_utc").is_null() | (pl.col("at") > pl.col("high_until_utc")))
        .drop("lift", "high_until_utc")
    )


@dataclass(frozen=True)
class Window:
    """Which readings tell of today: those of the last `days`, and the last `attempts` as far back as `most_days`."""

    days: float
    attempts: int = 0
    most_days: float = 0.0


def recent(
    rows: pl.DataFrame, since: pl.DataFrame, creeping: pl.Series, steady: Window, moving: Window
) -> pl.DataFrame:
    """Readings to judge a vehicle's pilot by today: per vehicle, EVSE and state, as
    `circuit.reverse_path` takes them, and `high_off_v` with `high_se_v`.

    `rows`: as `against_usual` gives them; `since`: `vehicle_id, since_utc` (null: no bound), before
    which readings say nothing of today, such as the onset of a fault or a repair; `creeping`:
    vehicles whose level moves by the day, so that only the last days tell where it is; the windows
    of the others (`steady`) and of these (`moving`).
    """
    kept = rows.join(since, on="vehicle_id", how="left", maintain_order="left").filter(
        pl.col("since_utc").is_null() | (pl.col("at") >= pl.col("since_utc"))
    )
    age_days = (
        pl.col("at").max().over("vehicle_id") - pl.col("at")
    ).dt.total_microseconds() / 86_400e6
    back = pl.col("at").rank("dense", descending=True).over("vehicle_id")
    moves = pl.col("vehicle_id").is_in(creeping.implode())
    kept = kept.filter(
        pl.when(moves)
        .then(_within(moving, age_days, back))
        .otherwise(_within(steady, age_days, back))
    )
    se = MEDIAN_EFFICIENCY * pl.col("noise_v").first() / pl.len().sqrt()
    high_off = pl.col("high_v") - pl.col("usual_high_v")
    return (
        kept.group_by("vehicle_id", "evse_id", "state", maintain_order=True)
        .agg(
            (pl.col("low_v") - pl.col("usual_v")).median().alias("above_v"),
            pl.col("usual_v").mean(),
            se.alias("se_v"),
            pl.col("usual_se_v").max(),
            pl.when(pl.col("low_v").is_not_null())
            .then(pl.col("usual_from") == "nominal")
            .otherwise(pl.col("usual_high_v").is_null())
            .any()
            .alias("nominal"),
            high_off.median().alias("high_off_v"),
            (se**2 + pl.col("usual_high_se_v").max() ** 2).sqrt().alias("high_se_v"),
        )
        .with_columns((pl.col("usual_v") + pl.col("above_v")).alias("low_v"))
    )


def _within(window: Window, age_days: pl.Expr, back: pl.Expr) -> pl.Expr:
    return (age_days < window.days) | ((back <= window.attempts) & (age_days < window.most_days))
