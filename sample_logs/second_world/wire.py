"""Calls onto the wire: times, answers, reboots, heartbeats, queues, damage. Written from the contract alone."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import polars as pl
import zstandard

from sample_logs.second_world.calls16 import NOW
from sample_logs.second_world.clocks import DAY_S, Clocks, station_time, text_utc
from sample_logs.second_world.fleet import Fleet

HEARTBEAT_S = 4 * 3600.0
ANSWER_S = 0.12
QUEUED = ("StartTransaction", "StopTransaction", "MeterValues", "TransactionEvent", "NotifyEvent")
"""What a station keeps while offline; statuses are not replayed, cards are judged by itself."""


def housekeeping(rng: np.random.Generator, fleet: Fleet, clocks: Clocks) -> pl.DataFrame:
    """Boots and heartbeats as calls."""
    text = pl.concat_str(
        pl.lit('{"chargePointVendor":"Invented","chargePointModel":"'),
        "evse_model",
        pl.lit('","firmwareVersion":"'),
        "firmware",
        pl.lit('"}'),
    )
    newer = pl.concat_str(
        pl.lit('{"reason":"PowerUp","chargingStation":{"vendorName":"Invented","model":"'),
        "evse_model",
        pl.lit('","firmwareVersion":"'),
        "firmware",
        pl.lit('"}}'),
    )
    boots = clocks.boots.select(
        pl.lit(None, dtype=pl.Int64).alias("n"),
        "station_id",
        "version",
        "t_s",
        pl.lit("BootNotification").alias("action"),
        pl.when(pl.col("version") == "1.6").then(text).otherwise(newer).alias("payload"),
        pl.lit('{"currentTime":"%%","interval":14400,"status":"Accepted"}').alias("answer"),
    )
    stations = fleet.evses.unique("station_id", keep="first", maintain_order=True).select(
        "station_id", "version"
    )
    stations = stations.with_columns(
        pl.Series("_phase", rng.uniform(900, HEARTBEAT_S, stations.height))
    )
    beats = stations.join(
        pl.DataFrame({"_k": np.arange(int(fleet.days * DAY_S / HEARTBEAT_S))}), how="cross"
    ).select(
        pl.lit(None, dtype=pl.Int64).alias("n"),
        "station_id",
        "version",
        (pl.col("_phase") + pl.col("_k") * HEARTBEAT_S).alias("t_s"),
        pl.lit("Heartbeat").alias("action"),
        pl.lit("{}").alias("payload"),
        pl.lit('{"currentTime":"%%"}').alias("answer"),
    )
    return pl.concat([boots, beats])


def lines(calls: pl.DataFrame, clocks: Clocks) -> pl.DataFrame:
    """Envelopes as text: `station_id`, `at_s` (receiver's time), `line`."""
    sent = (
        _through(station_time(calls, clocks), clocks)
        .sort("at_s", "station_id", maintain_order=True)
        .with_row_index("id")
    )
    sent = sent.with_columns(
        text_utc("clock_s").alias("_own"),
        text_utc("at_s", milli=True).alias("_at"),
        (pl.col("at_s") + ANSWER_S).alias("answered_s"),
    )
    sent = sent.with_columns(text_utc("answered_s", milli=True).alias("_answered"))
    head = pl.concat_str(pl.lit('","station_id":"'), "station_id", pl.lit('","dir":"'))
    mark = pl.concat_str(pl.lit('","version":"'), "version", pl.lit('","frame":['))
    call = pl.concat_str(
        pl.lit('{"at":"'),
        "_at",
        head,
        pl.lit("in"),
        mark,
        pl.lit('2,"'),
        "id",
        pl.lit('","'),
        "action",
        pl.lit('",'),
        pl.col("payload").str.replace_all(NOW, pl.col("_own"), literal=True),
        pl.lit("]}"),
    )
    result = pl.concat_str(
        pl.lit('{"at":"'),
        "_answered",
        head,
        pl.lit("out"),
        mark,
        pl.lit('3,"'),
        "id",
        pl.lit('",'),
        pl.col("answer").str.replace("%%", pl.col("_answered"), literal=True),
        pl.lit("]}"),
    )
    calls_out = sent.select("station_id", "at_s", call.alias("line"))
    answers = sent.filter(pl.col("answer").is_not_null()).select(
        "station_id", pl.col("answered_s").alias("at_s"), result.alias("line")
    )
    return pl.concat([calls_out, answers]).sort("at_s", maintain_order=True)


def _through(calls: pl.DataFrame, clocks: Clocks) -> pl.DataFrame:
    """When each call reached the receiver: at once, or queued till the connection came back, or never."""
    there = calls.sort("t_s").join_asof(
        clocks.offline,
        left_on="t_s",
        right_on="off_from_s",
        by="station_id",
        check_sortedness=False,
    )
    away = (pl.col("t_s") < pl.col("off_to_s")).fill_null(value=False)
    kept = pl.col("action").is_in(QUEUED)
    rank = pl.int_range(pl.len()).over("station_id", "off_from_s")
    late = pl.col("off_to_s") + 2 + rank * 0.25
    return (
        there.filter(~away | kept)
        .with_columns(pl.when(away).then(late).otherwise(pl.col("t_s") + 0.05).alias("at_s"))
        .drop("off_from_s", "off_to_s")
    )


def dirtied(rng: np.random.Generator, frame: pl.DataFrame, dirt: float) -> pl.DataFrame:
    """Lines delivered twice, cut off, or a few places out of order."""
    count = frame.height
    place = np.arange(count) + np.where(
        rng.random(count) < 0.004 * dirt, rng.integers(-4, 5, count), 0
    )
    cut = rng.random(count) < 0.0004 * dirt
    twice = rng.random(count) < 0.003 * dirt
    frame = frame.with_columns(pl.Series("_place", place))
    frame = frame.with_columns(
        pl.when(pl.Series(cut))
        .then(pl.col("line").str.slice(0, pl.col("line").str.len_chars() // 2))
        .otherwise("line")
        .alias("line")
    )
    again = frame.filter(pl.Series(twice)).with_columns(
        pl.col("_place") + pl.Series(rng.integers(1, 200, int(twice.sum())))
    )
    return pl.concat([frame, again]).sort("_place", maintain_order=True).drop("_place")


def write_text(path: Path, text: str) -> None:
    """Plain, .gz or .zst as the name says."""
    path.parent.mkdir(parents=True, exist_ok=True)
    data = text.encode()
    if path.suffix == ".gz":
        data = gzip.compress(data, compresslevel=3, mtime=0)
    elif path.suffix == ".zst":
        data = zstandard.compress(data, level=3)
    path.write_bytes(data)
