"""Energy of a plug-in from meter registers at start and stop and the samples between, transaction
by transaction.
"""

from __future__ import annotations

from datetime import timedelta

import polars as pl

REGISTER = "Energy.Active.Import.Register"
LEAST_STEP_WH = 1.0
"""A rise of the register below its resolution says nothing; OCPP 1.6 gives whole Wh."""
LEAST_A, LEAST_W = 1.0, 100.0
"""Less is the meter's noise: no vehicle charges below 6 A (IEC 61851-1, as given by a secondary source)."""
MOST_KW, OVER_RATING, SPARE_KWH = 400.0, 1.2, 0.2
"""A leap beyond this is no energy: the largest station where no rating is given, a fifth over the rating; practice."""
NEXT_WITHIN = timedelta(days=1)
"""The register at the start of the next session, this soon, is what it was at the end of this one; decided."""
READING = ["plug_in", "transaction_id", "at_utc", "register_wh", "closing"]
ORDER = ["plug_in", "at_utc", "register_wh", "transaction_id", "closing"]
"""Of readings at one instant none may be first by chance: the answer must be the same in every run."""
PHASES = ["L1", "L2", "L3", "L1-N", "L2-N", "L3-N"]


def readings(signals: pl.DataFrame, samples: pl.DataFrame) -> pl.DataFrame:
    """Register readings in Wh from assigned signals and samples; `closing` where it is the one at a
    transaction's end.

    A reading without transaction belongs to the plug-in's transaction where it has just one.
    """
    metered = signals.filter(
        pl.col("meter_wh").is_not_null()
        & pl.col("action").is_in(["StartTransaction", "StopTransaction", "TransactionEvent"])
    )
    ended = (pl.col("action") == "StopTransaction") | (pl.col("event_type") == "Ended").fill_null(
        value=False
    )
    outlet = (pl.col("measurand") == REGISTER) & (pl.col("location") == "Outlet")
    rows = samples.filter(outlet & pl.col("sample_value").is_not_null())
    rows = rows.with_columns(
        register_wh=pl.col("sample_value")
        * pl.when(pl.col("unit") == "kWh").then(1000.0).otherwise(1.0),
        closing=pl.col("sample_context") == "Transaction.End",
    )
    whole = rows.filter(pl.col("phase").is_null())
    phased = rows.filter(pl.col("phase").is_in(PHASES)).join(
        whole.select("plug_in").unique(), on="plug_in", how="anti"
    )
    by_phase = phased.group_by("plug_in", "transaction_id", "at_utc").agg(
        pl.col("register_wh").sum(), pl.col("closing").any()
    )
    at_ends = metered.with_columns(register_wh=pl.col("meter_wh"), closing=ended)
    every = pl.concat([frame.select(READING) for frame in (at_ends, whole, by_phase)])
    named = pl.col("transaction_id").drop_nulls()
    only = pl.when(named.n_unique().over("plug_in") == 1).then(named.first().over("plug_in"))
    none = named.n_unique().over("plug_in") == 0
    filled = every.with_columns(transaction_id=pl.coalesce("transaction_id", only), _none=none)
    return filled.filter(pl.col("_none") | pl.col("transaction_id").is_not_null()).drop("_none")


def metered(register: pl.DataFrame, plug_ins: pl.DataFrame) -> pl.DataFrame:
    """`plug_in, metered_kwh, partial, delivering_utc`: what the register rose by in each
    transaction, and when it first rose.

    A reading that runs backwards, or leaps by more than the EVSE can deliver (`limit_kw` of
    plug_ins) in the time, does not count; with no second reading left the energy is not known
    (null). Where the reading at the end is missing, the register at the start of the next session
    stands for it; where that is missing too the energy is `partial`.
    """
    ordered = pl.concat([register, following(register, plug_ins).select(READING)])
    ordered = ordered.join(plug_ins.select("plug_in", "limit_kw"), on="plug_in").sort(ORDER)
    transaction = ["plug_in", "transaction_id"]
    ordered = ordered.with_columns(
        start_wh=pl.col("register_wh").first().over(transaction),
        hours=(
            pl.col("at_utc") - pl.col("at_utc").first().over(transaction)
        ).dt.total_microseconds()
        / 3.6e9,
        place=pl.int_range(pl.len()).over(transaction),
    )
    rise_wh = pl.col("register_wh") - pl.col("start_wh")
    most_wh = (
        pl.col("limit_kw").fill_null(MOST_KW) * OVER_RATING * pl.col("hours") + SPARE_KWH
    ) * 1000
    fits = ordered.filter((pl.col("place") > 0) & (rise_wh >= 0) & (rise_wh <= most_wh))
    told = pl.col("closing").is_not_null()
    known = (told & pl.col("closing")).any().over(transaction)
    risen = (rise_wh >= LEAST_STEP_WH).any().over(transaction)
    fits = fits.filter(told | (~known & risen))
    each = fits.group_by(transaction, maintain_order=True).agg(
        partial=(told & ~pl.col("closing")).all(),
        wh=rise_wh.max(),
        delivering_utc=pl.col("at_utc").filter(rise_wh >= LEAST_STEP_WH).first(),
    )
    return each.group_by("plug_in").agg(
        pl.col("partial").any(),
        metered_kwh=pl.col("wh").sum() / 1000.0,
        delivering_utc=pl.col("delivering_utc").min(),
    )


def following(register: pl.DataFrame, plug_ins: pl.DataFrame) -> pl.DataFrame:
    """For the last transaction of each plug-in the first reading of the next plug-in at the EVSE,
    as one at its own end.

    `closing` is null there: it counts only where no reading at the end does.
    """
    ordered = register.sort(ORDER)
    ends = ordered.group_by("plug_in", maintain_order=True).agg(
        first_wh=pl.col("register_wh").first(),
        transaction_id=pl.col("transaction_id").last(),
        last_utc=pl.col("at_utc").last(),
    )
    chain = plug_ins.join(ends, on="plug_in", how="left").sort("evse_id", "from_utc")
    chain = chain.with_columns(
        register_wh=pl.col("first_wh").shift(-1).over("evse_id"),
        next_utc=pl.col("from_utc").shift(-1).over("evse_id"),
    )
    at = pl.max_horizontal("last_utc", "bound_utc")
    soon = (
        (pl.col("next_utc") - at <= NEXT_WITHIN)
        & pl.col("register_wh").is_not_null()
        & pl.col("first_wh").is_not_null()
    )
    return chain.filter(soon).with_columns(at_utc=at, closing=pl.lit(None, dtype=pl.Boolean))


def sampled_flow(samples: pl.DataFrame) -> pl.DataFrame:
    """`plug_in, flow_utc, soc_pct`.

    When power or current first flowed, and the last state of charge the vehicle told.
    """
    watts = pl.col("sample_value") * pl.when(pl.col("unit") == "kW").then(1000.0).otherwise(1.0)
    power = (pl.col("measurand") == "Power.Active.Import") & (watts >= LEAST_W)
    flowing = power | (
        (pl.col("measurand") == "Current.Import") & (pl.col("sample_value") >= LEAST_A)
    )
    return (
        samples.sort("plug_in", "at_utc")
        .group_by("plug_in")
        .agg(
            flow_utc=pl.col("at_utc").filter(flowing).first(),
            soc_pct=pl.col("sample_value").filter(pl.col("measurand") == "SoC").last(),
        )
    )
