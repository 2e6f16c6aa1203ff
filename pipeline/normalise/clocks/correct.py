"""A station's own times → true times, era by era: frames, whose era is told by their arrival."""

from __future__ import annotations

import polars as pl

from pipeline.core.constants import DAY_S
from pipeline.normalise.clocks.eras import LEAST_ERROR_S, Clock
from pipeline.normalise.clocks.observed import seconds, shift
from pipeline.settings.clocks import ClockSettings

ERA = ["station_id", "era"]
WHEN = ["_row", "station_id", "receiver_at_utc", "station_at_utc"]


def spans(clock: pl.DataFrame, settings: ClockSettings) -> pl.DataFrame:
    """One row an era with the span of the station's own time it covers.

    The first and the last hold some days beyond.
    """
    held = pl.duration(days=settings.holds_days)
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


def by_arrival(rows: pl.DataFrame, clock: pl.DataFrame, settings: ClockSettings) -> pl.DataFrame:
    """Rows with their `era`: the latest begun that holds the time and does not put it after its
    arrival.

    What was queued was written in the era of its arrival or in one of the few before. Most stations
    have one era only.
    """
    known = spans(clock, settings)
    numbered = rows.with_row_index("_row")
    eras = known.group_by("station_id").agg(opening=pl.col("era").min(), eras=pl.len())
    counted = numbered.select(WHEN).join(eras, on="station_id", how="left", maintain_order="left")
    plain = counted.filter(pl.col("eras") == 1).select("_row", era="opening")
    several = counted.filter(pl.col("eras") > 1).select(*WHEN, "opening").sort("receiver_at_utc")
    told = pl.concat([plain, of_several(several, known, settings)])
    return numbered.join(told, on="_row", how="left", maintain_order="left").drop("_row")


def of_several(rows: pl.DataFrame, known: pl.DataFrame, settings: ClockSettings) -> pl.DataFrame:
    """`_row, era` of rows whose station's clock jumped (`opening` is its first era).

    Most rows lie in the latest era begun, or have no time of their own: only the others try those before.
    """
    begun = known.select("station_id", "era_from_utc", latest="era").sort("era_from_utc", "latest")
    timed = rows.with_columns(_at=pl.col("receiver_at_utc") + pl.duration(seconds=settings.jump_s))
    arrived = timed.join_asof(
        begun, left_on="_at", right_on="era_from_utc", by="station_id", check_sortedness=False
    )
    asked = arrived.select(
        "_row", "station_id", "station_at_utc", "_at", era=pl.coalesce("latest", "opening")
    )
    held = known.select(*ERA, "lowest", "own_from", "own_to")
    by_latest = misfits(asked, held)
    fits = (pl.col("_misfit") == 0) | pl.col("station_at_utc").is_null()
    open_ = by_latest.filter(~fits).select(asked.columns)
    tried = open_.with_columns(
        era=pl.concat_list(pl.col("era") - k for k in range(settings.queued_eras))
    ).explode("era", empty_as_null=True)
    ordered = misfits(tried, held).sort("_row", "_misfit", "era", descending=[False, False, True])
    best = ordered.unique("_row", keep="first", maintain_order=True)
    return pl.concat(part.select("_row", "era") for part in (by_latest.filter(fits), best))


def misfits(rows: pl.DataFrame, known: pl.DataFrame) -> pl.DataFrame:
    """Rows beside their `era` with `_misfit`: seconds outside it, far more where it puts the row after its arrival."""
    in_time = (shift(pl.col("station_at_utc"), pl.col("lowest")) <= pl.col("_at")).fill_null(
        value=False
    )
    return outside(rows.join(known, on=ERA)).with_columns(
        _misfit=pl.when(in_time).then("outside_s").otherwise(pl.col("outside_s") + 1e12)
    )


def apply(rows: pl.DataFrame, clock: pl.DataFrame) -> pl.DataFrame:
    """Rows with `era` → `at_utc, clock_error_s` along that era's lines (null where there is no
    era).
    """
    lines = clock.sort("segment_from_utc", "receiver_from_utc").select(
        *ERA, "segment_from_utc", "offset_s", "drift_s_per_day", "clock_error_s"
    )
    first = lines.unique(ERA, keep="first", maintain_order=True).with_columns(
        drift_s_per_day=pl.lit(0.0)
    )
    numbered = rows.with_row_index("_row").select("_row", *ERA, "station_at_utc")
    on_line = numbered.sort("station_at_utc").join_asof(
        lines, left_on="station_at_utc", right_on="segment_from_utc", by=ERA, check_sortedness=False
    )
    found = on_line.filter(pl.col("segment_from_utc").is_not_null())
    before = numbered.join(found.select("_row"), on="_row", how="anti").join(
        first, on=ERA, how="left"
    )
    since_days = seconds(pl.col("station_at_utc") - pl.col("segment_from_utc")) / DAY_S
    moved_s = pl.col("offset_s") + pl.col("drift_s_per_day") * since_days
    told = (
        pl.concat([found, before.select(found.columns)])
        .sort("_row")
        .select("clock_error_s", at_utc=shift(pl.col("station_at_utc"), moved_s))
    )
    return rows.with_columns(told)


def frames(rows: pl.DataFrame, clock: Clock) -> pl.DataFrame:
    """Rows of frames in true time.

    Without a time of its own a frame has the receiver's, which bounds every other.
    """
    timed = apply(by_arrival(rows, clock.lines, clock.settings), clock.lines).drop("era")
    stamped = pl.col("station_at_utc").is_not_null()
    return timed.with_columns(
        at_utc=pl.when(stamped)
        .then(pl.min_horizontal("at_utc", "receiver_at_utc"))
        .otherwise("receiver_at_utc"),
        clock_error_s=pl.when(stamped).then("clock_error_s").fill_null(LEAST_ERROR_S),
    )
