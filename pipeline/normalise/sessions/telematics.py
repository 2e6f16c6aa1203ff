"""The vehicle's side: its plug-ins as it reported them, and what it said while an EVSE saw it."""

from __future__ import annotations

from datetime import timedelta

import polars as pl

from pipeline.core.overlap import meeting
from pipeline.normalise.sessions import plug_in_spans
from pipeline.settings.normalise import NormaliseSettings

VEHICLE_ERROR_S = 60.0
"""A vehicle's report comes to the minute or so; common practice, no source."""


def vehicle_spans(charging: pl.DataFrame, settings: NormaliseSettings) -> pl.DataFrame:
    """Plug-ins as vehicles reported them.

    `vehicle_id, span, from_utc, to_utc, seen_utc, inlet, export_fault, time_doubt`.
    """
    plug = pl.col("event").replace_strict(
        {"plugged": 1, "unplugged": -1}, default=0, return_dtype=pl.Int32
    )
    events = charging.select(
        pl.col("vehicle_id").alias("evse_id"),
        "at_utc",
        "file_id",
        "line",
        clock_error_s=pl.lit(0.0),
        order=pl.col("line"),
        plug=plug,
        split=pl.col("event") == "plugged",
        source=pl.lit("telematics"),
    )
    spans = (
        plug_in_spans.spans(events, timedelta(days=settings.silence_days))
        .rename({"evse_id": "vehicle_id"})
        .with_row_index("span")
    )
    starts = spans.select("vehicle_id", "span", "from_utc", "to_utc").sort("from_utc")
    within = charging.sort("at_utc", "file_id", "line").join_asof(
        starts, left_on="at_utc", right_on="from_utc", by="vehicle_id", check_sortedness=False
    )
    within = within.filter(pl.col("to_utc").is_null() | (pl.col("at_utc") <= pl.col("to_utc")))
    ends = (pl.col("at_utc") == pl.col("from_utc")) | (
        pl.col("at_utc") == pl.col("to_utc")
    ).fill_null(value=False)
    told = within.group_by("span").agg(
        inlet=pl.col("inlet").drop_nulls().first(),
        export_fault=(pl.col("event") == "charge_fault").any(),
        time_doubt=pl.col("time_doubt").filter(ends).max(),
    )
    return spans.join(told, on="span", how="left", maintain_order="left")


def stays(charging: pl.DataFrame) -> pl.DataFrame:
    """Reports with the `_stay` of their vehicle: a number that rises with each `plugged`."""
    ordered = charging.sort("vehicle_id", "at_utc", "file_id", "line")
    plugged = (pl.col("event") == "plugged").cast(pl.Int64)
    return ordered.with_columns(_stay=plugged.cum_sum().over("vehicle_id"))


def of_one_stay(told: pl.DataFrame) -> pl.DataFrame:
    """Of each attempt's reports those of the stay that shares most time with it, of equals the later.

    Two plug-ins within minutes lie within each other's slack.
    """
    stay = ["attempt_id", "_stay"]
    shared = (
        pl.min_horizontal(pl.col("at_utc").max(), pl.col("_end").first())
        - pl.max_horizontal(pl.col("at_utc").min(), pl.col("plugged_at_utc").first())
    ).over(stay)
    ranked = told.with_columns(_shared=shared)
    best = ranked.sort("_shared", "_stay", descending=True).unique("attempt_id", keep="first")
    return ranked.join(best.select(stay), on=stay, how="semi", maintain_order="left")


# What of a report is laid beside attempts, and reports so laid at a time: all columns of all of them
# took half of the stage's memory.
_OF_A_REPORT = ("vehicle_id", "at_utc", "file_id", "line", "event", "soc_pct")
_REPORTS_AT_ONCE = 100_000


def _told(reports: pl.DataFrame, ends: pl.DataFrame, slack: timedelta) -> pl.DataFrame:
    """What some vehicles reported, by the attempt it belongs to."""
    at = pl.col("at_utc")
    away = pl.max_horizontal(
        pl.col("plugged_at_utc") - at, at - pl.col("_end"), pl.lit(timedelta(0))
    )
    return (
        meeting(
            stays(reports),
            ends,
            "vehicle_id",
            ((at, at), (pl.col("plugged_at_utc") - slack, pl.col("_end") + slack)),
        )
        .with_columns(_away=away)
        .sort("file_id", "line", "_away", "plugged_at_utc")
        .unique(["file_id", "line"], keep="first", maintain_order=True)
        .pipe(of_one_stay)
        .sort("attempt_id", "at_utc", "file_id", "line")
        .group_by("attempt_id", maintain_order=True)
        .agg(
            vehicle_fault=(pl.col("event") == "charge_fault").any(),
            vehicle_fault_utc=pl.col("at_utc").filter(pl.col("event") == "charge_fault").last(),
            _soc_plug=pl.col("soc_pct")
            .filter(pl.col("event").is_in(["plugged", "charge_started"]))
            .drop_nulls()
            .first(),
            _soc=pl.col("soc_pct")
            .filter(pl.col("event").is_in(["charge_stopped", "unplugged", "charge_fault"]))
            .drop_nulls()
            .last(),
        )
    )


def enriched(
    attempts: pl.DataFrame, charging: pl.DataFrame, settings: NormaliseSettings
) -> pl.DataFrame:
    """Adds `vehicle_fault` (null: the vehicle reported nothing), when it last did, and the last state
    of charge it told, while plugged in.

    A report belongs to the attempt it lies in, else to the nearest within the slack; of several stays
    the vehicle told of beside one attempt, those of the stay that shares most time with it.
    """
    slack = timedelta(seconds=settings.telematics_slack_s)
    end = pl.coalesce("unplugged_at_utc", "seen_utc")
    ends = attempts.filter(pl.col("vehicle_id").is_not_null()).select(
        "attempt_id", "vehicle_id", "plugged_at_utc", _end=end
    )
    share = pl.col("vehicle_id").hash() % (1 + charging.height // _REPORTS_AT_ONCE)
    reports = charging.select(_OF_A_REPORT).with_columns(_share=share)
    told = pl.concat(
        _told(part, ends, slack)
        for part in reports.partition_by("_share", include_key=False) or [reports]
    )
    return (
        attempts.join(told, on="attempt_id", how="left", maintain_order="left")
        .with_columns(
            soc_plug_pct=pl.coalesce("soc_plug_pct", "_soc_plug"),
            soc_leave_pct=pl.coalesce("soc_leave_pct", "_soc"),
            source=pl.when(
                pl.col("vehicle_fault").is_not_null() & ~pl.col("source").str.contains("telematics")
            )
            .then(pl.format("{}+telematics", "source"))
            .otherwise("source"),
        )
        .drop("_soc", "_soc_plug")
    )
