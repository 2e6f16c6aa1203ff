"""Energy of a plug-in, and how it rose: registers, else intervals, else power and current.

A register's energy is the sum of its forward steps, transaction by transaction: it may roll over, or
start again at zero after a restart. Where registers stand still though current flows, the intervals
are added up; where there are none, power over time.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import polars as pl

from pipeline.core.masks import is_true
from pipeline.ocpp.predicates import is_of_transaction, is_stop

REGISTER, INTERVAL = "Energy.Active.Import.Register", "Energy.Active.Import.Interval"
LEAST_STEP_WH = 1.0
"""A rise of the register below its resolution says nothing; OCPP 1.6 gives whole Wh."""
MOST_KW, OVER_RATING, SPARE_KWH = 400.0, 1.2, 0.2
"""A leap beyond this is no energy: the largest station where no rating is given, a fifth over the rating; practice."""
ROLLS_OVER_WH = (1e6, 1e7, 1e8)
"""Registers of six to eight digits in Wh start again from nought at these; facts, H5."""
STILL_KWH = 0.1
"""A register that stands still while power or current say this much flowed is none; a register's step, practice."""
RESTART_SHARE = 0.5
"""A register that falls to less than this share began again from zero; one that falls less is a bad reading; decided."""
NEXT_WITHIN = timedelta(days=1)
"""The register at the start of the next session, this soon, is what it was at the end of this one; decided."""
READING = ["plug_in", "transaction_id", "at_utc", "register_wh", "closing"]
ORDER = ["plug_in", "at_utc", "register_wh", "transaction_id", "closing"]
"""Of readings at one instant none may be first by chance: the answer must be the same in every run."""
PHASES = ["L1", "L2", "L3", "L1-N", "L2-N", "L3-N"]
LEAST_A, LEAST_W = 1.0, 100.0
"""Less is the meter's noise: no vehicle charges below 6 A (IEC 61851-1, as given by a secondary source)."""
MAINS_V = 230.0
HELD_S = 3600.0
"""A sample of power says nothing of longer than this; samples come every minute to quarter of an hour, practice."""
CURVE = ["plug_in", "at_utc", "kwh"]


@dataclass(frozen=True)
class Metered:
    """`totals`: `plug_in, metered_kwh, partial, delivering_utc`; `curve`: `plug_in, at_utc, kwh` delivered by then."""

    totals: pl.DataFrame
    curve: pl.DataFrame


def of_plug_ins(signals: pl.DataFrame, samples: pl.DataFrame, plug_ins: pl.DataFrame) -> Metered:
    """Energy of each plug-in by the best of its meters.

    Parameters
    ----------
    signals, samples
        Rows with their `plug_in`; registers in Wh or kWh, power in W or kW.
    plug_ins
        With `evse_id, from_utc, bound_utc` and `limit_kw`, the EVSE's rating.

    Returns
    -------
    Metered
        Plug-ins of which nothing is known are left out. `partial`: at least so much.

    """
    stepped = steps(readings(signals, samples), plug_ins)
    by_register = of_steps(stepped)
    by_interval, by_flow = intervals(samples), flow(samples)
    flown = pl.concat([by_interval, by_flow]).group_by("plug_in").agg(pl.col("kwh").max())
    moved = by_register.filter(pl.col("metered_kwh") * 1000 >= LEAST_STEP_WH).select("plug_in")
    shown = flown.filter(pl.col("kwh") >= STILL_KWH).join(moved, on="plug_in", how="anti")
    other = by_interval.filter(pl.col("kwh").max().over("plug_in") * 1000 >= LEAST_STEP_WH)
    other = pl.concat(
        [other, by_flow.join(other.select("plug_in").unique(), on="plug_in", how="anti")]
    )
    other = other.join(shown.select("plug_in"), on="plug_in", how="semi", maintain_order="left")
    instead = other.group_by("plug_in", maintain_order=True).agg(
        partial=pl.lit(value=True),
        metered_kwh=pl.col("kwh").last(),
        delivering_utc=pl.col("at_utc").filter(pl.col("kwh") * 1000 >= LEAST_STEP_WH).first(),
    )
    kept = by_register.join(shown, on="plug_in", how="anti", maintain_order="left")
    drawn = stepped.join(shown, on="plug_in", how="anti", maintain_order="left")
    return Metered(
        pl.concat([kept, instead.select(kept.columns)]),
        pl.concat([drawn.select(CURVE), other.select(CURVE)]).sort(CURVE),
    )


def readings(signals: pl.DataFrame, samples: pl.DataFrame) -> pl.DataFrame:
    """Register readings in Wh from assigned signals and samples; `closing` where it is the one at a
    transaction's end.

    A reading without transaction belongs to the plug-in's transaction where it has just one.
    """
    metered = signals.filter(pl.col("meter_wh").is_not_null() & is_of_transaction())
    rows = outlet(samples, REGISTER).with_columns(
        register_wh=_wh(), closing=pl.col("sample_context") == "Transaction.End"
    )
    whole = rows.filter(pl.col("phase").is_null())
    phased = rows.filter(pl.col("phase").is_in(PHASES)).join(
        whole.select("plug_in").unique(), on="plug_in", how="anti"
    )
    by_phase = phased.group_by("plug_in", "transaction_id", "at_utc").agg(
        pl.col("register_wh").sum(), pl.col("closing").any()
    )
    at_ends = metered.with_columns(register_wh=pl.col("meter_wh"), closing=is_stop())
    every = pl.concat([frame.select(READING) for frame in (at_ends, whole, by_phase)])
    named = pl.col("transaction_id").drop_nulls()
    only = pl.when(named.n_unique().over("plug_in") == 1).then(named.first().over("plug_in"))
    none = named.n_unique().over("plug_in") == 0
    filled = every.with_columns(transaction_id=pl.coalesce("transaction_id", only), _none=none)
    return filled.filter(pl.col("_none") | pl.col("transaction_id").is_not_null()).drop("_none")


def outlet(samples: pl.DataFrame, measurand: str) -> pl.DataFrame:
    """Samples of a measurand at the outlet that have a value."""
    here = (pl.col("measurand") == measurand) & (pl.col("location") == "Outlet")
    return samples.filter(here & pl.col("sample_value").is_not_null())


def _wh() -> pl.Expr:
    return pl.col("sample_value") * pl.when(pl.col("unit") == "kWh").then(1000.0).otherwise(1.0)


def steps(register: pl.DataFrame, plug_ins: pl.DataFrame) -> pl.DataFrame:
    """Readings in order, each with its `step_wh` since the one before (null: none that counts) and `kwh` delivered by then.

    A step counts forward; over the end of the register's digits; or from zero where it began again.
    One that runs backwards otherwise, or leaps by more than the EVSE can deliver (`limit_kw`) in the
    time, does not. A lone reading off the line of its neighbours, and a stop's nought, are no
    readings. Where the reading at the end is missing, the register at the start of the next session
    stands for it, if it had risen.
    """
    transaction = ["plug_in", "transaction_id"]
    limits = plug_ins.select("plug_in", "limit_kw")
    own = register.join(limits, on="plug_in").sort(ORDER)
    before = (pl.col("register_wh").cum_max().shift(1) > 0).over(transaction)
    nought = is_true(pl.col("closing") & (pl.col("register_wh") == 0) & before)
    own = _without_strays(own.filter(~nought), transaction)
    late = following(register, plug_ins).select(READING).join(limits, on="plug_in")
    ordered = pl.concat([own, late.select(own.columns)]).sort(ORDER)
    known = pl.col("closing").fill_null(value=False).any().over(transaction)
    lower = pl.col("register_wh") < pl.col("register_wh").shift(1).over(transaction)
    ordered = ordered.filter(pl.col("closing").is_not_null() | (~known & ~is_true(lower)))
    rise_wh, most_wh = _since_previous(transaction)
    rolled = pl.coalesce(
        *(
            pl.when((rise_wh + end).is_between(0, most_wh) & (pl.col("register_wh") - rise_wh < end)).then(rise_wh + end)
            for end in ROLLS_OVER_WH
        )
    )  # fmt: skip
    fell = pl.col("register_wh") <= RESTART_SHARE * (pl.col("register_wh") - rise_wh)
    step = (
        pl.when((rise_wh >= 0) & (rise_wh <= most_wh))
        .then(rise_wh)
        .when(rise_wh < 0)
        .then(
            pl.coalesce(
                rolled, pl.when(fell & (pl.col("register_wh") <= most_wh)).then("register_wh")
            )
        )
    )
    stepped = ordered.with_columns(
        step_wh=step, broken=rise_wh.is_not_null() & (step.is_null() | (rise_wh < 0))
    )
    risen = (pl.col("step_wh") >= LEAST_STEP_WH).any().over(transaction)
    return stepped.filter(pl.col("closing").is_not_null() | risen).with_columns(
        kwh=pl.col("step_wh").fill_null(0.0).cum_sum().over("plug_in") / 1000.0
    )


def _since_previous(transaction: list[str]) -> tuple[pl.Expr, pl.Expr]:
    """Rise since the reading before in the transaction, and the most the EVSE can have delivered since, in Wh."""
    at, wh = pl.col("at_utc"), pl.col("register_wh")
    hours = (at - at.shift(1).over(transaction)).dt.total_microseconds() / 3.6e9
    return wh - wh.shift(1).over(transaction), _most_wh(hours)


def _most_wh(hours: pl.Expr) -> pl.Expr:
    return (pl.col("limit_kw").fill_null(MOST_KW) * OVER_RATING * hours + SPARE_KWH) * 1000


def _without_strays(ordered: pl.DataFrame, transaction: list[str]) -> pl.DataFrame:
    """Readings without those that are off the line of their neighbours, which agree with each other."""
    at, wh = pl.col("at_utc"), pl.col("register_wh")
    before, after = wh.shift(1).over(transaction), wh.shift(-1).over(transaction)
    hours = (at.shift(-1).over(transaction) - at.shift(1).over(transaction)).dt.total_microseconds()
    agree = (after >= before) & (after - before <= _most_wh(hours / 3.6e9))
    return ordered.filter(~is_true(agree & ((wh < before) | (wh > after))))


def of_steps(stepped: pl.DataFrame) -> pl.DataFrame:
    """`plug_in, partial, metered_kwh, delivering_utc` of plug-ins with a step that counts."""
    counts = pl.col("step_wh").is_not_null()
    closed = counts & ~is_true(~pl.col("closing"))
    each = stepped.group_by("plug_in", "transaction_id", maintain_order=True).agg(
        partial=~closed.any() | pl.col("broken").any(),
        wh=pl.col("step_wh").sum(),
        known=counts.any(),
        delivering_utc=pl.col("at_utc")
        .filter(pl.col("step_wh").fill_null(0.0).cum_sum() >= LEAST_STEP_WH)
        .first(),
    )
    return (
        each.filter("known")
        .group_by("plug_in", maintain_order=True)
        .agg(
            pl.col("partial").any(),
            metered_kwh=pl.col("wh").sum() / 1000.0,
            delivering_utc=pl.col("delivering_utc").min(),
        )
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


def intervals(samples: pl.DataFrame) -> pl.DataFrame:
    """`plug_in, at_utc, kwh`: energy in intervals, added up.

    A station may tell the same energy by period and by the clock: the fuller of the two series counts.
    """
    context = pl.col("sample_context")
    rows = outlet(samples, INTERVAL).filter(
        ~context.is_in(["Transaction.Begin", "Trigger", "Other"]) & _whole_or_phase()
    )
    each = rows.group_by("plug_in", "at_utc", "sample_context").agg(wh=_wh().sum())
    clock = pl.col("wh").filter(context == "Sample.Clock").sum().over("plug_in")
    period = pl.col("wh").filter(context == "Sample.Periodic").sum().over("plug_in")
    less = pl.when(clock > period).then(pl.lit("Sample.Periodic")).otherwise(pl.lit("Sample.Clock"))
    kept = each.filter(context != less).sort("plug_in", "at_utc", "sample_context")
    return kept.with_columns(kwh=pl.col("wh").cum_sum().over("plug_in") / 1000.0).select(CURVE)


def _whole_or_phase() -> pl.Expr:
    """The whole where one is given in the plug-in, else phases to neutral, which add up."""
    whole = pl.col("phase").is_null().any().over("plug_in")
    return pl.when(whole).then(pl.col("phase").is_null()).otherwise(pl.col("phase").is_in(PHASES))


def flow(samples: pl.DataFrame) -> pl.DataFrame:
    """`plug_in, at_utc, kwh`: power over time between samples; where there is no power, current at the mains' voltage."""
    watts = pl.col("sample_value") * pl.when(pl.col("unit") == "kW").then(1000.0).otherwise(1.0)
    power = outlet(samples, "Power.Active.Import").filter(_whole_or_phase()).with_columns(w=watts)
    amps = outlet(samples, "Current.Import").filter(_whole_or_phase())
    amps = amps.join(power.select("plug_in").unique(), on="plug_in", how="anti")
    both = pl.concat(
        [power, amps.with_columns(w=pl.col("sample_value") * MAINS_V).select(power.columns)]
    )
    each = both.group_by("plug_in", "at_utc").agg(pl.col("w").sum()).sort("plug_in", "at_utc")
    gone_s = (pl.col("at_utc") - pl.col("at_utc").shift(1)).dt.total_microseconds() / 1e6
    mean_w = (pl.col("w") + pl.col("w").shift(1)) / 2
    part = (mean_w * gone_s.clip(upper_bound=HELD_S) / 3.6e6).over("plug_in").fill_null(0.0)
    return (
        each.with_columns(kwh=part)
        .with_columns(pl.col("kwh").cum_sum().over("plug_in"))
        .select(CURVE)
    )


def after(moments: pl.DataFrame, curve: pl.DataFrame, plug_ins: pl.DataFrame) -> pl.DataFrame:
    """`moments` with `after_kwh`: the least energy that must have been delivered after each (null: nothing metered).

    What the meter gained between its last reading before and its first reading after may have come
    before, as far as the EVSE's rating allows.
    """
    known = curve.sort("at_utc").with_columns(read_utc=pl.col("at_utc"))
    ends = curve.group_by("plug_in").agg(end_kwh=pl.col("kwh").max())
    limits = plug_ins.select("plug_in", "limit_kw")
    numbered = moments.with_row_index("_moment").sort("at_utc")
    for side, strategy in (("_before", "backward"), ("_after", "forward")):
        numbered = numbered.join_asof(
            known.rename({"kwh": f"kwh{side}", "read_utc": f"read{side}"}),
            on="at_utc",
            by="plug_in",
            strategy=strategy,  # type: ignore[arg-type]
            check_sortedness=False,
        )
    found = numbered.join(ends, on="plug_in", how="left").join(limits, on="plug_in", how="left")
    hours = (pl.col("at_utc") - pl.col("read_before")).dt.total_microseconds() / 3.6e9
    could = pl.col("kwh_before").fill_null(0.0) + (
        pl.col("limit_kw").fill_null(MOST_KW) * OVER_RATING * hours.fill_null(0.0)
    )
    by_then = pl.min_horizontal(could, pl.coalesce("kwh_after", "end_kwh"))
    return (
        found.with_columns(after_kwh=(pl.col("end_kwh") - by_then).clip(lower_bound=0.0))
        .sort("_moment")
        .drop(
            "_moment", "kwh_before", "read_before", "kwh_after", "read_after", "end_kwh", "limit_kw"
        )
    )


def sampled_flow(samples: pl.DataFrame) -> pl.DataFrame:
    """`plug_in, flow_utc, soc_plug_pct, soc_leave_pct`.

    When power or current first flowed, and the first and last state of charge the vehicle told.
    """
    watts = pl.col("sample_value") * pl.when(pl.col("unit") == "kW").then(1000.0).otherwise(1.0)
    power = (pl.col("measurand") == "Power.Active.Import") & (watts >= LEAST_W)
    flowing = power | (
        (pl.col("measurand") == "Current.Import") & (pl.col("sample_value") >= LEAST_A)
    )
    soc = pl.col("sample_value").filter(pl.col("measurand") == "SoC").drop_nulls()
    return (
        samples.sort("plug_in", "at_utc")
        .group_by("plug_in")
        .agg(
            flow_utc=pl.col("at_utc").filter(flowing).first(),
            soc_plug_pct=soc.first(),
            soc_leave_pct=soc.last(),
        )
    )
