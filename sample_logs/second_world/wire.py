"""Calls onto the wire: times, answers, reboots, heartbeats, queues, damage. Written from the contract alone."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import polars as pl
import zstandard

from sample_logs.second_world.calls16 import NOW
from sample_logs.second_world.clocks import DAY_S, EPOCH_S, Clocks, station_time, text_utc
from sample_logs.second_world.fleet import Fleet

HEARTBEAT_S = 4 * 3600.0
ANSWER_S = 0.12
CENTRAL_MAPPING = """frames:
  - file: "central-{site}*.log*"
    line: "{{at}} INFO {{*}} {{station_id}}: {{dir}} {{frame}}"
    time_format: ["%Y-%m-%d %H:%M:%S,%f"]
    timezone: {zone}
    in: ["received"]
    out: ["sent"]
    version: from_frame
"""
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


def frames_of(calls: pl.DataFrame, clocks: Clocks) -> pl.DataFrame:
    """Frames on the wire: `station_id, version, at_s` (receiver's time), `dir`, `frame` (the array's text)."""
    sent = (
        _through(station_time(calls, clocks), clocks)
        .sort("at_s", "station_id", maintain_order=True)
        .with_row_index("id")
    )
    sent = sent.with_columns(
        text_utc("clock_s").alias("_own"),
        (pl.col("at_s") + ANSWER_S).alias("answered_s"),
    )
    sent = sent.with_columns(text_utc("answered_s", milli=True).alias("_answered"))
    call = _array(
        '[2,"',
        "id",
        '","',
        "action",
        '",',
        pl.col("payload").str.replace_all(NOW, pl.col("_own"), literal=True),
    )
    result = _array(
        '[3,"', "id", '",', pl.col("answer").str.replace("%%", pl.col("_answered"), literal=True)
    )
    calls_out = sent.select(
        "station_id", "version", "at_s", pl.lit("in").alias("dir"), call.alias("frame")
    )
    answers = sent.filter(pl.col("answer").is_not_null()).select(
        "station_id",
        "version",
        pl.col("answered_s").alias("at_s"),
        pl.lit("out").alias("dir"),
        result.alias("frame"),
    )
    return pl.concat([calls_out, answers]).sort("at_s", maintain_order=True)


def _array(*parts: str | pl.Expr) -> pl.Expr:
    """A JSON array's text: `id` and `action` are columns, other words stand for themselves."""
    columns = ("id", "action")
    text = (
        pl.col(p).cast(pl.String) if p in columns else pl.lit(p)
        for p in parts
        if isinstance(p, str)
    )
    return pl.concat_str(*text, *(p for p in parts if isinstance(p, pl.Expr)), pl.lit("]"))


def enveloped(frames: pl.DataFrame) -> pl.DataFrame:
    """Add `line`: the frame in the contract's own envelope."""
    return frames.with_columns(text_utc("at_s", milli=True).alias("_at")).with_columns(
        pl.concat_str(
            pl.lit('{"at":"'),
            "_at",
            pl.lit('","station_id":"'),
            "station_id",
            pl.lit('","dir":"'),
            "dir",
            pl.lit('","version":"'),
            "version",
            pl.lit('","frame":'),
            "frame",
            pl.lit("}"),
        ).alias("line")
    )


def logged(frames: pl.DataFrame, zone: str) -> pl.DataFrame:
    """Add `line`: the frame as a central system's log tells of it, in local time (see CENTRAL_MAPPING)."""
    epoch = ((pl.col("at_s") + EPOCH_S) * 1000).round().cast(pl.Int64)
    local = (
        pl.from_epoch(epoch, time_unit="ms").dt.replace_time_zone("UTC").dt.convert_time_zone(zone)
    )
    word = pl.when(pl.col("dir") == "in").then(pl.lit("received")).otherwise(pl.lit("sent"))
    return frames.with_columns(
        local.dt.strftime("%Y-%m-%d %H:%M:%S,%3f").alias("_at")
    ).with_columns(
        pl.concat_str(
            "_at",
            pl.lit(" INFO link.server "),
            "station_id",
            pl.lit(": "),
            word,
            pl.lit(" "),
            "frame",
        ).alias("line")
    )


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
