"""Energy registers: readings of a plug-in in order, and their forward steps.

A register may roll over at the end of its digits, or start again at zero after a restart; a lone
reading off the line of its neighbours, and a stop's nought, are no readings.
"""

from __future__ import annotations

from datetime import timedelta

import polars as pl

from pipeline.core.masks import is_true
from pipeline.ocpp.predicates import is_of_transaction, is_stop
from pipeline.settings.energy import EnergySettings

REGISTER = "Energy.Active.Import.Register"
ROLLS_OVER_WH = (1e6, 1e7, 1e8)
"""Registers of six to eight digits in Wh start again from nought at these; facts, H5."""
READING = ["plug_in", "transaction_id", "at_utc", "register_wh", "closing"]
ORDER = ["plug_in", "at_utc", "register_wh", "transaction_id", "closing"]
"""Of readings at one instant none may be first by chance: the answer must be the same in every run."""
TRANSACTION = ["plug_in", "transaction_id"]
PHASES = ["L1", "L2", "L3", "L1-N", "L2-N", "L3-N"]


def outlet(samples: pl.DataFrame, measurand: str) -> pl.DataFrame:
    """Samples of a measurand at the outlet that have a value."""
    here = (pl.col("measurand") == measurand) & (pl.col("location") == "Outlet")
    return samples.filter(here & pl.col("sample_value").is_not_null())


def watt_hours() -> pl.Expr:
    """A sample of energy in Wh."""
    return pl.col("sample_value") * pl.when(pl.col("unit") == "kWh").then(1000.0).otherwise(1.0)


def readings(signals: pl.DataFrame, samples: pl.DataFrame) -> pl.DataFrame:
    """Register readings in Wh from assigned signals and samples; `closing` where it is the one at a
    transaction's end.

    A reading without transaction belongs to the plug-in's transaction where it has just one.
    """
    metered = signals.filter(pl.col("meter_wh").is_not_null() & is_of_transaction())
    rows = outlet(samples, REGISTER).with_columns(
        register_wh=watt_hours(), closing=pl.col("sample_context") == "Transaction.End"
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


def steps(register: pl.DataFrame, plug_ins: pl.DataFrame, settings: EnergySettings) -> pl.DataFrame:
    """Readings in order, each with its `step_wh` since the one before (null: none that counts) and `kwh` delivered by then.

    A step counts forward; over the end of the register's digits; or from zero where it began again.
    One that runs backwards otherwise, or leaps by more than the EVSE can deliver (`limit_kw`) in the
    time, does not. A lone reading off the line of its neighbours, and a stop's nought, are no
    readings. Where the reading at the end is missing, the register at the start of the next session
    stands for it, if it had risen.
    """
    limits = plug_ins.select("plug_in", "limit_kw")
    numbers = register.select(TRANSACTION).unique().with_row_index("_t")

    def in_order(rows: pl.DataFrame) -> pl.DataFrame:
        """Readings of each transaction (`_t`, its number) together, in order."""
        return rows.sort("_t", "at_utc", "register_wh", "closing")

    def known_of(rows: pl.DataFrame) -> pl.DataFrame:
        named = rows.join(limits, on="plug_in")
        return named.join(numbers, on=TRANSACTION, nulls_equal=True)

    own = in_order(known_of(register))
    before = (pl.col("register_wh").cum_max().shift(1) > 0).over("_t")
    nought = is_true(pl.col("closing") & (pl.col("register_wh") == 0) & before)
    own = _without_strays(own.filter(~nought), settings)
    late = known_of(following(register, plug_ins, settings).select(READING))
    ordered = in_order(pl.concat([own, late.select(own.columns)]))
    known = pl.col("closing").fill_null(value=False).any().over("_t")
    lower = pl.col("register_wh") < _beside("register_wh", 1)
    ordered = ordered.filter(pl.col("closing").is_not_null() | (~known & ~is_true(lower)))
    ordered = ordered.with_columns(**_since_previous(settings))
    rise_wh, most_wh = pl.col("_rise_wh"), pl.col("_most_wh")
    rolled = pl.coalesce(
        *(
            pl.when((rise_wh + end).is_between(0, most_wh) & (pl.col("register_wh") - rise_wh < end)).then(rise_wh + end)
            for end in ROLLS_OVER_WH
        )
    )  # fmt: skip
    fell = pl.col("register_wh") <= settings.restart_share * (pl.col("register_wh") - rise_wh)
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
    risen = (pl.col("step_wh") >= settings.least_step_wh).any().over("_t")
    counted = stepped.filter(pl.col("closing").is_not_null() | risen)
    return (
        counted.drop("_rise_wh", "_most_wh", "_t")
        .sort(ORDER)
        .with_columns(kwh=pl.col("step_wh").fill_null(0.0).cum_sum().over("plug_in") / 1000.0)
    )


def _beside(column: str, by: int) -> pl.Expr:
    """The value so many readings before (below 0: after) in the same transaction; readings of one stand together."""
    return pl.when(pl.col("_t") == pl.col("_t").shift(by)).then(pl.col(column).shift(by))


def _since_previous(settings: EnergySettings) -> dict[str, pl.Expr]:
    """Rise since the reading before in the transaction, and the most the EVSE can have delivered since, in Wh."""
    hours = (pl.col("at_utc") - _beside("at_utc", 1)).dt.total_microseconds() / 3.6e9
    rise_wh = pl.col("register_wh") - _beside("register_wh", 1)
    return {"_rise_wh": rise_wh, "_most_wh": _most_wh(hours, settings)}


def _most_wh(hours: pl.Expr, settings: EnergySettings) -> pl.Expr:
    most_kw = pl.col("limit_kw").fill_null(settings.most_kw) * settings.over_rating
    return (most_kw * hours + settings.spare_kwh) * 1000


def _without_strays(ordered: pl.DataFrame, settings: EnergySettings) -> pl.DataFrame:
    """Readings without those that are off the line of their neighbours, which agree with each other."""
    wh = pl.col("register_wh")
    beside = ordered.with_columns(
        _before=_beside("register_wh", 1),
        _after=_beside("register_wh", -1),
        _apart=_beside("at_utc", -1) - _beside("at_utc", 1),
    )
    before, after = pl.col("_before"), pl.col("_after")
    hours = pl.col("_apart").dt.total_microseconds() / 3.6e9
    agree = (after >= before) & (after - before <= _most_wh(hours, settings))
    return beside.filter(~is_true(agree & ((wh < before) | (wh > after)))).select(ordered.columns)


def of_steps(stepped: pl.DataFrame, settings: EnergySettings) -> pl.DataFrame:
    """`plug_in, partial, metered_kwh, delivering_utc` of plug-ins with a step that counts."""
    counts = pl.col("step_wh").is_not_null()
    closed = counts & ~is_true(~pl.col("closing"))
    each = stepped.group_by("plug_in", "transaction_id", maintain_order=True).agg(
        partial=~closed.any() | pl.col("broken").any(),
        wh=pl.col("step_wh").sum(),
        known=counts.any(),
        delivering_utc=pl.col("at_utc")
        .filter(pl.col("step_wh").fill_null(0.0).cum_sum() >= settings.least_step_wh)
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


def following(
    register: pl.DataFrame, plug_ins: pl.DataFrame, settings: EnergySettings
) -> pl.DataFrame:
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
        (pl.col("next_utc") - at <= timedelta(hours=settings.next_within_h))
        & pl.col("register_wh").is_not_null()
        & pl.col("first_wh").is_not_null()
    )
    return chain.filter(soon).with_columns(at_utc=at, closing=pl.lit(None, dtype=pl.Boolean))
