"""Energy of a plug-in from meter registers at start and stop and the samples between, transaction by transaction."""

from __future__ import annotations

import polars as pl

REGISTER = "Energy.Active.Import.Register"
LEAST_STEP_WH = 1.0
"""A rise of the register below its resolution says nothing; OCPP 1.6 gives whole Wh."""


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


def delivered(register: pl.DataFrame) -> pl.DataFrame:
    """`plug_in, metered_kwh, delivering_utc`: last less first reading of each transaction, and when the register first rose."""
    ordered = register.sort("plug_in", "at_utc", "register_wh")
    risen = pl.col("register_wh") - pl.col("register_wh").first() >= LEAST_STEP_WH
    each = ordered.group_by("plug_in", "transaction_id", maintain_order=True).agg(
        wh=pl.col("register_wh").last() - pl.col("register_wh").first(),
        readings=pl.len(),
        delivering_utc=pl.col("at_utc").filter(risen).first(),
    )
    return (
        each.filter(pl.col("readings") > 1)
        .group_by("plug_in")
        .agg(metered_kwh=pl.col("wh").clip(lower_bound=0).sum() / 1000.0, delivering_utc=pl.col("delivering_utc").min())
    )


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
