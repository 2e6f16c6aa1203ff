"""Which units an attempt belongs to: vehicle, EVSE, pairing, site, and a driver's habits by place and time of day."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.attribute.states.model import Ints

HIDDEN = "\x1f"
"""Begins the key of a unit known only by its token, or of a model nobody named: never an id."""
LONG_STAY_HOURS = 5.0
"""A stay this long gives a timer its chance; with the quarter of the day it tells habits apart."""


def keyed(rows: pl.DataFrame) -> tuple[pl.DataFrame, tuple[int, int]]:
    """Keys of all units, and how many places and hours vehicles were met at.

    What is not named is a unit of its own, since it may be like any other.

    A vehicle without id but with a token is that token's vehicle.  A vehicle of unknown model is a
    model of its own, an EVSE of unknown model likewise: so such a pairing can still be at fault.
    Habits of a place and of a time of day are asked of only where a vehicle was silent there.
    """
    token = pl.lit(HIDDEN) + pl.col("id_token")
    vehicle = pl.coalesce("vehicle_id", token)
    model = pl.coalesce("vehicle_model", pl.lit(HIDDEN) + vehicle)
    evse_model = pl.coalesce("evse_model", pl.lit(HIDDEN) + pl.col("evse_id"))
    hidden = pl.col("vehicle_model").is_null() | pl.col("evse_model").is_null()
    stay_h = (pl.col("unplugged_at_utc") - pl.col("plugged_at_utc")).dt.total_minutes() / 60.0
    long = pl.when((stay_h >= LONG_STAY_HOURS).fill_null(value=False)).then(4).otherwise(0)
    quarter = pl.col("plugged_at_utc").dt.hour() // 6 + long
    rows = rows.with_columns(
        vehicle.alias("_vehicle"),
        pl.col("vehicle_id").is_null().alias("_vehicle_hidden"),
        model.alias("_model"),
        hidden.alias("_pairing_hidden"),
        pl.when(pl.col("evse_id").n_unique().over("site_id") > 1).then("site_id").alias("_site"),
    ).with_columns(evse_model.alias("evse_model"), pl.col("firmware", "coupler").fill_null(""))
    if not rows["silent"].any():
        none = pl.lit(None, dtype=pl.String)
        return rows.with_columns(none.alias("_place"), none.alias("_hour")), (0, 0)
    rows = rows.with_columns(
        pl.format("{} {}", "_vehicle", pl.coalesce("site_id", "evse_id")).alias("_place"),
        pl.format("{} {}", "_vehicle", quarter).alias("_hour"),
    )
    met = (rows["_place"].drop_nulls().n_unique(), rows["_hour"].drop_nulls().n_unique())
    return rows.with_columns(
        pl.when(pl.col("silent").any().over(key)).then(key).alias(key)
        for key in ("_place", "_hour")
    ), met


def codes(
    rows: pl.DataFrame, keys: list[str], hidden: str | None = None
) -> tuple[Ints, pl.DataFrame]:
    """Index of each row's key in the sorted distinct keys, the hidden ones last.

    A null in the first key gives one past the last.
    """
    flag = pl.col(hidden) if hidden else pl.lit(value=False)
    rows = rows.select(*keys, *([hidden] if hidden else []))
    known = rows.filter(pl.col(keys[0]).is_not_null())
    names = known.group_by(keys).agg((~flag).any().alias("listed"))
    names = names.sort(~pl.col("listed"), *keys)
    indexed = names.with_row_index("code")
    codes = rows.select(keys).join(indexed, on=keys, how="left", maintain_order="left")["code"]
    return codes.fill_null(names.height).to_numpy().astype(np.int64), names
