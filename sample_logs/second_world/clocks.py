"""Stations' clocks, reboots and times without a connection. Written from the contract alone.

A station's clock is true time plus an offset that jumps at a reboot and drifts between; receivers keep true time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from sample_logs.second_world.fleet import START, Fleet

DAY_S = 86400.0
EPOCH_S = START.timestamp()
LONG_AGO_S = 946684800.0 - EPOCH_S
"""2000-01-01, where a clock without a battery begins."""


@dataclass(frozen=True)
class Clocks:
    """`offsets`: from when (s), offset (s), drift (s a s); `boots`: when, firmware; `offline`: from, to."""

    offsets: pl.DataFrame
    boots: pl.DataFrame
    offline: pl.DataFrame


def draw_clocks(rng: np.random.Generator, fleet: Fleet, dirt: float) -> Clocks:
    """Draw every station's clock."""
    stations = fleet.evses.unique("station_id", keep="first", maintain_order=True)
    boots = _boots(rng, stations, fleet.days, dirt)
    return Clocks(
        _offsets(rng, stations, boots, dirt), boots, _offline(rng, stations, fleet.days, dirt)
    )


def _boots(
    rng: np.random.Generator, stations: pl.DataFrame, days: int, dirt: float
) -> pl.DataFrame:
    count = stations.height
    extra = rng.poisson(dirt * days / 45, count)
    which = np.repeat(np.arange(count), extra)
    update = stations["update_day"].to_numpy()
    updated = np.flatnonzero(np.isfinite(update))
    row = np.concatenate([np.arange(count), which, updated])
    t_s = np.concatenate(
        [
            rng.uniform(5, 600, count),
            rng.uniform(0.5, days, len(which)) * DAY_S,
            update[updated] * DAY_S,
        ]
    )
    frame = stations[row].select(
        "station_id", "version", "evse_model", "firmware_before", "update_day"
    )
    firmware = (
        pl.when(pl.col("t_s") >= pl.col("update_day") * DAY_S)
        .then(pl.lit("2.0.1"))
        .otherwise("firmware_before")
    )
    return (
        frame.with_columns(pl.Series("t_s", t_s))
        .with_columns(firmware.alias("firmware"))
        .sort("station_id", "t_s")
    )


def _offsets(
    rng: np.random.Generator, stations: pl.DataFrame, boots: pl.DataFrame, dirt: float
) -> pl.DataFrame:
    count = stations.height
    kind = rng.choice(3, count, p=[0.65, 0.25, 0.1]) * (dirt > 0)
    manner = pl.DataFrame(
        {
            "station_id": stations["station_id"],
            "_fixed": np.where(
                kind == 2,
                rng.choice([3600.0, -3600.0, -7200.0, 1830.0], count),
                rng.normal(0, 0.6, count),
            ),
            "drift": np.where(kind == 1, rng.uniform(-20, 20, count) / DAY_S, 0.0),
        }
    )
    usual = pl.concat(
        [
            stations.select("station_id", pl.lit(-DAY_S).alias("from_s")),
            boots.select("station_id", pl.col("t_s").alias("from_s")),
        ]
    ).join(manner, on="station_id")
    lost = boots.filter(pl.Series(rng.random(boots.height) < 0.08 * dirt))
    wakes = lost.select(
        "station_id",
        (pl.col("t_s") - 0.5).alias("from_s"),
        (LONG_AGO_S - pl.col("t_s")).alias("_fixed"),
        pl.lit(0.0).alias("drift"),
    )
    again = usual.join(
        lost.select("station_id", pl.col("t_s").alias("from_s")),
        on=["station_id", "from_s"],
        how="semi",
    )
    # A clock that lost its time finds it again within two hours, at an answer to a heartbeat.
    found = again.with_columns(pl.col("from_s") + pl.Series(rng.uniform(300, 7200, again.height)))
    whole = pl.concat(
        [
            usual.join(again, on=["station_id", "from_s"], how="anti"),
            wakes.select(usual.columns),
            found,
        ]
    )
    return whole.rename({"_fixed": "offset_s"}).sort("from_s")


def _offline(
    rng: np.random.Generator, stations: pl.DataFrame, days: int, dirt: float
) -> pl.DataFrame:
    row = np.repeat(
        np.arange(stations.height), rng.poisson(0.15 * dirt * days / 7, stations.height)
    )
    begins = rng.uniform(1, days, len(row)) * DAY_S
    frame = (
        stations[row]
        .select("station_id")
        .with_columns(
            pl.Series("off_from_s", begins),
            pl.Series("off_to_s", begins + rng.uniform(0.3, 8, len(row)) * 3600),
        )
    )
    return frame.sort("off_from_s")


def station_time(frame: pl.DataFrame, clocks: Clocks) -> pl.DataFrame:
    """Add `clock_s`, the station's own reading of `t_s`. Grain and order as given."""
    there = frame.with_row_index("_row").sort("t_s")
    read = there.join_asof(
        clocks.offsets, left_on="t_s", right_on="from_s", by="station_id", check_sortedness=False
    )
    drifted = (
        pl.col("t_s") + pl.col("offset_s") + pl.col("drift") * (pl.col("t_s") - pl.col("from_s"))
    )
    return (
        read.with_columns(drifted.alias("clock_s"))
        .sort("_row")
        .drop("_row", "from_s", "offset_s", "drift")
    )


def text_utc(seconds: str, *, milli: bool = False) -> pl.Expr:
    """ISO 8601 text of seconds since the start."""
    epoch = ((pl.col(seconds) + EPOCH_S) * 1000).round().cast(pl.Int64)
    return pl.from_epoch(epoch, time_unit="ms").dt.strftime(
        "%Y-%m-%dT%H:%M:%S%.3fZ" if milli else "%Y-%m-%dT%H:%M:%SZ"
    )
