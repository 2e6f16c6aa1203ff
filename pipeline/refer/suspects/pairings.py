"""Which pairing of vehicle model, EVSE model and firmware is at fault: attribution's probability and counts."""

from __future__ import annotations

import polars as pl

from pipeline.refer.decision import call_units, worth_acting, worth_watching
from pipeline.refer.equipment_wording import pairing_reason
from pipeline.refer.inputs import ReferInputs
from pipeline.settings.refer import ReferSettings


def judge_pairings(
    inputs: ReferInputs, attempts: pl.DataFrame, settings: ReferSettings
) -> pl.DataFrame:
    """One row per vehicle model x EVSE model x firmware with a failure.

    The columns of out_pairings.
    """
    keys = ["vehicle_model", "evse_model", "firmware"]
    failed = pl.col("outcome") == "failed"
    counts = (
        attempts.filter(
            pl.col("outcome").is_in(["charged", "failed"]),
            pl.col("vehicle_model").is_not_null(),
            pl.col("evse_model").is_not_null(),
        )
        .with_columns(pl.col("firmware").fill_null(""))
        .group_by(keys)
        .agg(
            pl.len().cast(pl.Int64).alias("attempts"),
            failed.sum().cast(pl.Int64).alias("failures"),
            pl.col("vehicle_id").drop_nulls().n_unique().cast(pl.Int64).alias("vehicles"),
            pl.col("evse_id").n_unique().cast(pl.Int64).alias("evses"),
        )
        .filter(pl.col("failures") > 0)
    )
    known = inputs.attributed.pairings.select(*keys, "p_pairing", "verdict", "reason").with_columns(
        pl.col("firmware").fill_null("")
    )
    table = counts.join(known, on=keys, how="left").with_columns(
        pl.col("p_pairing").fill_null(0.0),
        pl.col("verdict").fill_null("insufficient_data"),
        pl.col("reason").fill_null("too little to say."),
        sure=pl.col("verdict").fill_null("") == "fault",
    )
    act = worth_acting(settings.cost_needless_pairing_case, settings.cost_week_bad_pairing)
    watch = worth_watching(settings.cost_watching, settings.cost_week_bad_pairing)
    return (
        call_units(table, "p_pairing", act, watch)
        .with_columns(pairing_reason().alias("reason"))
        .sort(keys)
    )
