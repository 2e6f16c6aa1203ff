"""Rows of a station's own record → true times: the era is told by the time itself, by frames beside it, or by the order of writing."""

from __future__ import annotations

import polars as pl

from pipeline.core.overlap import meeting
from pipeline.normalise.clocks.correct import ERA, apply, outside, spans
from pipeline.normalise.clocks.eras import LEAST_ERROR_S, UNKNOWN_ERROR_S, Clock
from pipeline.normalise.clocks.observed import seconds, shift
from pipeline.settings.clocks import ClockSettings


def by_order(rows: pl.DataFrame, clock: Clock) -> pl.DataFrame:
    """Rows of a station's own record with their `era` (null: their time is far from every era of
    the file's days).

    A clock that starts at 1970 again and again shows the same times in many eras: those far from
    the file's are none. Where a time fits several eras, frames that carry nearly the same time
    tell, else the order of writing; `era_doubt` where neither does.
    """
    settings = clock.settings
    near = pl.duration(seconds=settings.near_s)
    own = (pl.col("station_at_utc"), pl.col("station_at_utc"))
    held = (pl.col("own_from") - near, pl.col("own_to") + near)
    tried = outside(
        meeting(
            rows.with_row_index("_row"), spans(clock.lines, settings), "station_id", (own, held)
        )
    )
    fitting = tried.filter(pl.col("outside_s") == pl.col("outside_s").min().over("_row"))
    fitting = of_file(fitting, settings).with_columns(fits=pl.len().over("_row"))
    several = fitting.filter(pl.col("fits") > 1).select(
        "_row", "station_id", "era", "station_at_utc"
    )
    sure = pl.concat(
        [
            fitting.filter(pl.col("fits") == 1).select("_row", sure="era"),
            by_frames(several, clock),
        ]
    )
    ordered = (
        rows.with_row_index("_row")
        .join(sure, on="_row", how="left")
        .sort("station_id", "file_id", "line")
    )
    file = ["station_id", "file_id"]
    ordered = ordered.with_columns(
        _low=pl.col("sure").forward_fill().over(file).fill_null(0),
        _high=pl.col("sure").backward_fill().over(file).fill_null(1 << 30),
    )
    open_ = several.join(sure, on="_row", how="anti").join(
        ordered.select("_row", "_low", "_high"), on="_row"
    )
    told = (
        open_.group_by("_row")
        .agg(
            between=pl.col("era").filter(pl.col("era").is_between("_low", "_high")),
            latest=pl.col("era").max(),
        )
        .select(
            "_row",
            told=pl.when(pl.col("between").list.len() > 0)
            .then(pl.col("between").list.max())
            .otherwise("latest"),
            era_doubt=pl.col("between").list.len() != 1,
        )
    )
    return (
        ordered.join(told, on="_row", how="left")
        .with_columns(
            era=pl.coalesce("sure", "told"), era_doubt=pl.col("era_doubt").fill_null(value=False)
        )
        .sort("_row")
        .drop("_row", "sure", "_low", "_high", "told")
    )


def of_file(fitting: pl.DataFrame, settings: ClockSettings) -> pl.DataFrame:
    """Of the eras a row's time fits, those within a few of what the rows of its file with a set
    clock tell for certain.
    """
    file = ["station_id", "file_id"]
    rows = fitting.with_columns(fits=pl.len().over("_row").cast(pl.Int64))
    certain = pl.when((pl.col("fits") == 1) & (pl.col("first").abs() <= settings.unset_s)).then(
        pl.col("era").cast(pl.Int64)
    )
    rows = rows.with_columns(_low=certain.min().over(file), _high=certain.max().over(file))
    near = (
        pl.col("era")
        .cast(pl.Int64)
        .is_between(
            pl.col("_low") - settings.queued_eras,
            pl.col("_high") + settings.queued_eras,
            closed="none",
        )
    )
    return rows.filter(near.fill_null(value=True)).drop("fits", "_low", "_high")


def by_frames(several: pl.DataFrame, clock: Clock) -> pl.DataFrame:
    """`_row, sure`.

    Of several eras the one in which a frame carried nearly the same time, and no other did.
    """
    known = clock.fixed.sort("station_at_utc").with_columns(_seen=pl.col("station_at_utc"))
    near = several.sort("station_at_utc").join_asof(
        known,
        on="station_at_utc",
        by=ERA,
        strategy="nearest",
        tolerance=f"{clock.settings.beside_s}s",
        check_sortedness=False,
    )
    beside = near.filter(pl.col("_seen").is_not_null())
    return beside.filter(pl.len().over("_row") == 1).select("_row", sure="era")


def pilot(rows: pl.DataFrame, clock: Clock, booted: pl.DataFrame) -> pl.DataFrame:
    """Pilot rows in true time; those of a clock never heard lie between their neighbours in the
    file, at a known restart.

    A station without any clock keeps its own time, with an error that says so.
    """
    timed = apply(by_order(rows, clock), clock.lines).sort("station_id", "file_id", "line")
    timed = timed.with_columns(
        clock_error_s=pl.when("era_doubt").then(pl.lit(UNKNOWN_ERROR_S)).otherwise("clock_error_s"),
        known=pl.col("at_utc").is_not_null().any().over("station_id"),
    )
    lost = timed.filter(pl.col("at_utc").is_null() & pl.col("known"))
    placed = between(timed, booted) if len(lost) else timed
    return placed.with_columns(
        at_utc=pl.coalesce("at_utc", "station_at_utc"),
        clock_error_s=pl.coalesce("clock_error_s", pl.lit(UNKNOWN_ERROR_S)),
    ).drop("era", "era_doubt", "known")


def between(timed: pl.DataFrame, booted: pl.DataFrame) -> pl.DataFrame:
    """Rows without an era given a time from their neighbours in the file and the restarts between
    them.
    """
    file = ["station_id", "file_id"]
    here = pl.col("at_utc").is_null()
    rows = timed.with_row_index("_row").with_columns(
        chunk=(here != here.shift(1).over(file)).fill_null(value=True).cum_sum().over(file),
        _before=pl.col("at_utc").forward_fill().over(file),
        _after=pl.col("at_utc").backward_fill().over(file),
    )
    lost = rows.filter(here & pl.col("known"))
    chunks = lost.group_by([*file, "chunk"], maintain_order=True).agg(
        pl.col("_before").first(),
        pl.col("_after").first(),
        _first=pl.col("station_at_utc").min(),
        _last=pl.col("station_at_utc").max(),
    )
    started = (
        chunks.join(booted, on="station_id")
        .filter((pl.col("boot_utc") >= pl.col("_before")) | pl.col("_before").is_null())
        .filter((pl.col("boot_utc") <= pl.col("_after")) | pl.col("_after").is_null())
        .group_by([*file, "chunk"])
        .agg(boot_utc=pl.col("boot_utc").min(), boots=pl.len())
    )
    length_s = seconds(pl.col("_last") - pl.col("_first"))
    room_s = seconds(pl.col("_after") - pl.col("_before")) - length_s
    end = pl.coalesce("boot_utc", pl.col("_after"), shift(pl.col("_before"), length_s))
    error = (
        pl.when(pl.col("boots") == 1)
        .then(2 * length_s + 120.0)
        .otherwise(room_s.clip(lower_bound=0).fill_null(UNKNOWN_ERROR_S) + LEAST_ERROR_S)
    )
    placed = chunks.join(started, on=[*file, "chunk"], how="left").select(
        *file,
        "chunk",
        _move=seconds(end - pl.col("_last")),
        _error=error.clip(upper_bound=UNKNOWN_ERROR_S),
    )
    return (
        rows.join(placed, on=[*file, "chunk"], how="left", maintain_order="left")
        .with_columns(
            at_utc=pl.coalesce("at_utc", shift(pl.col("station_at_utc"), pl.col("_move"))),
            clock_error_s=pl.coalesce("clock_error_s", pl.col("_error")),
        )
        .drop("_row", "chunk", "_before", "_after", "_move", "_error")
    )
