"""Who plugs in where and when, and what the driver wants. Written from the contract alone."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from sample_logs.second_world.fleet import Fleet, choices
from sample_logs.second_world.mechanics import Mechanics

DC_SHARE = 0.12
MARGIN_H = 0.1


def plug_ins(rng: np.random.Generator, fleet: Fleet, mechanics: Mechanics) -> pl.DataFrame:
    """Plug-ins a row: vehicle `v`, EVSE `e`, time `t_d` in days, how long the stay is to be, state of charge (0 to 1)."""
    vehicles, days = fleet.vehicles, fleet.days
    v = np.repeat(np.arange(vehicles.height), rng.poisson(vehicles["per_day"].to_numpy() * days))
    evening = rng.random(len(v)) < 0.4
    hour = np.where(evening, rng.normal(17.0, 1.2, len(v)), rng.uniform(6, 20, len(v)))
    t_d = np.floor(rng.uniform(0.0, days, len(v))) + np.clip(hour, 0.1, 23.8) / 24
    sites = int(fleet.evses["site"].n_unique())
    home = rng.random(len(v)) < mechanics.home_share
    site = np.where(home, vehicles["home"].to_numpy()[v], rng.integers(0, sites, len(v)))
    supply = np.where(rng.random(len(v)) < DC_SHARE, "DC", "AC")
    stay_h = np.where(
        evening & home,
        rng.uniform(9, 13.5, len(v)),
        np.clip(rng.lognormal(0.9, 0.6, len(v)), 0.3, 9),
    )
    frame = pl.DataFrame(
        {"v": v, "t_d": t_d, "site": site, "supply": supply, "stay_h": stay_h, "evening": evening}
    )
    return wishes(rng, settle(rng, frame, fleet), fleet, mechanics)


def settle(rng: np.random.Generator, frame: pl.DataFrame, fleet: Fleet) -> pl.DataFrame:
    """An EVSE of the site that fits, drawn evenly; who finds none does not plug in."""
    return (
        frame.with_columns(pl.Series("_u", rng.random(frame.height)))
        .join(
            fleet.vehicles.select(pl.col("i").alias("v"), "inlets"),
            on="v",
            how="left",
            maintain_order="left",
        )
        .join(
            choices(fleet.vehicles, fleet.evses),
            on=["inlets", "site", "supply"],
            how="inner",
            maintain_order="left",
        )
        .with_columns(
            pl.col("there")
            .list.get((pl.col("_u") * pl.col("there").list.len()).cast(pl.Int64))
            .alias("e")
        )
        .with_columns(
            pl.when(pl.col("supply") == "DC")
            .then(0.3 + pl.col("_u") * 0.5)
            .otherwise("stay_h")
            .alias("stay_h"),
        )
        .drop("_u", "there", "inlets")
    )


def wishes(
    rng: np.random.Generator, frame: pl.DataFrame, fleet: Fleet, mechanics: Mechanics
) -> pl.DataFrame:
    """State of charge at plug-in, a timer or load management's wait in hours, whether the vehicle wants energy at all."""
    count = frame.height
    v, e = frame["v"].to_numpy(), frame["e"].to_numpy()
    dc = (frame["supply"] == "DC").to_numpy()
    full = (rng.random(count) < mechanics.full_share) & ~dc
    until_timer = (
        fleet.vehicles["timer_hour"].to_numpy()[v] - (frame["t_d"].to_numpy() % 1) * 24
    ) % 24
    evening = (
        frame["evening"].to_numpy()
        if "evening" in frame.columns
        else np.zeros(count, dtype=np.bool_)
    )
    timer = (
        fleet.vehicles["timer"].to_numpy()[v]
        & ~dc
        & (rng.random(count) < np.where(evening, 0.9, 0.3))
        & ~full
    )
    stay_h = frame["stay_h"].to_numpy()
    managed = fleet.evses["load_managed"].to_numpy()[e] & ~dc & (rng.random(count) < 0.15)
    return frame.with_columns(
        pl.Series(
            "soc", np.where(full, rng.uniform(0.965, 1.0, count), rng.uniform(0.1, 0.8, count))
        ),
        pl.Series("full", full),
        pl.Series("timer_h", np.where(timer, until_timer, 0.0)),
        pl.Series(
            "managed_h",
            np.where(managed & ~timer, np.minimum(rng.uniform(0.2, 2.0, count), 0.6 * stay_h), 0.0),
        ),
    )


def apart(frame: pl.DataFrame, key: str) -> pl.DataFrame:
    """Plug-ins of one vehicle, or at one EVSE, that do not overlap: a later one that finds the place taken is left out."""
    while True:
        frame = frame.sort(key, "t_d", "n")
        busy = pl.col("t_d") < (pl.col("left_d") + MARGIN_H / 24).shift(1).over(key)
        frame = frame.with_columns(busy.fill_null(value=False).alias("_busy"))
        # Drop those whose predecessor stays itself, and look again.
        goes = pl.col("_busy") & ~pl.col("_busy").shift(1).over(key).fill_null(value=False)
        if not frame["_busy"].any():
            return frame.drop("_busy")
        frame = frame.filter(~goes).drop("_busy")


def again(
    rng: np.random.Generator, failed: pl.DataFrame, fleet: Fleet, mechanics: Mechanics
) -> pl.DataFrame:
    """Second tries after a failure the driver noticed: the same EVSE, another of the site, or a DC one."""
    tries = failed.filter(pl.Series(rng.random(failed.height) < mechanics.retry_share))
    count = tries.height
    where: NDArray[np.str_] = np.array(["same", "other", "DC"])[
        rng.choice(3, count, p=[0.55, 0.3, 0.15])
    ]
    base = tries.select(
        "v",
        "site",
        "evening",
        "soc",
        "full",
        "timer_h",
        "managed_h",
        pl.col("e").alias("e_before"),
        (pl.col("left_d") + pl.Series(rng.uniform(1.5, 9, count)) / 1440 + MARGIN_H / 24).alias(
            "t_d"
        ),
        "stay_h",
        pl.Series("where", where),
        pl.when(pl.Series(where) == "DC").then(pl.lit("DC")).otherwise("supply").alias("supply"),
    )
    same = base.filter(pl.col("where") == "same").with_columns(pl.col("e_before").alias("e"))
    moved = settle(rng, base.filter(pl.col("where") != "same"), fleet).filter(
        pl.col("e") != pl.col("e_before")
    )
    columns = [
        "v",
        "t_d",
        "site",
        "supply",
        "stay_h",
        "evening",
        "e",
        "soc",
        "full",
        "timer_h",
        "managed_h",
    ]
    return pl.concat([same.select(columns), moved.select(columns)])
