"""Records of what cannot be, planted with the dirt: each is listed in the truth with its kind.

- `register_backwards`: a stop (1.6) or end (2.0.1) with a register below the start's.
- `register_leap`: a meter reading far beyond what the EVSE can deliver.
- `closed_in_b`: contactor closed while the vehicle does not ask (pilot row, state B2).
- `level_out_of_range`: a positive level far above the generator's 12 V.
- `duty_forbidden`: a running AC pilot with a duty cycle in a forbidden band.
"""

from __future__ import annotations

import numpy as np
import polars as pl

SHARE = 0.0015
"""Of the records a kind can befall, with dirt 1."""
BACK_WH, LEAP_WH = 1_250, 900_000


def _some(frame: pl.DataFrame, able: pl.Expr, rng: np.random.Generator, dirt: float) -> pl.Series:
    """Mask of the rows picked among those able."""
    drawn = pl.Series(rng.random(frame.height) < min(SHARE * dirt, 0.2))
    return frame.select(able.fill_null(value=False) & drawn).to_series()


def _listed(frame: pl.DataFrame, picked: pl.Series, kind: str) -> pl.DataFrame:
    """Rows of the truth's list."""
    return frame.filter(picked).select(
        pl.lit(kind).alias("kind"), "station_id", "attempt_id", pl.col("t_ms").alias("true_ms")
    )


def spoil_frames(
    attempts: pl.DataFrame, rng: np.random.Generator, dirt: float
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Attempts whose meter tells what cannot be (their registers changed), and the list of them."""
    metered = (
        pl.col("stop_s").is_not_null() & ~pl.col("export") & pl.col("cut_ms").is_null()
    )  # cut by a restart: no stop is said
    timed = attempts.with_columns(t_ms="end_ms")
    back = _some(timed, metered & (pl.col("meter_start") > BACK_WH), rng, dirt)
    leap = _some(timed, metered, rng, dirt) & ~back
    stop = (
        pl.when(back)
        .then(pl.col("meter_start") - BACK_WH)
        .when(leap)
        .then(pl.col("meter_stop") + LEAP_WH)
        .otherwise("meter_stop")
    )
    listed = pl.concat(
        [_listed(timed, back, "register_backwards"), _listed(timed, leap, "register_leap")]
    )
    return attempts.with_columns(meter_stop=stop), listed


def spoil_pilot(
    rows: pl.DataFrame, rng: np.random.Generator, dirt: float
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Pilot rows with what cannot be, and the list of them."""
    waiting = pl.col("state") == "B2"
    closed = _some(rows, waiting & pl.col("fault").is_null(), rng, dirt)
    high = _some(rows, pl.col("high_v").is_not_null(), rng, dirt / 4)
    duty = _some(rows, waiting & (pl.col("duty_pct") > 10), rng, dirt)
    spoilt = rows.with_columns(
        contactor=pl.when(closed).then(pl.lit("closed")).otherwise("contactor"),
        high_v=pl.when(high).then(pl.lit(47.3)).otherwise("high_v"),
        duty_pct=pl.when(duty).then(pl.lit(7.5)).otherwise("duty_pct"),
    )
    kinds = ((closed, "closed_in_b"), (high, "level_out_of_range"), (duty, "duty_forbidden"))
    return spoilt, pl.concat([_listed(rows, picked, kind) for picked, kind in kinds])
