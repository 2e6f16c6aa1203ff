"""Each EVSE's own usual levels, and each vehicle's readings against them.

The usual level leaves the vehicle in question out, so an odd vehicle cannot shift what it is
measured against; and as it comes from other vehicles at the same EVSE, a weak pilot generator (all
vehicles read high) is not mistaken for a vehicle's diode.
"""

from __future__ import annotations

from datetime import timedelta

import polars as pl

from pipeline.circuit.pilot import GENERATOR_TOLERANCE, GENERATOR_V
from pipeline.circuit.reverse_path import METER_SD_V
from pipeline.core.constants import MAD_TO_SD, MEDIAN_EFFICIENCY, UNIFORM_SD
from pipeline.refer.suspects.unseen import EVSE_AT_FAULT
from pipeline.settings.refer import ReferSettings

NOMINAL_SE_V = float((GENERATOR_V * GENERATOR_TOLERANCE * UNIFORM_SD) + METER_SD_V)
AROUND = timedelta(days=7)
"""Readings of other vehicles further off say nothing of the EVSE's level at an attempt; judgement."""
RESTLESS_SHARE = 1 / 3
"""Share of an EVSE's vehicles in a week that read high from which the EVSE itself is at work; faulty diodes are far fewer."""


def readings(attempts: pl.DataFrame) -> pl.DataFrame:
    """One row per attempt and state (B2, C2) of which a level was logged.

    Columns `attempt_id, who, vehicle_id, evse_id, at, week_utc, state, low_v, high_v`; `who` is the
    vehicle, or whatever stands for it where it is unknown.
    """
    base = attempts.filter(pl.col("weight") > 0).with_columns(
        pl.coalesce("vehicle_id", pl.concat_str(pl.lit("token "), "id_token"), "attempt_id").alias(
            "who"
        ),
        pl.col("plugged_at_utc").alias("at"),
        pl.col("plugged_at_utc").dt.truncate("1w").alias("week_utc"),
    )
    columns = ("attempt_id", "who", "vehicle_id", "evse_id", "at", "week_utc")
    return pl.concat(
        base.filter(pl.col(low).is_not_null() | pl.col(high).is_not_null()).select(
            *columns,
            pl.lit(state).alias("state"),
            pl.col(low).alias("low_v"),
            pl.col(high).alias("high_v"),
        )
        for state, low, high in (
            ("B2", "pilot_low_b_v", "pilot_high_b_v"),
            ("C2", "pilot_low_c_v", "pilot_high_c_v"),
        )
    )


def others_median(frame: pl.DataFrame, over: list[str], value: str) -> pl.DataFrame:
    """The frame with `others` (the group's median without the row's own value, null where it is
    alone) and `others_n`.

    Leaving one value out moves a median between three middle order statistics at most, so those are
    all a row needs.
    """
    ordered, n = pl.col(value).sort(), pl.len().cast(pl.Int64)
    middle = frame.group_by(over).agg(
        (n - 1).alias("others_n"),
        ordered.get(pl.max_horizontal((n - 3) // 2, 0)).alias("_below"),
        ordered.get((n - 1) // 2).alias("_middle"),
        ordered.get(pl.min_horizontal((n + 1) // 2, n - 1)).alias("_above"),
    )
    # the row's own place among the sorted values of its group, from 0
    place, rest = pl.col(value).rank("ordinal").over(over).cast(pl.Int64) - 1, pl.col("others_n")
    first = pl.when(place > rest // 2 - 1).then("_below").otherwise("_middle")
    second = pl.when(place > rest // 2).then("_middle").otherwise("_above")
    return (
        frame.join(middle, on=over, how="left", maintain_order="left")
        .with_columns(
            pl.when(rest > 0)
            .then(pl.when(rest % 2 == 1).then(second).otherwise((first + second) / 2))
            .alias("others")
        )
        .drop("_below", "_middle", "_above")
    )


def _usual(frame: pl.DataFrame, over: list[str], name: str, level: str = "low_v") -> pl.DataFrame:
    """Per `over` and `who`.

    The other vehicles' median (`<name>_v`), and how many they are (`<name>_n`).
    """
    own = frame.filter(pl.col(level).is_not_null()).group_by([*over, "who"])
    return others_median(own.agg(pl.col(level).median()), over, level).select(
        *over, "who", pl.col("others").alias(f"{name}_v"), pl.col("others_n").alias(f"{name}_n")
    )


def _noise(frame: pl.DataFrame, settings: ReferSettings) -> pl.DataFrame:
    """Per EVSE.

    `noise_v`, the robust spread of readings within a vehicle and week, shrunk to the fleet's where
    few.
    """
    together = ["evse_id", "state", "who", "week_utc"]
    inner = frame.with_columns(
        pl.coalesce(
            *(
                (pl.col(level) - pl.col(level).median().over(together)).abs()
                for level in ("low_v", "high_v")
            )
        ).alias("off_v"),
        pl.len().over(together).alias("n"),
    ).filter(pl.col("n") >= 3)
    fleet = inner["off_v"].median()
    floor = settings.level_noise_floor_v
    common = max(MAD_TO_SD * float(fleet), floor) if isinstance(fleet, float) else 2 * floor
    per_evse = inner.group_by("evse_id").agg(
        (MAD_TO_SD * pl.col("off_v").median()).alias("own_v"), pl.len().alias("n")
    )
    # 20 readings pull half way: the spread of a spread from n readings is about 1 / sqrt(n)
    shrunk = (pl.col("own_v") * pl.col("n") + common * 20) / (pl.col("n") + 20)
    return (
        frame.select("evse_id")
        .unique()
        .join(per_evse, on="evse_id", how="left", maintain_order="left")
        .select(
            "evse_id", pl.max_horizontal(shrunk.fill_null(common), pl.lit(floor)).alias("noise_v")
        )
    )


def against_usual(frame: pl.DataFrame, settings: ReferSettings) -> pl.DataFrame:
    """Readings of known vehicles with `usual_v`, `usual_se_v`, `usual_from` (same_week, look_back,
    nominal) and `noise_v`; besides `usual_high_v` and `usual_high_se_v`, the others' over the
    look-back, null where they are too few.

    `frame`: as `readings` gives it. The usual level is that of the other vehicles in the same week,
    else in the look-back, else the nominal -12 V with the generator's tolerance. Weeks in which the
    EVSE's own level moves are left out.
    """
    enough = settings.level_others
    noise = _noise(frame, settings)
    rows = (
        frame.join(
            _usual(frame, ["evse_id", "state", "week_utc"], "week"),
            on=["evse_id", "state", "week_utc", "who"],
            how="left",
        )
        .join(
            _usual(frame, ["evse_id", "state"], "long"),
            on=["evse_id", "state", "who"],
            how="left",
            maintain_order="left",
        )
        .join(
            _usual(frame, ["evse_id", "state"], "others_high", "high_v"),
            on=["evse_id", "state", "who"],
            how="left",
            maintain_order="left",
        )
        .join(noise, on="evse_id", how="left", maintain_order="left")
        .sort("at", "attempt_id", "state")
    )
    same_week, long = pl.col("week_n") >= enough, pl.col("long_n") >= enough
    usual = pl.when(same_week).then("week_v").when(long).then("long_v").otherwise(-GENERATOR_V)
    rows = rows.with_columns(usual.alias("usual_v"))
    for restless in (_restless_weeks(rows, enough), _restless_moments(rows)):
        on = restless.columns
        rows = rows.join(restless, on=on, how="anti", nulls_equal=True, maintain_order="left")
    se = MEDIAN_EFFICIENCY * pl.col("noise_v")
    return rows.filter(pl.col("vehicle_id").is_not_null()).select(
        "attempt_id", "vehicle_id", "evse_id", "at", "week_utc", "state", "low_v", "high_v", "noise_v",
        "usual_v",
        pl.when(same_week).then(se / pl.col("week_n").sqrt()).when(long).then(se / pl.col("long_n").sqrt() * 2)
        .otherwise(NOMINAL_SE_V).alias("usual_se_v"),
        pl.when(same_week).then(pl.lit("same_week")).when(long).then(pl.lit("look_back")).otherwise(pl.lit("nominal"))
        .alias("usual_from"),
        pl.when(pl.col("others_high_n") >= enough).then("others_high_v").alias("usual_high_v"),
        pl.when(pl.col("others_high_n") >= enough).then(se / pl.col("others_high_n").sqrt() * 2).alias("usual_high_se_v"),
    )  # fmt: skip


def without_evse_failures(rows: pl.DataFrame, attempts: pl.DataFrame) -> pl.DataFrame:
    """Readings but those of attempts that failed more probably by the EVSE than not: its generator may be what they show.

    `rows`: as `against_usual` gives them, where they have counted among the EVSE's own; `attempts`: with blame.
    """
    theirs = attempts.filter(pl.col("p_evse") > EVSE_AT_FAULT)
    return rows.join(theirs, on="attempt_id", how="anti", maintain_order="left")


def _restless_moments(rows: pl.DataFrame) -> pl.DataFrame:
    """`attempt_id, state` of readings above `usual_v` at an EVSE where, of the readings of other vehicles next before and after it, two
    or more and at least half are above it too.

    So a pilot generator that goes bad within a week, or on its last day, is not taken for a vehicle. Rows in order of time; only
    EVSEs with a reading above need a look.
    """
    here, who, at, low = ["evse_id", "state"], pl.col("who"), pl.col("at"), pl.col("low_v")
    line = pl.col("usual_v") + 5 * pl.col("noise_v")
    beside = [
        pl.when(who.shift(k).over(here) != who, (at.shift(k).over(here) - at).abs() <= AROUND)
        .then(low.shift(k).over(here) > line)
        .cast(pl.Int64)
        for k in (-2, -1, 1, 2)
    ]
    lifted, seen = pl.sum_horizontal(beside), pl.sum_horizontal(b.is_not_null() for b in beside)
    places = rows.filter(low > line).select(here).unique()
    return (
        rows.select("attempt_id", *here, who, at, low, "usual_v", "noise_v")
        .join(places, on=here, how="semi", nulls_equal=True, maintain_order="left")
        .filter(low > line, lifted >= 2, lifted * 2 >= seen)
        .select("attempt_id", "state")
    )


def _restless_weeks(rows: pl.DataFrame, enough: int) -> pl.DataFrame:
    """`evse_id, week_utc` in which two vehicles or more, and a third of all there, read above the EVSE's usual level.

    Then the pilot generator moves, not a vehicle's diode, and the week says nothing about vehicles.
    """
    here, vehicles = ["evse_id", "week_utc"], pl.col("who").n_unique()
    high = (pl.col("low_v") - pl.col("long_v") > 5 * pl.col("noise_v")) & (
        pl.col("long_n") >= enough
    )
    several = rows.filter(high).group_by(here).agg(high=vehicles).filter(pl.col("high") >= 2)
    return (
        rows.select(*here, "who")
        .join(several, on=here, nulls_equal=True)
        .group_by(here)
        .agg(pl.col("high").first(), of=vehicles)
        .filter(pl.col("high") >= RESTLESS_SHARE * pl.col("of"))
        .select(here)
    )
