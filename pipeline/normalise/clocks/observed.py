"""What the receiver saw of stations' clocks.

True time is the receiver's. A frame received at r with the station's time s inside gives r - s =
offset + delay, and a delay is never negative. Frames that move in parallel with the receiver's
clock were sent live and fix the offset; a bunch that comes at once with times from long before was
queued and fixes nothing.
"""

from __future__ import annotations

import polars as pl

from pipeline.core.constants import DAY_S
from pipeline.settings.clocks import ClockSettings

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


def sent_again(rows: pl.DataFrame, settings: ClockSettings) -> pl.DataFrame:
    """`station_id, run, again`: runs later than those before and after, which agree.

    Sent again after a time-out, not a jump.
    """
    late = pl.col("least_s")
    runs = rows.group_by("station_id", "run", maintain_order=True).agg(
        least_s=pl.col("late_s").min()
    )
    before, after = late.shift(1).over("station_id"), late.shift(-1).over("station_id")
    agree = (before - after).abs() <= settings.parallel_s
    over_s = late - pl.max_horizontal(before, after)
    return runs.select(
        "station_id", "run", again=agree & over_s.is_between(settings.parallel_s, settings.retry_s)
    )


def live(seen: pl.DataFrame, settings: ClockSettings) -> pl.DataFrame:
    """Observations that fix the offset: runs that move in parallel with the receiver, and what lies
    below them.

    A lone frame with no such run within days, and a time from a clock that was never set, count
    too: nothing else tells.
    """
    at, late = pl.col("receiver_at_utc"), pl.col("late_s")
    apart_s = seconds(at - at.shift(1).over("station_id"))
    parts = (
        late - late.shift(1).over("station_id")
    ).abs() > settings.parallel_s + settings.drift_limit * apart_s
    rows = seen.with_columns(
        run=parts.fill_null(value=True).cum_sum().over("station_id"),
        implausible=late.abs() > settings.never_set_days * DAY_S,
    )
    length_s = seconds(at.max() - at.min()).over("station_id", "run")
    rows = rows.join(
        sent_again(rows, settings), on=["station_id", "run"], how="left", maintain_order="left"
    )
    parallel = (
        (length_s >= settings.parallel_s)
        & ~pl.col("implausible")
        & ~pl.col("again").fill_null(value=False)
    )
    rows = rows.with_columns(parallel=parallel).sort("receiver_at_utc", maintain_order=True)
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
    fixes = (
        pl.col("parallel")
        | pl.col("implausible")
        | floor.is_null()
        | (late < floor - settings.jump_s)
    )
    return (
        rows.filter(fixes)
        .sort("station_id", "receiver_at_utc", "station_at_utc")
        .select(*SEEN, "implausible")
    )
