"""Station clocks: live observations → eras with piecewise-linear corrections and a stated error.

An era is the time between two jumps of a station's clock (a restart, a correction); within it the
least r - s of some hours is a knot of the offset.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.core.constants import DAY_S
from pipeline.normalise.clocks.observed import live, seconds
from pipeline.settings.clocks import ClockSettings

LEAST_ERROR_S = 2.0
"""No corrected time is claimed to be better: whole-second stamps and the network's delay; practice."""
UNKNOWN_ERROR_S = float(DAY_S)
"""Stated for a clock nothing is known of: it may be anything, a day says do not rely on it; decided."""
CHANGE_ERROR_S = 3600.0
"""A local time in the hour of a clock change may be an hour off; a few zones change by half of that or twice that; IANA data."""


def eras(fixed: pl.DataFrame, settings: ClockSettings) -> pl.DataFrame:
    """Live observations with the `era` (from 1, by station in order of arrival) they belong to."""
    before, at = (
        pl.col("late_s").shift(1).over("station_id"),
        pl.col("receiver_at_utc").shift(1).over("station_id"),
    )
    apart_s = seconds(pl.col("receiver_at_utc") - at)
    jump = (
        (pl.col("late_s") - before).abs() > settings.jump_s + settings.drift_limit * apart_s
    ) | (apart_s > settings.holds_days * DAY_S)
    both_unset = (
        pl.col("implausible")
        & pl.col("implausible").shift(1).over("station_id")
        & (apart_s < settings.parallel_s)
    )
    return fixed.with_columns(
        era=(jump & ~both_unset.fill_null(value=False))
        .fill_null(value=True)
        .cum_sum()
        .over("station_id")
    )


def knots(fixed: pl.DataFrame, settings: ClockSettings) -> pl.DataFrame:
    """One row a station, era and some hours of the receiver: the offset at its least, the spread
    above it, how many fixed it.

    A clock within the least error of the receiver's is taken as right: its delay is not mistaken
    for an offset, and times already given do not shift by milliseconds when later frames come.
    """
    rows = fixed.with_columns(bin=pl.col("receiver_at_utc").dt.truncate(f"{settings.knot_hours}h"))
    least = rows.group_by("station_id", "era", "bin", maintain_order=True).agg(
        station_at_utc=pl.col("station_at_utc").sort_by("late_s", maintain_order=True).first(),
        receiver_from_utc=pl.col("receiver_at_utc").min(),
        receiver_last_utc=pl.col("receiver_at_utc").max(),
        least_s=pl.col("late_s").min(),
        spread_s=pl.col("late_s").quantile(0.75, "lower") - pl.col("late_s").min(),
        anchors=pl.len().cast(pl.Int64),
        implausible=pl.col("implausible").any(),
    )
    right = pl.col("least_s").abs() <= LEAST_ERROR_S
    return least.with_columns(
        offset_s=pl.when(right).then(0.0).otherwise("least_s"),
        ahead_s=pl.when(right).then(-pl.col("least_s").clip(upper_bound=0.0)).otherwise(0.0),
        right=right,
    ).sort("station_id", "era", "station_at_utc", "bin")


@dataclass(frozen=True)
class Clock:
    """Clocks of some stations: `lines` is core_clock with `era, era_from_utc, era_to_utc` beside.

    `fixed` what they rest on; `settings` how they are read.
    """

    lines: pl.DataFrame
    fixed: pl.DataFrame
    settings: ClockSettings


def fit(seen: pl.DataFrame, booted: pl.DataFrame, settings: ClockSettings) -> Clock:
    """Straight lines from knot to knot within an era.

    Parameters
    ----------
    seen
        What `observed.observations` made of the stations' frames; `late_s` in seconds.
    booted
        `station_id, boot_utc`: restarts the receiver heard of.
    settings
        What is a jump, a drift, a clock never set.

    Returns
    -------
    Clock
        A line a knot: `offset_s` to add, `drift_s_per_day` beyond it, `clock_error_s` stated.

    """
    observed = eras(live(seen, settings), settings)
    fixed = knots(observed, settings)
    group = ["station_id", "era"]
    ahead = pl.col("station_at_utc").shift(-1).over(group)
    step_s = pl.col("offset_s").shift(-1).over(group) - pl.col("offset_s")
    length_days = seconds(ahead - pl.col("station_at_utc")) / DAY_S
    slope = pl.when(length_days > 0).then(step_s / length_days)
    lines = fixed.with_columns(
        drift_s_per_day=slope.fill_null(0.0),
        unsure_s=(
            pl.max_horizontal(step_s.abs(), step_s.abs().shift(1).over(group)).fill_null(0.0) / 2
        ).clip(0, settings.jump_s),
    )
    bounded = bounds(lines, booted, settings)
    segments = bounded.select(
        "station_id",
        "era",
        segment_from_utc="station_at_utc",
        segment_to_utc=ahead,
        receiver_from_utc="receiver_from_utc",
        era_from_utc="era_from_utc",
        era_to_utc="era_to_utc",
        offset_s="offset_s",
        drift_s_per_day="drift_s_per_day",
        clock_error_s=LEAST_ERROR_S
        + pl.col("ahead_s")
        + pl.col("spread_s").clip(0, settings.jump_s)
        + pl.col("unsure_s")
        + pl.col("unset_s"),
        anchors="anchors",
    )
    return Clock(segments, observed.select("station_id", "era", "station_at_utc"), settings)


def bounds(lines: pl.DataFrame, booted: pl.DataFrame, settings: ClockSettings) -> pl.DataFrame:
    """Adds when (receiver's time) each era began and ended: at a restart between two eras where one
    is known.

    A clock never set may have been read only when a queue was sent: its error is the silence
    before.
    """
    each = lines.group_by("station_id", "era", maintain_order=True).agg(
        first=pl.col("receiver_from_utc").min(),
        last=pl.col("receiver_last_utc").max(),
        lost=pl.col("implausible").any(),
    )
    each = each.with_columns(previous=pl.col("last").shift(1).over("station_id"))
    found = (
        each.drop_nulls("previous")
        .join(booted, on="station_id")
        .filter(pl.col("boot_utc").is_between("previous", "first"))
        .group_by("station_id", "era")
        .agg(boot_first=pl.col("boot_utc").min(), boot_last=pl.col("boot_utc").max())
    )
    each = each.join(
        found, on=["station_id", "era"], how="left", maintain_order="left"
    ).with_columns(
        era_from_utc=pl.coalesce(
            pl.when("lost").then("boot_first").otherwise("boot_last"),
            pl.col("previous"),
            pl.col("first"),
        )
    )
    silence_s = seconds(pl.col("first") - pl.coalesce("previous", "first"))
    bunched = seconds(pl.col("last") - pl.col("first")) < settings.parallel_s
    each = each.with_columns(
        era_to_utc=pl.col("era_from_utc").shift(-1).over("station_id"),
        unset_s=pl.when(pl.col("lost") & bunched)
        .then(silence_s.clip(0, UNKNOWN_ERROR_S))
        .otherwise(0.0),
    )
    return lines.join(
        each.select("station_id", "era", "era_from_utc", "era_to_utc", "unset_s"),
        on=["station_id", "era"],
        how="left",
        maintain_order="left",
    )
