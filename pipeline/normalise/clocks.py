"""Station clocks: what the receiver saw of them → piecewise-linear corrections with a stated error.

True time is the receiver's. A frame received at r with the station's time s inside gives r - s = offset + delay,
and a delay is never negative: the least r - s of a day is that day's offset, up to the quickest delay.
"""

from __future__ import annotations

import polars as pl

LEAST_ERROR_S = 1.0
"""No corrected time is claimed to be better: whole-second stamps and the network's delay; practice."""
UNKNOWN_ERROR_S = 86_400.0
"""Stated for a clock nothing is known of: it may be anything, a day says do not rely on it; decided."""
DAY_S = 86_400.0


def observations(frames: pl.DataFrame) -> pl.DataFrame:
    """What frames say of the clock: one row a call from the station that carries its time, and `late_s` = r - s."""
    return (
        frames.filter((pl.col("direction") == "in") & (pl.col("message_type") == 2))
        .select(
            "station_id",
            "receiver_at_utc",
            "station_at_utc",
            late_s=(pl.col("receiver_at_utc") - pl.col("station_at_utc")).dt.total_microseconds() / 1e6,
        )
        .drop_nulls()
    )


def fit(seen: pl.DataFrame) -> pl.DataFrame:
    """core_clock from observations: a knot a station and day at its least delay, straight lines between knots."""
    knots = (
        seen.sort("station_id", "receiver_at_utc", "station_at_utc")
        .group_by("station_id", day=pl.col("receiver_at_utc").dt.truncate("1d"), maintain_order=True)
        .agg(
            pl.col("station_at_utc").sort_by("late_s").first(),
            pl.col("receiver_at_utc").min(),
            offset_s=pl.col("late_s").min(),
            spread_s=pl.col("late_s").quantile(0.5) - pl.col("late_s").min(),
            anchors=pl.len().cast(pl.Int64),
        )
        .sort("station_id", "station_at_utc")
    )
    following = pl.col("station_at_utc").shift(-1).over("station_id")
    step_s = pl.col("offset_s").shift(-1).over("station_id") - pl.col("offset_s")
    length_days = (following - pl.col("station_at_utc")).dt.total_microseconds() / 1e6 / DAY_S
    return knots.select(
        "station_id",
        segment_from_utc="station_at_utc",
        segment_to_utc=following,
        receiver_from_utc="receiver_at_utc",
        offset_s="offset_s",
        drift_s_per_day=pl.when(length_days > 0).then(step_s / length_days).otherwise(0.0).fill_null(0.0),
        clock_error_s=LEAST_ERROR_S + pl.col("spread_s").clip(0, 60) + step_s.abs().clip(0, 60).fill_null(0.0),
        anchors="anchors",
    )


def to_true(frame: pl.DataFrame, clock: pl.DataFrame, time: str = "station_at_utc") -> pl.DataFrame:
    """The frame with `at_utc` and `clock_error_s` (both null where the station has no clock segment)."""
    lines = clock.sort("segment_from_utc").select(
        "station_id", "segment_from_utc", "offset_s", "drift_s_per_day", "clock_error_s"
    )
    rows = frame.with_row_index("_row").sort(time)
    before = rows.join_asof(lines, left_on=time, right_on="segment_from_utc", by="station_id", check_sortedness=False)
    first = lines.group_by("station_id", maintain_order=True).first()
    found = before.filter(pl.col("segment_from_utc").is_not_null())
    early = (
        before.filter(pl.col("segment_from_utc").is_null())
        .drop("segment_from_utc", "offset_s", "drift_s_per_day", "clock_error_s")
        .join(first.with_columns(drift_s_per_day=pl.lit(0.0)), on="station_id", how="left")
    )
    since_days = (pl.col(time) - pl.col("segment_from_utc")).dt.total_microseconds() / 1e6 / DAY_S
    shift_us = (pl.col("offset_s") + pl.col("drift_s_per_day") * since_days) * 1e6
    return (
        pl.concat([found, early.select(found.columns)])
        .with_columns(at_utc=pl.col(time) + pl.duration(microseconds=shift_us.round().cast(pl.Int64)))
        .sort("_row")
        .drop("_row", "segment_from_utc", "offset_s", "drift_s_per_day")
    )
