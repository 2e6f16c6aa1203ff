"""Energy of a plug-in from meter registers at start and stop and the samples between, transaction by transaction."""

from __future__ import annotations

import polars as pl

REGISTER = "Energy.Active.Import.Register"
LEAST_STEP_WH = 1.0
"""A rise of the register below its resolution says nothing; OCPP 1.6 gives whole Wh."""
MOST_KW, OVER_RATING, SPARE_KWH = 400.0, 1.2, 0.2
"""A leap beyond this is no energy: the largest station where no rating is given, a fifth over the rating; practice."""


def readings(signals: pl.DataFrame, samples: pl.DataFrame) -> pl.DataFrame:
    """Register readings in Wh: `plug_in, transaction_id, at_utc, register_wh`, from assigned signals and samples."""
    metered = signals.filter(
        pl.col("meter_wh").is_not_null() & pl.col("action").is_in(["StartTransaction", "StopTransaction", "TransactionEvent"])
    ).select("plug_in", "transaction_id", "at_utc", register_wh="meter_wh")
    outlet = pl.col("location").is_null() | (pl.col("location") == "Outlet")
    wh = pl.col("sample_value") * pl.when(pl.col("unit") == "kWh").then(1000.0).otherwise(1.0)
    rows = samples.filter((pl.col("measurand").fill_null(REGISTER) == REGISTER) & outlet & pl.col("sample_value").is_not_null())
    whole = rows.filter(pl.col("phase").is_null()).select("plug_in", "transaction_id", "at_utc", register_wh=wh)
    by_phase = (
        rows.filter(pl.col("phase").is_in(["L1", "L2", "L3", "L1-N", "L2-N", "L3-N"]))
        .group_by("plug_in", "transaction_id", "at_utc")
        .agg(register_wh=wh.sum())
    )
    alone = by_phase.join(whole.select("plug_in").unique(), on="plug_in", how="anti")
    return pl.concat([metered, whole, alone.select(whole.columns)])


def delivered(register: pl.DataFrame, limits: pl.DataFrame) -> pl.DataFrame:
    """`plug_in, metered_kwh, delivering_utc`: last less first reading of each transaction, and when the register first rose.

    A reading that runs backwards, or leaps by more than the EVSE can deliver (`limit_kw`) in the time, does not count;
    with no second reading left the energy is not known (null).
    """
    ordered = register.join(limits, on="plug_in").sort("plug_in", "at_utc", "register_wh")
    ordered = ordered.with_columns(
        start_wh=pl.col("register_wh").first().over("plug_in", "transaction_id"),
        hours=(pl.col("at_utc") - pl.col("at_utc").first().over("plug_in", "transaction_id")).dt.total_microseconds() / 3.6e9,
        place=pl.int_range(pl.len()).over("plug_in", "transaction_id"),
    )
    rise_wh = pl.col("register_wh") - pl.col("start_wh")
    most_wh = (pl.col("limit_kw").fill_null(MOST_KW) * OVER_RATING * pl.col("hours") + SPARE_KWH) * 1000
    fits = ordered.filter((pl.col("place") > 0) & (rise_wh >= 0) & (rise_wh <= most_wh))
    each = fits.group_by("plug_in", "transaction_id", maintain_order=True).agg(
        wh=rise_wh.max(), delivering_utc=pl.col("at_utc").filter(rise_wh >= LEAST_STEP_WH).first()
    )
    return each.group_by("plug_in").agg(metered_kwh=pl.col("wh").sum() / 1000.0, delivering_utc=pl.col("delivering_utc").min())


def sampled_flow(samples: pl.DataFrame) -> pl.DataFrame:
    """`plug_in, flow_utc, soc_pct`: when power or current first flowed, and the last state of charge the vehicle told."""
    flowing = pl.col("measurand").is_in(["Power.Active.Import", "Current.Import"]) & (pl.col("sample_value") > 0)
    return (
        samples.sort("plug_in", "at_utc")
        .group_by("plug_in")
        .agg(
            flow_utc=pl.col("at_utc").filter(flowing).first(),
            soc_pct=pl.col("sample_value").filter(pl.col("measurand") == "SoC").last(),
        )
    )
