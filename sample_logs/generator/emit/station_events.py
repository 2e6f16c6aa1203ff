"""What stations say of themselves: boots, the statuses after them, heartbeats.

Sessions cut by a boot.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from sample_logs.generator.emit.clocks import DAY_MS, HOUR_MS, Stations
from sample_logs.generator.emit.events import COLUMNS, EMPTY_REPLY, filled
from sample_logs.generator.world import World

BEAT_MS = 3 * HOUR_MS
BOOT_REPLY = '{"currentTime":"@NOW","interval":10800,"status":"Accepted"}'
REASONS = {"start": "PowerUp", "update": "FirmwareUpdate", "reboot": "Watchdog"}


def cut_by_boot(attempts: pl.DataFrame, boots: pl.DataFrame) -> pl.DataFrame:
    """Add `cut_ms`: when an unasked reboot of the station cut the attempt, null where none did."""
    unasked = (
        boots.filter(pl.col("cause") == "reboot").select("station_id", cut_ms="t_ms").sort("cut_ms")
    )
    joined = attempts.sort("t0_ms").join_asof(
        unasked,
        left_on="t0_ms",
        right_on="cut_ms",
        by="station_id",
        strategy="forward",
        check_sortedness=False,
    )
    within = pl.col("cut_ms") < pl.col("end_ms")
    return joined.with_columns(cut_ms=pl.when(within).then("cut_ms"))


def _plain(
    frame: pl.DataFrame, action: str, payload: pl.Expr, reply: str, rank: int
) -> pl.DataFrame:
    """Events that belong to no attempt; never replayed."""
    return frame.select(
        "station_id",
        pl.lit(None, dtype=pl.String).alias("attempt_id"),
        "t_ms",
        pl.lit(rank, dtype=pl.Int32).alias("rank"),
        "version",
        pl.lit(action).alias("action"),
        payload.alias("payload"),
        pl.lit(reply).alias("reply"),
        pl.lit(value=False).alias("replay"),
        pl.lit(value=False).alias("last"),
    ).select(COLUMNS)


def _boots(world: World, stations: Stations) -> pl.DataFrame:
    """Boots with the station's model and version, of stations that speak to a central system."""
    models = world.evses.group_by("station_id").agg(pl.col("evse_model").first())
    speaking = stations.stations.filter(~pl.col("export"))
    return stations.boots.join(models, on="station_id").join(speaking, on="station_id")


def _boot_frames(boots: pl.DataFrame) -> list[pl.DataFrame]:
    """BootNotification of both versions; the firmware named is the one now in force."""
    vendor = pl.col("evse_model").str.split(" ").list.first()
    old = filled(
        '{"chargePointVendor":"{}","chargePointModel":"{}","firmwareVersion":"{}"}',
        vendor,
        "evse_model",
        "firmware",
    )
    new = filled(
        '{"reason":"{}","chargingStation":{"model":"{}","vendorName":"{}","firmwareVersion":"{}"}}',
        pl.col("cause").replace_strict(REASONS),
        "evse_model",
        vendor,
        "firmware",
    )
    return [
        _plain(boots.filter(pl.col("version") == "1.6"), "BootNotification", old, BOOT_REPLY, -2),
        _plain(boots.filter(pl.col("version") == "2.0.1"), "BootNotification", new, BOOT_REPLY, -2),
    ]


def _after_boot(world: World, attempts: pl.DataFrame, boots: pl.DataFrame) -> list[pl.DataFrame]:
    """Status of every connector after a boot: in use where the vehicle is still plugged in."""
    used = attempts.filter(pl.col("cut_ms").is_not_null()).select(
        "station_id", "connector_id", t_ms="cut_ms"
    )
    fresh = boots.filter(pl.col("cause") != "update")
    each = fresh.join(world.evses.select("station_id", "connector_id"), on="station_id")
    each = each.join(
        used.with_columns(busy=pl.lit(value=True)),
        on=["station_id", "connector_id", "t_ms"],
        how="left",
    )
    busy = pl.col("busy").fill_null(value=False)
    each = each.with_columns(t_ms=pl.col("t_ms") + 2_500)
    old = filled(
        '{"connectorId":{},"errorCode":"NoError","status":"{}","timestamp":"@TS"}',
        "connector_id",
        pl.when(busy).then(pl.lit("Preparing")).otherwise(pl.lit("Available")),
    )
    new = filled(
        '{"timestamp":"@TS","connectorStatus":"{}","evseId":{},"connectorId":1}',
        pl.when(busy).then(pl.lit("Occupied")).otherwise(pl.lit("Available")),
        "connector_id",
    )
    whole = fresh.filter(pl.col("version") == "1.6").with_columns(t_ms=pl.col("t_ms") + 2_300)
    zero = pl.lit('{"connectorId":0,"errorCode":"NoError","status":"Available","timestamp":"@TS"}')
    return [
        _plain(whole, "StatusNotification", zero, EMPTY_REPLY, -1),
        _plain(each.filter(pl.col("version") == "1.6"), "StatusNotification", old, EMPTY_REPLY, -1),
        _plain(
            each.filter(pl.col("version") == "2.0.1"), "StatusNotification", new, EMPTY_REPLY, -1
        ),
    ]


def _beats(world: World, stations: Stations) -> pl.DataFrame:
    """Heartbeats every few hours; the answer carries the central clock."""
    rng = world.spec.rng("beats")
    begin = int(world.spec.start.timestamp() * 1000)
    speaking = stations.stations.filter(~pl.col("export"))
    phase = pl.Series(rng.integers(1_200_000, BEAT_MS, speaking.height))
    k = np.arange(world.spec.days * DAY_MS // BEAT_MS)
    rows = speaking.with_columns(phase=phase).join(pl.DataFrame({"k": k}), how="cross")
    return rows.with_columns(t_ms=begin + pl.col("phase") + pl.col("k") * BEAT_MS)


def station_events(world: World, stations: Stations, attempts: pl.DataFrame) -> pl.DataFrame:
    """Boots, statuses after them and heartbeats, in the columns of events."""
    boots = _boots(world, stations)
    beats = _plain(_beats(world, stations), "Heartbeat", pl.lit("{}"), '{"currentTime":"@NOW"}', 0)
    return pl.concat([*_boot_frames(boots), *_after_boot(world, attempts, boots), beats])
