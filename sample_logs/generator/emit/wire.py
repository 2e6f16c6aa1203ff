"""From events to the lines a receiver keeps: clocks, queues, message ids, answers, envelopes."""

from __future__ import annotations

import numpy as np
import polars as pl

from sample_logs.generator.emit.clocks import Stations, stamp, with_offline, with_station_time
from sample_logs.generator.emit.events import filled

ERROR_SHARE = 0.01
"""Of the answers to MeterValues, with dirt 1: the central system failed and says so."""
QUEUE_PACE_MS = 350
"""A queue is replayed this fast after the connection is back."""


def uncut(events: pl.DataFrame, attempts: pl.DataFrame) -> pl.DataFrame:
    """Events without those a reboot swallowed; the return to Available stays."""
    cuts = attempts.filter(pl.col("cut_ms").is_not_null()).select("attempt_id", "cut_ms")
    joined = events.join(cuts, on="attempt_id", how="left", maintain_order="left")
    kept = pl.col("cut_ms").is_null() | (pl.col("t_ms") < pl.col("cut_ms")) | pl.col("last")
    return joined.filter(kept).drop("cut_ms")


def _received(
    events: pl.DataFrame, rng: np.random.Generator, offline: pl.DataFrame
) -> pl.DataFrame:
    """Add `rx_ms`, the receiver's time; drop what a station without connection does not keep."""
    seen = with_offline(events, offline).filter(pl.col("back_ms").is_null() | pl.col("replay"))
    seen = seen.sort("station_id", "t_ms", "rank")
    delay = pl.Series(rng.gamma(2.0, 60.0, seen.height) + 30).cast(pl.Int64)
    place = pl.int_range(pl.len()).over("station_id", "back_ms")
    late = pl.col("back_ms") + 1_500 + place * QUEUE_PACE_MS
    rx = pl.when(pl.col("back_ms").is_null()).then(pl.col("t_ms") + delay).otherwise(late)
    return seen.with_columns(rx_ms=rx).with_columns(
        rx_ms=pl.when(pl.col("back_ms").is_null())
        .then(pl.col("rx_ms").cum_max().over("station_id"))
        .otherwise("rx_ms")
    )


def _with_ids(events: pl.DataFrame, rng: np.random.Generator, boots: pl.DataFrame) -> pl.DataFrame:
    """Add `message_id`: a running number.

    At half of the stations it begins again with every boot.
    """
    names = boots["station_id"].unique(maintain_order=True).sort()
    restarts = names.filter(pl.Series(rng.random(len(names)) < 0.5, dtype=pl.Boolean))
    starts = boots.select("station_id", boot_ms="t_ms").sort("boot_ms")
    joined = events.sort("t_ms").join_asof(
        starts, left_on="t_ms", right_on="boot_ms", by="station_id", check_sortedness=False
    )
    joined = joined.sort("station_id", "rx_ms", "t_ms", "rank")
    since = pl.int_range(1, pl.len() + 1).over("station_id", "boot_ms")
    ever = pl.int_range(1, pl.len() + 1).over("station_id")
    own = pl.col("station_id").is_in(restarts.implode())
    return joined.with_columns(
        message_id=pl.when(own)
        .then(filled("{}", since))
        .otherwise(pl.format("{}-{}", "station_id", ever))
    ).drop("boot_ms")


def lines(
    events: pl.DataFrame, stations: Stations, rng: np.random.Generator, dirt: float
) -> pl.DataFrame:
    """Lines of frames in the receiver's order.

    `at_ms`, `station_id`, `line`, `attempt_id` (of calls).
    """
    timed = with_station_time(events, stations.clock)
    timed = _with_ids(_received(timed, rng, stations.offline), rng, stations.boots)
    timed = timed.with_columns(ts=stamp("station_ms"), order=pl.int_range(pl.len()))
    late = pl.col("back_ms").is_not_null()
    payload = (
        pl.col("payload")
        .str.replace_all("@TS", pl.col("ts"), literal=True)
        .str.replace(
            "@OFF",
            pl.when(late).then(pl.lit(',"offline":true')).otherwise(pl.lit("")),
            literal=True,
        )
    )
    calls = timed.select(
        "station_id",
        "attempt_id",
        "order",
        at_ms="rx_ms",
        side=pl.lit(0),
        line=filled(
            '{"at":"{}","station_id":"{}","dir":"in","version":"{}","frame":[2,"{}","{}",{}]}',
            stamp("rx_ms"),
            "station_id",
            "version",
            "message_id",
            "action",
            payload,
        ),
    )
    answered = timed.filter(pl.col("reply").is_not_null())
    wait = pl.Series(rng.gamma(2.0, 20.0, answered.height) + 5).cast(pl.Int64)
    answered = answered.with_columns(re_ms=pl.col("rx_ms") + wait)
    fails = pl.Series(rng.random(answered.height) < ERROR_SHARE * dirt) & (
        answered["action"] == "MeterValues"
    )
    good = filled(
        '[3,"{}",{}]',
        "message_id",
        pl.col("reply").str.replace("@NOW", stamp("re_ms"), literal=True),
    )
    error = filled('[4,"{}","InternalError","try again later",{}]', "message_id", pl.lit("{}"))
    results = answered.select(
        "station_id",
        "order",
        at_ms="re_ms",
        side=pl.lit(1),
        line=filled(
            '{"at":"{}","station_id":"{}","dir":"out","version":"{}","frame":{}}',
            stamp("re_ms"),
            "station_id",
            "version",
            pl.when(fails).then(error).otherwise(good),
        ),
    )
    everything = pl.concat([calls, results, _asked(timed, rng)], how="diagonal").sort(
        "at_ms", "order", "side"
    )
    return everything.select("at_ms", "station_id", "line", "attempt_id")


def _asked(timed: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """Calls the central system makes after every fourth heartbeat, with ids of its own, and their
    results.

    Its numbers are also ids of the station's own calls: results belong to the other direction's
    call.
    """
    beats = timed.filter((pl.col("action") == "Heartbeat") & pl.col("back_ms").is_null())
    beats = beats.filter(pl.int_range(pl.len()).over("station_id") % 4 == 1)
    beats = beats.with_columns(
        number=pl.int_range(1, pl.len() + 1).over("station_id"),
        ask_ms=pl.col("rx_ms") + pl.Series(rng.integers(2_000, 60_000, beats.height)),
    )
    parts = []
    for side, way, after, frame in (
        (0, "out", 0, '[2,"{}","TriggerMessage",{"requestedMessage":"StatusNotification"}]'),
        (1, "in", 90, '[3,"{}",{"status":"NotImplemented"}]'),
    ):
        at = beats.with_columns(at_ms=pl.col("ask_ms") + after)
        envelope = (
            f'{{"at":"{{}}","station_id":"{{}}","dir":"{way}","version":"{{}}","frame":{{}}}}'
        )
        line = filled(envelope, stamp("at_ms"), "station_id", "version", filled(frame, "number"))
        parts.append(at.select("station_id", "order", "at_ms", side=pl.lit(side), line=line))
    return pl.concat(parts)
