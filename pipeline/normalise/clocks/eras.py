"""Station clocks: what the receiver saw of them → eras with piecewise-linear corrections and a
stated error.

True time is the receiver's. A frame received at r with the station's time s inside gives r - s =
offset + delay, and a delay is never negative. Frames that move in parallel with the receiver's
clock were sent live and fix the offset; a bunch that comes at once with times from long before was
queued and fixes nothing. An era is the time between two jumps of a station's clock (a restart, a
correction); within it the least r - s of each day is a knot of the offset.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.core.constants import DAY_S

LEAST_ERROR_S = 2.0
"""No corrected time is claimed to be better: whole-second stamps and the network's delay; practice."""
UNKNOWN_ERROR_S = float(DAY_S)
"""Stated for a clock nothing is known of: it may be anything, a day says do not rely on it; decided."""
CHANGE_ERROR_S = 3600.0
"""A local time in the hour of a clock change may be an hour off; a few zones change by half of that or twice that; IANA data."""
PARALLEL_S = 5.0
"""Two frames this close in r - s, and at least this far apart in r, were sent live; delays differ by less, practice."""
DRIFT_LIMIT = 1e-3
"""No running clock gains or loses more: 86 s a day is 1000 ppm, a crystal keeps 100 ppm; common practice, no source."""
JUMP_S = 20.0
"""A step of the offset beyond this (and beyond drift) is a jump, not a delay."""
KNOT_EVERY = "2h"
"""Clocks that are set once a day or an hour by Heartbeat run like saws: a knot must lie on every tooth; practice."""
HOLDS_DAYS = 14
"""An offset is not carried further than this from where it was seen; a drift of 100 ppm makes two minutes by then; decided."""
RETRY_S = 120.0
"""A message not answered is sent again within this; time-outs are 30 to 60 s, practice."""
IMPLAUSIBLE_S = 90 * DAY_S
"""A clock this far off was never set (1970, 2000): no queue is kept so long; practice."""
SEEN = ["station_id", "receiver_at_utc", "station_at_utc", "late_s"]


def seconds(span: pl.Expr) -> pl.Expr:
    """A duration in seconds."""
    return span.dt.total_microseconds() / 1e6


def shift(time: pl.Expr, by_s: pl.Expr) -> pl.Expr:
    """A time moved by seconds."""
    return time + pl.duration(microseconds=(by_s * 1e6).round().cast(pl.Int64))


def observations(frames: pl.DataFrame) -> pl.DataFrame:
    """One row a call from the station that carries its time, in order of arrival.

    `late_s` = r - s.
    """
    return (
        frames.filter(
            (pl.col("direction") == "in")
            & (pl.col("message_type") == 2)
            & pl.col("station_at_utc").is_not_null()
        )
        .sort("station_id", "receiver_at_utc", "file_id", "line")
        .select(
            "station_id",
            "receiver_at_utc",
            "station_at_utc",
            late_s=seconds(pl.col("receiver_at_utc") - pl.col("station_at_utc")),
        )
    )


def boots(frames: pl.DataFrame) -> pl.DataFrame:
    """`station_id, boot_utc`: when the receiver had a BootNotification."""
    return (
        frames.filter((pl.col("action") == "BootNotification") & (pl.col("direction") == "in"))
        .select("station_id", boot_utc="receiver_at_utc")
        .sort("boot_utc")
    )


def sent_again(rows: pl.DataFrame) -> pl.DataFrame:
    """`station_id, run, again`: runs later than those before and after, which agree.

    Sent again after a time-out, not a jump.
    """
    late = pl.col("least_s")
    runs = rows.group_by("station_id", "run", maintain_order=True).agg(
        least_s=pl.col("late_s").min()
    )
    before, after = late.shift(1).over("station_id"), late.shift(-1).over("station_id")
    agree = (before - after).abs() <= PARALLEL_S
    over_s = late - pl.max_horizontal(before, after)
    return runs.select("station_id", "run", again=agree & over_s.is_between(PARALLEL_S, RETRY_S))


def live(seen: pl.DataFrame) -> pl.DataFrame:
    """Observations that fix the offset: runs that move in parallel with the receiver, and what lies
    below them.

    A lone frame with no such run within days, and a time from a clock that was never set, count
    too: nothing else tells.
    """
    at, late = pl.col("receiver_at_utc"), pl.col("late_s")
    apart_s = seconds(at - at.shift(1).over("station_id"))
    parts = (late - late.shift(1).over("station_id")).abs() > PARALLEL_S + DRIFT_LIMIT * apart_s
    rows = seen.with_columns(
        run=parts.fill_null(value=True).cum_sum().over("station_id"),
        implausible=late.abs() > IMPLAUSIBLE_S,
    )
    length_s = seconds(at.max() - at.min()).over("station_id", "run")
    rows = rows.join(sent_again(rows), on=["station_id", "run"], how="left", maintain_order="left")
    parallel = (
        (length_s >= PARALLEL_S) & ~pl.col("implausible") & ~pl.col("again").fill_null(value=False)
    )
    rows = rows.with_columns(parallel=parallel).sort("receiver_at_utc")
    known = rows.filter("parallel").select("station_id", "receiver_at_utc", floor_s="late_s")
    for side, name in (("backward", "before_s"), ("forward", "after_s")):
        rows = rows.join_asof(
            known.rename({"floor_s": name}),
            on="receiver_at_utc",
            by="station_id",
            strategy=side,  # type: ignore[arg-type]
            tolerance="3d",
            check_sortedness=False,
        )
    floor = pl.min_horizontal("before_s", "after_s")
    fixes = pl.col("parallel") | pl.col("implausible") | floor.is_null() | (late < floor - JUMP_S)
    return (
        rows.filter(fixes)
        .sort("station_id", "receiver_at_utc", "station_at_utc")
        .select(*SEEN, "implausible")
    )


def eras(fixed: pl.DataFrame) -> pl.DataFrame:
    """Live observations with the `era` (from 1, by station in order of arrival) they belong to."""
    before, at = (
        pl.col("late_s").shift(1).over("station_id"),
        pl.col("receiver_at_utc").shift(1).over("station_id"),
    )
    apart_s = seconds(pl.col("receiver_at_utc") - at)
    jump = ((pl.col("late_s") - before).abs() > JUMP_S + DRIFT_LIMIT * apart_s) | (
        apart_s > HOLDS_DAYS * DAY_S
    )
    both_astray = (
        pl.col("implausible")
        & pl.col("implausible").shift(1).over("station_id")
        & (apart_s < PARALLEL_S)
    )
    return fixed.with_columns(
        era=(jump & ~both_astray.fill_null(value=False))
        .fill_null(value=True)
        .cum_sum()
        .over("station_id")
    )


def knots(fixed: pl.DataFrame) -> pl.DataFrame:
    """One row a station, era and two hours of the receiver: the offset at its least, the spread
    above it, how many fixed it.

    A clock within the least error of the receiver's is taken as right: its delay is not mistaken
    for an offset, and times already given do not shift by milliseconds when later frames come.
    """
    rows = fixed.with_columns(bin=pl.col("receiver_at_utc").dt.truncate(KNOT_EVERY))
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
    ).sort("station_id", "era", "station_at_utc")


@dataclass(frozen=True)
class Clock:
    """Clocks of some stations: `lines` is core_clock with `era, era_from_utc, era_to_utc` beside.

    `fixed` what they rest on.
    """

    lines: pl.DataFrame
    fixed: pl.DataFrame


def fit(seen: pl.DataFrame, booted: pl.DataFrame) -> Clock:
    """Straight lines from knot to knot within an era."""
    observed = eras(live(seen))
    fixed = knots(observed)
    group = ["station_id", "era"]
    ahead = pl.col("station_at_utc").shift(-1).over(group)
    step_s = pl.col("offset_s").shift(-1).over(group) - pl.col("offset_s")
    length_days = seconds(ahead - pl.col("station_at_utc")) / DAY_S
    slope = pl.when(length_days > 0).then(step_s / length_days)
    lines = fixed.with_columns(
        drift_s_per_day=slope.fill_null(0.0),
        unsure_s=(
            pl.max_horizontal(step_s.abs(), step_s.abs().shift(1).over(group)).fill_null(0.0) / 2
        ).clip(0, JUMP_S),
    )
    bounded = bounds(lines, booted)
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
        + pl.col("spread_s").clip(0, JUMP_S)
        + pl.col("unsure_s")
        + pl.col("astray_s"),
        anchors="anchors",
    )
    return Clock(segments, observed.select("station_id", "era", "station_at_utc"))


def bounds(lines: pl.DataFrame, booted: pl.DataFrame) -> pl.DataFrame:
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
    bunched = seconds(pl.col("last") - pl.col("first")) < PARALLEL_S
    each = each.with_columns(
        era_to_utc=pl.col("era_from_utc").shift(-1).over("station_id"),
        astray_s=pl.when(pl.col("lost") & bunched)
        .then(silence_s.clip(0, UNKNOWN_ERROR_S))
        .otherwise(0.0),
    )
    return lines.join(
        each.select("station_id", "era", "era_from_utc", "era_to_utc", "astray_s"),
        on=["station_id", "era"],
        how="left",
        maintain_order="left",
    )
