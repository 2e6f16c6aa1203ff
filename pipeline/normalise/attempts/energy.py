"""Energy of a plug-in, and how it rose: registers, else intervals, else power and current.

A register's energy is the sum of its forward steps, transaction by transaction: it may roll over, or
start again at zero after a restart. Where registers stand still though current flows, the intervals
are added up; where there are none, power over time.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.normalise.attempts.registers import (
    PHASES,
    of_steps,
    outlet,
    readings,
    steps,
    watt_hours,
)
from pipeline.settings.energy import EnergySettings

INTERVAL = "Energy.Active.Import.Interval"
MAINS_V = 230.0
"""Nominal voltage of one phase (IEC 60038, from memory)."""
CURVE = ["plug_in", "at_utc", "kwh"]


@dataclass(frozen=True)
class Metered:
    """`totals`: `plug_in, metered_kwh, partial, delivering_utc`; `curve`: `plug_in, at_utc, kwh` delivered by then."""

    totals: pl.DataFrame
    curve: pl.DataFrame


def of_plug_ins(
    signals: pl.DataFrame, samples: pl.DataFrame, plug_ins: pl.DataFrame, settings: EnergySettings
) -> Metered:
    """Energy of each plug-in by the best of its meters.

    Parameters
    ----------
    signals, samples
        Rows with their `plug_in`; registers in Wh or kWh, power in W or kW.
    plug_ins
        With `evse_id, from_utc, bound_utc` and `limit_kw`, the EVSE's rating.
    settings
        What counts as a step, a restart, noise.

    Returns
    -------
    Metered
        Plug-ins of which nothing is known are left out. `partial`: at least so much.

    """
    stepped = steps(readings(signals, samples), plug_ins, settings)
    by_register = of_steps(stepped, settings)
    by_interval, by_flow = intervals(samples), flow(samples, settings)
    flown = pl.concat([by_interval, by_flow]).group_by("plug_in").agg(pl.col("kwh").max())
    moved = by_register.filter(pl.col("metered_kwh") * 1000 >= settings.least_step_wh).select(
        "plug_in"
    )
    shown = flown.filter(pl.col("kwh") >= settings.register_step_kwh).join(
        moved, on="plug_in", how="anti"
    )
    other = by_interval.filter(pl.col("kwh").max().over("plug_in") * 1000 >= settings.least_step_wh)
    other = pl.concat(
        [other, by_flow.join(other.select("plug_in").unique(), on="plug_in", how="anti")]
    )
    other = other.join(shown.select("plug_in"), on="plug_in", how="semi", maintain_order="left")
    instead = other.group_by("plug_in", maintain_order=True).agg(
        partial=pl.lit(value=True),
        metered_kwh=pl.col("kwh").last(),
        delivering_utc=pl.col("at_utc")
        .filter(pl.col("kwh") * 1000 >= settings.least_step_wh)
        .first(),
    )
    kept = by_register.join(shown, on="plug_in", how="anti", maintain_order="left")
    drawn = stepped.join(shown, on="plug_in", how="anti", maintain_order="left")
    return Metered(
        pl.concat([kept, instead.select(kept.columns)]),
        pl.concat([drawn.select(CURVE), other.select(CURVE)]).sort(CURVE),
    )


def intervals(samples: pl.DataFrame) -> pl.DataFrame:
    """`plug_in, at_utc, kwh`: energy in intervals, added up.

    A station may tell the same energy by period and by the clock: the fuller of the two series counts.
    """
    context = pl.col("sample_context")
    rows = outlet(samples, INTERVAL).filter(
        ~context.is_in(["Transaction.Begin", "Trigger", "Other"]) & _whole_or_phase()
    )
    each = rows.group_by("plug_in", "at_utc", "sample_context").agg(wh=watt_hours().sum())
    clock = pl.col("wh").filter(context == "Sample.Clock").sum().over("plug_in")
    period = pl.col("wh").filter(context == "Sample.Periodic").sum().over("plug_in")
    less = pl.when(clock > period).then(pl.lit("Sample.Periodic")).otherwise(pl.lit("Sample.Clock"))
    kept = each.filter(context != less).sort("plug_in", "at_utc", "sample_context")
    return kept.with_columns(kwh=pl.col("wh").cum_sum().over("plug_in") / 1000.0).select(CURVE)


def _whole_or_phase() -> pl.Expr:
    """The whole where one is given in the plug-in, else phases to neutral, which add up."""
    whole = pl.col("phase").is_null().any().over("plug_in")
    return pl.when(whole).then(pl.col("phase").is_null()).otherwise(pl.col("phase").is_in(PHASES))


def flow(samples: pl.DataFrame, settings: EnergySettings) -> pl.DataFrame:
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
    part = (
        (mean_w * gone_s.clip(upper_bound=settings.sample_holds_s) / 3.6e6)
        .over("plug_in")
        .fill_null(0.0)
    )
    return (
        each.with_columns(kwh=part)
        .with_columns(pl.col("kwh").cum_sum().over("plug_in"))
        .select(CURVE)
    )


def after(
    events: pl.DataFrame, curve: pl.DataFrame, plug_ins: pl.DataFrame, settings: EnergySettings
) -> pl.DataFrame:
    """`events` with `after_kwh`: the least energy that must have been delivered after each (null: nothing metered).

    What the meter gained between its last reading before and its first reading after may have come
    before, as far as the EVSE's rating allows.
    """
    known = curve.sort("at_utc", maintain_order=True).with_columns(read_utc=pl.col("at_utc"))
    ends = curve.group_by("plug_in").agg(end_kwh=pl.col("kwh").max())
    limits = plug_ins.select("plug_in", "limit_kw")
    numbered = events.with_row_index("_event").sort("at_utc")
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
        pl.col("limit_kw").fill_null(settings.most_kw) * settings.over_rating * hours.fill_null(0.0)
    )
    by_then = pl.min_horizontal(could, pl.coalesce("kwh_after", "end_kwh"))
    return (
        found.with_columns(after_kwh=(pl.col("end_kwh") - by_then).clip(lower_bound=0.0))
        .sort("_event")
        .drop(
            "_event", "kwh_before", "read_before", "kwh_after", "read_after", "end_kwh", "limit_kw"
        )
    )


def sampled_flow(samples: pl.DataFrame, settings: EnergySettings) -> pl.DataFrame:
    """`plug_in, flow_utc, soc_plug_pct, soc_leave_pct`.

    When power or current first flowed, and the first and last state of charge the vehicle told.
    """
    watts = pl.col("sample_value") * pl.when(pl.col("unit") == "kW").then(1000.0).otherwise(1.0)
    power = (pl.col("measurand") == "Power.Active.Import") & (watts >= settings.least_w)
    flowing = power | (
        (pl.col("measurand") == "Current.Import") & (pl.col("sample_value") >= settings.least_a)
    )
    soc = pl.col("sample_value").filter(pl.col("measurand") == "SoC").drop_nulls()
    return (
        samples.sort("plug_in", "at_utc", maintain_order=True)
        .group_by("plug_in")
        .agg(
            flow_utc=pl.col("at_utc").filter(flowing).first(),
            soc_plug_pct=soc.first(),
            soc_leave_pct=soc.last(),
        )
    )
