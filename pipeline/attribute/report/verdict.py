"""The verdict on a unit, and when its fault began, in words."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl

from pipeline.attribute.evidence import Evidence
from pipeline.attribute.states.model import Ints
from pipeline.settings.attribute import AttributeSettings


def with_verdict(
    frame: pl.DataFrame, settings: AttributeSettings, *, equipment: bool
) -> pl.DataFrame:
    """Add `separable`, `provable` (the verdict may be 'fault'), `fault_from` (the probability it takes) and `verdict`.

    Never 'fault' on one partner alone, or where a rival story of all its failures does about as
    well; nor 'clear' on one partner alone where its failures left it likelier than before.
    """
    fault_at = settings.equipment_fault_at if equipment else settings.fault_at
    least_bits = settings.equipment_separable_bits if equipment else settings.separable_bits
    separable = pl.col("separable_bits") >= least_bits
    widely = (pl.col("partners") >= settings.partners_at_least) & (
        pl.col("partners_failed_lately") >= settings.partners_at_least
    )
    unseen_elsewhere = (pl.col("partners") < settings.partners_at_least) & (
        pl.col("p") > settings.vehicle.prevalence
    )
    once_certain = pl.col("p_height") >= settings.fault_at
    still_at = settings.equipment_still_at if equipment else fault_at
    return frame.with_columns(
        separable=separable,
        provable=widely & separable,
        fault_from=pl.when(once_certain).then(still_at).otherwise(fault_at),
    ).with_columns(
        pl.when((pl.col("p") >= pl.col("fault_from")) & pl.col("provable"))
        .then(pl.lit("fault"))
        .when(pl.col("p") >= settings.doubt_at)
        .then(pl.lit("doubt"))
        .when(pl.col("can_clear") & ~unseen_elsewhere)
        .then(pl.lit("clear"))
        .otherwise(pl.lit("insufficient_data"))
        .alias("verdict")
    )


def since_words(evidence: Evidence, unit: Ints, units: int, onset: pl.Series) -> pl.Series:
    """When each unit began to fail, in words (units,).

    A fault that was there at its first attempt has no date.
    """
    first = np.full(units, evidence.days, dtype=np.int64)
    known = unit < units
    np.minimum.at(first, unit[known], evidence.day[known])
    day = onset.dt.strftime("%Y-%m-%d")
    begin = pl.lit(evidence.begin_utc).cast(pl.Datetime("us", "UTC"))
    opening = int(evidence.day.min())
    before = "before the logs begin" if evidence.cut or opening > 0 else "before the look-back"
    frame = pl.DataFrame(
        {
            "day": day,
            "early": onset < evidence.begin_utc + timedelta(days=opening + 1),
            "first": first,
        }
    )
    met = pl.format(
        "its first attempt, {}", (begin + pl.duration(days="first")).dt.strftime("%Y-%m-%d")
    )
    words = (
        pl.when(pl.col("early") & (pl.col("first") <= opening + 1)).then(pl.lit(before))
        .when("early").then(met)
        .otherwise(pl.format("about {}", "day"))
    )  # fmt: skip
    return frame.select(words.alias("since")).to_series()
