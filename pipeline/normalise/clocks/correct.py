"""A station's own times → true times, era by era.

The era told by arrival, by the time itself, or by the order of writing.
"""

from __future__ import annotations

import polars as pl

from pipeline.core.constants import DAY_S
from pipeline.core.overlap import meeting
from pipeline.normalise.clocks.eras import (
    HOLDS_DAYS,
    JUMP_S,
    LEAST_ERROR_S,
    UNKNOWN_ERROR_S,
    Clock,
    seconds,
    shift,
)

ERA = ["station_id", "era"]
BESIDE_S = 60
"""A frame and a pilot row of one happening carry times this close; practice."""
QUEUED_ERAS = 4
"""A queue reaches back over at most so many jumps of the clock; decided."""
SET_S = DAY_S / 2
"""A clock off by more was not set: no time zone is further from another's midday; decided."""
NEAR_S = DAY_S
"""A time further than this from every era is of a clock nobody heard."""


def spans(clock: pl.DataFrame) -> pl.DataFrame:
    """One row an era with the span of the station's own time it covers.

    The first and the last hold some days beyond.
    """
    held = pl.duration(days=HOLDS_DAYS)
    opening = pl.col("era") == pl.col("era").min().over("station_id")
    own_from = shift(pl.col("era_from_utc"), -pl.col("first"))
    return (
        clock.sort("station_id", "era", "segment_from_utc")
        .group_by(ERA, maintain_order=True)
        .agg(
            pl.col("era_from_utc", "era_to_utc").first(),
            first=pl.col("offset_s").first(),
            last=pl.col("offset_s").last(),
            lowest=pl.col("offset_s").min(),
            last_knot=pl.col("segment_from_utc").last(),
        )
        .with_columns(
            own_from=pl.when(opening).then(own_from - held).otherwise(own_from),
            own_to=pl.coalesce(
                shift(pl.col("era_to_utc"), -pl.col("last")), pl.col("last_knot") + held
            ),
        )
    )


def outside(rows: pl.DataFrame) -> pl.DataFrame:
    """Adds `outside_s`: how far a row's own time lies outside the era beside it (0 inside)."""
    own = pl.col("station_at_utc")
    early_s, late_s = seconds(pl.col("own_from") - own), seconds(own - pl.col("own_to"))
    return rows.with_columns(outside_s=pl.max_horizontal(early_s, late_s, pl.lit(0.0)))


def by_arrival(rows: pl.DataFrame, clock: pl.DataFrame) -> pl.DataFrame:
    """Rows with their `era`: the latest begun that holds the time and does not put it after its
    arrival.

    What was queued was written in the era of its arrival or in one of the few before. Most stations
    have one era only.
    """
    known = spans(clock)
    numbered = rows.with_row_index("_row")
    eras = known.group_by("station_id").agg(opening=pl.col("era").min(), eras=pl.len())
    counted = numbered.join(eras, on="station_id", how="left", maintain_order="left")
    plain = counted.filter(pl.col("eras") == 1).select("_row", era="opening")
    several = counted.filter(pl.col("eras") > 1).drop("eras").sort("receiver_at_utc")
    told = pl.concat([plain, of_several(several, known)])
    return numbered.join(told, on="_row", how="left", maintain_order="left").drop("_row")


def of_several(rows: pl.DataFrame, known: pl.DataFrame) -> pl.DataFrame:
    """`_row, era` of rows whose station's clock jumped (`opening` is its first era)."""
    begun = known.select("station_id", "era_from_utc", latest="era").sort("era_from_utc")
    timed = rows.with_columns(_at=pl.col("receiver_at_utc") + pl.duration(seconds=JUMP_S))
    arrived = timed.join_asof(
        begun, left_on="_at", right_on="era_from_utc", by="station_id", check_sortedness=False
    )
    latest = pl.coalesce("latest", "opening")
    tried = (
        arrived.drop("era_from_utc")
        .with_columns(era=pl.concat_list(latest - k for k in range(QUEUED_ERAS)))
        .explode("era", empty_as_null=True)
        .join(known, on=ERA)
    )
    fits = (shift(pl.col("station_at_utc"), pl.col("lowest")) <= pl.col("_at")).fill_null(
        value=False
    )
    ranked = outside(tried).with_columns(
        _misfit=pl.when(fits).then("outside_s").otherwise(pl.col("outside_s") + 1e12)
    )
    ordered = ranked.sort("_row", "_misfit", "era", descending=[False, False, True])
    return ordered.unique("_row", keep="first", maintain_order=True).select("_row", "era")


def by_order(rows: pl.DataFrame, clock: Clock) -> pl.DataFrame:
    """Rows of a station's own record with their `era` (null: their time is far from every era of
    the file's days).

    A clock that starts at 1970 again and again shows the same times in many eras: those far from
    the file's are none. Where a time fits several eras, frames that carry nearly the same time
    tell, else the order of writing; `era_doubt` where neither does.
    """
    near = pl.duration(seconds=NEAR_S)
    own = (pl.col("station_at_utc"), pl.col("station_at_utc"))
    held = (pl.col("own_from") - near, pl.col("own_to") + near)
    tried = outside(
        meeting(rows.with_row_index("_row"), spans(clock.lines), "station_id", (own, held))
    )
    fitting = tried.filter(pl.col("outside_s") == pl.col("outside_s").min().over("_row"))
    fitting = of_file(fitting).with_columns(fits=pl.len().over("_row"))
    several = fitting.filter(pl.col("fits") > 1).select(
        "_row", "station_id", "era", "station_at_utc"
    )
    sure = pl.concat(
        [
            fitting.filter(pl.col("fits") == 1).select("_row", sure="era"),
            by_frames(several, clock.fixed),
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


def of_file(fitting: pl.DataFrame) -> pl.DataFrame:
    """Of the eras a row's time fits, those within a few of what the rows of its file with a set
    clock tell for certain.
    """
    file = ["station_id", "file_id"]
    rows = fitting.with_columns(fits=pl.len().over("_row").cast(pl.Int64))
    certain = pl.when((pl.col("fits") == 1) & (pl.col("first").abs() <= SET_S)).then(
        pl.col("era").cast(pl.Int64)
    )
    rows = rows.with_columns(_low=certain.min().over(file), _high=certain.max().over(file))
    near = (
        pl.col("era")
        .cast(pl.Int64)
        .is_between(pl.col("_low") - QUEUED_ERAS, pl.col("_high") + QUEUED_ERAS, closed="none")
    )
    return rows.filter(near.fill_null(value=True)).drop("fits", "_low", "_high")


def by_frames(several: pl.DataFrame, fixed: pl.DataFrame) -> pl.DataFrame:
    """`_row, sure`.

    Of several eras the one in which a frame carried nearly the same time, and no other did.
    """
    known = fixed.sort("station_at_utc").with_columns(_seen=pl.col("station_at_utc"))
    near = several.sort("station_at_utc").join_asof(
        known,
        on="station_at_utc",
        by=ERA,
        strategy="nearest",
        tolerance=f"{BESIDE_S}s",
        check_sortedness=False,
    )
    beside = near.filter(pl.col("_seen").is_not_null())
    return beside.filter(pl.len().over("_row") == 1).select("_row", sure="era")


def apply(rows: pl.DataFrame, clock: pl.DataFrame) -> pl.DataFrame:
    """Rows with `era` → `at_utc, clock_error_s` along that era's lines (null where there is no
    era).
    """
    lines = clock.sort("segment_from_utc").select(
        *ERA, "segment_from_utc", "offset_s", "drift_s_per_day", "clock_error_s"
    )
    first = lines.unique(ERA, keep="first", maintain_order=True).with_columns(
        drift_s_per_day=pl.lit(0.0)
    )
    numbered = rows.with_row_index("_row").sort("station_at_utc")
    on_line = numbered.join_asof(
        lines, left_on="station_at_utc", right_on="segment_from_utc", by=ERA, check_sortedness=False
    )
    found = on_line.filter(pl.col("segment_from_utc").is_not_null())
    before = numbered.join(found.select("_row"), on="_row", how="anti").join(
        first, on=ERA, how="left"
    )
    since_days = seconds(pl.col("station_at_utc") - pl.col("segment_from_utc")) / DAY_S
    return (
        pl.concat([found, before.select(found.columns)])
        .with_columns(
            at_utc=shift(
                pl.col("station_at_utc"),
                pl.col("offset_s") + pl.col("drift_s_per_day") * since_days,
            )
        )
        .sort("_row")
        .drop("_row", "segment_from_utc", "offset_s", "drift_s_per_day")
    )


def frames(rows: pl.DataFrame, clock: Clock) -> pl.DataFrame:
    """Rows of frames in true time.

    Without a time of its own a frame has the receiver's, which bounds every other.
    """
    timed = apply(by_arrival(rows, clock.lines), clock.lines).drop("era")
    stamped = pl.col("station_at_utc").is_not_null()
    return timed.with_columns(
        at_utc=pl.when(stamped)
        .then(pl.min_horizontal("at_utc", "receiver_at_utc"))
        .otherwise("receiver_at_utc"),
        clock_error_s=pl.when(stamped).then("clock_error_s").fill_null(LEAST_ERROR_S),
    )


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
