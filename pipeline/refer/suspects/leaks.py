"""When a leak begins to fail: from the path's trend, each EVSE's own usual level and the limit of its diode check.

A leak is a plan. The path's logarithm goes on as it went (straight line, slope drawn to none); from it follows the negative level
at each EVSE the vehicle uses, from that the chance to be refused there, and from how often it plugs in the day of its first
failure. Derived; that leaks grow steadily on a logarithmic scale is our own judgement (no source).
"""

from __future__ import annotations

import math
from datetime import timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.circuit.diode_check import chance_refused, limit_posterior
from pipeline.circuit.pilot import GENERATOR_V, LOAD_OHM, R1_OHM
from pipeline.core.weeks import LookBack

Floats = NDArray[np.float64]

LEAKS = ("pilot_diode_leaky", "pilot_leakage")
LEAST_PLANNED = 0.05
"""Probability from which a leak's further course is worked out."""
USED_DAYS = 28
"""How far back the EVSEs a vehicle uses are looked up."""
TREND_DAYS = 56
SLOPE_SD = 0.7
"""Prior of the slope of ln R a week, about none: a path that halves in a week is one standard deviation. Judgement."""
HORIZON_DAYS = 84
LEAST_LIFT_SDS = 3.0
NODES, NODE_WEIGHTS = np.polynomial.hermite_e.hermegauss(5)
SHARES = NODE_WEIGHTS / NODE_WEIGHTS.sum()
BEGINS_SHARE = 0.1
"""Early end of an 80 % interval."""
LEVELS_V: Floats = np.linspace(-12.5, -5.0, 151)
"""Levels at which an EVSE's chance to refuse is worked out; between them it is read off."""
SCHEMA = pl.Schema(
    {
        "vehicle_id": pl.String(),
        "fails_now": pl.Float64(),
        "fails_within": pl.Float64(),
        "begins_utc": pl.Datetime("us", "UTC"),
        "halves_weeks": pl.Float64(),
    }
)


def check_limits(attempts: pl.DataFrame, levels: pl.DataFrame, equipment: pl.DataFrame) -> Floats:
    """Posterior of the check's limit at each EVSE of `equipment`, from attempts with a lifted level that charged or were refused.

    `attempts`: as `judged_attempts`; `levels`: as `against_usual`.
    """
    lifted = (
        levels.filter(
            pl.col("low_v") - pl.col("usual_v") > 5 * pl.col("noise_v"),
            pl.col("low_v") > -GENERATOR_V,
        )
        .group_by("attempt_id")
        .agg(pl.col("low_v").max())
    )
    refused = pl.col("early_b") & (pl.col("p_vehicle").fill_null(0.0) >= 0.5)
    outcomes = (
        attempts.filter(pl.col("supply") == "AC", (pl.col("outcome") == "charged") | refused)
        .join(lifted, on="attempt_id")
        .select("evse_id", "low_v", refused=pl.col("outcome") == "failed")
    )
    names = equipment.select("evse_id", "evse_model", pl.col("firmware").fill_null(""))
    return limit_posterior(outcomes, names)


def trend(levels: pl.DataFrame, beside: pl.Series, look_back: LookBack) -> pl.DataFrame:
    """`vehicle_id, log_ohm, slope, var_log, var_slope, cov`: ln of the path now (ohm) and its slope a week, with their variances.

    `levels`: as `against_usual` of the vehicles asked for; `beside`: those whose path lies beside the diode, so that no load is
    in series with it.
    """
    load = pl.col("state").str.head(1).replace_strict(LOAD_OHM, return_dtype=pl.Float64)
    load = pl.when(pl.col("vehicle_id").is_in(beside.implode())).then(0.0).otherwise(load)
    scale = -pl.col("usual_v") / GENERATOR_V
    lift = (pl.col("low_v") - pl.col("usual_v")) / scale
    whole = GENERATOR_V * R1_OHM / lift
    x = (pl.col("at") - look_back.to_utc).dt.total_microseconds() / (7 * 86_400e6)
    rows = (
        levels.filter(pl.col("at") >= look_back.to_utc - timedelta(days=TREND_DAYS))
        .with_columns(lift=lift, ohm=whole - R1_OHM - load, x=x)
        .filter(pl.col("lift") > LEAST_LIFT_SDS * pl.col("noise_v"), pl.col("ohm") > 0)
        .with_columns(
            y=pl.col("ohm").log(),
            var=(pl.col("noise_v") * whole / (pl.col("lift") * pl.col("ohm"))) ** 2 + 0.01,
        )
    )
    w, x, y = 1 / pl.col("var"), pl.col("x"), pl.col("y")
    sums = rows.group_by("vehicle_id", maintain_order=True).agg(
        s0=w.sum(),
        s1=(w * x).sum(),
        s2=(w * x * x).sum() + 1 / SLOPE_SD**2,
        t0=(w * y).sum(),
        t1=(w * x * y).sum(),
    )
    det = pl.col("s0") * pl.col("s2") - pl.col("s1") ** 2
    return sums.select(
        "vehicle_id",
        log_ohm=(pl.col("s2") * pl.col("t0") - pl.col("s1") * pl.col("t1")) / det,
        slope=(pl.col("s0") * pl.col("t1") - pl.col("s1") * pl.col("t0")) / det,
        var_log=pl.col("s2") / det,
        var_slope=pl.col("s0") / det,
        cov=-pl.col("s1") / det,
    ).sort("vehicle_id")


def forecast(
    attempts: pl.DataFrame,
    levels: pl.DataFrame,
    leaks: pl.DataFrame,
    equipment: pl.DataFrame,
    look_back: LookBack,
    days: int,
) -> pl.DataFrame:
    """One row per leak with a lifted level: columns as SCHEMA.

    `leaks`: `vehicle_id, beside` (bool: the path lies beside the diode). `equipment`: core_evse. `fails_now`: chance of one
    plug-in at the EVSEs it uses to be refused; `fails_within`: chance of a first failure within `days`; `begins_utc`: the day
    by which it is expected to begin to fail (null: not within twelve weeks); `halves_weeks`: null where the path does not fall.
    """
    mine = levels.filter(pl.col("vehicle_id").is_in(leaks["vehicle_id"].implode()))
    lines = trend(mine, leaks.filter("beside")["vehicle_id"], look_back)
    used = _used(attempts, mine, equipment, look_back).join(
        lines.with_row_index("line"), on="vehicle_id"
    )
    if used.is_empty():
        return pl.DataFrame(schema=SCHEMA)
    beside = used.join(leaks, on="vehicle_id", how="left", maintain_order="left")[
        "beside"
    ].to_numpy()
    limits = check_limits(attempts, levels, equipment)[used["place"].to_numpy()]
    table = np.stack([chance_refused(np.full(len(limits), v), limits) for v in LEVELS_V], axis=1)
    ahead = np.arange(HORIZON_DAYS + 1) / 7.0
    per_day = np.zeros((lines.height, NODES.size**2, ahead.size))
    tried = np.bincount(used["line"].to_numpy(), used["tried"].to_numpy(), lines.height)
    for node, log_ohm in enumerate(_paths(used, ahead)):
        load = np.where(beside, 0.0, LOAD_OHM["C"])[:, None]
        usual = used["usual_v"].to_numpy()[:, None]
        low = usual - usual * R1_OHM / (R1_OHM + np.exp(log_ohm) + load)
        chance = used["p_checks"].to_numpy()[:, None] * _read_off(table, low)
        np.add.at(
            per_day[:, node], used["line"].to_numpy(), used["tried"].to_numpy()[:, None] * chance
        )
    weight = np.outer(SHARES, SHARES).ravel()
    calm = np.exp(-np.cumsum(per_day / USED_DAYS, axis=2) + per_day[:, :, :1] / USED_DAYS)
    spared = np.einsum("lnd,n->ld", calm, weight)
    now = (per_day[:, :, 0] @ weight) / np.maximum(tried, 1)
    begins = (spared > 1 - BEGINS_SHARE).sum(axis=1)
    at = pl.lit(look_back.to_utc) + pl.duration(days="begins")
    return lines.select(
        "vehicle_id",
        halves_weeks=pl.when(pl.col("slope") < 0).then(-math.log(2.0) / pl.col("slope")),
    ).with_columns(
        fails_now=pl.Series(now), fails_within=pl.Series(1 - spared[:, days]), begins=pl.Series(begins)
    ).with_columns(
        begins_utc=pl.when(pl.col("begins") <= HORIZON_DAYS).then(at.dt.truncate("1d"))
    ).select(list(SCHEMA))  # fmt: skip


def _paths(used: pl.DataFrame, ahead: Floats) -> list[Floats]:
    """Ln of the path (rows, days) at each pair of nodes of level and slope, drawn jointly."""
    level, slope, var, var_slope, cov = (
        used[c].to_numpy()[:, None] for c in ("log_ohm", "slope", "var_log", "var_slope", "cov")
    )
    sd = np.sqrt(var)
    left = np.sqrt(np.maximum(var_slope - cov**2 / var, 0.0))
    return [
        level + sd * a + (slope + cov / sd * a + left * b) * ahead for a in NODES for b in NODES
    ]


def _read_off(table: Floats, low_v: Floats) -> Floats:
    """Chance to refuse at each row's EVSE for each of its levels, read off between the levels of the table."""
    step = LEVELS_V[1] - LEVELS_V[0]
    place = np.clip((low_v - LEVELS_V[0]) / step, 0.0, LEVELS_V.size - 1.001)
    below = place.astype(np.int64)
    rows = np.arange(len(table))[:, None]
    return np.asarray(
        table[rows, below] * (below + 1 - place) + table[rows, below + 1] * (place - below)
    )


def _used(
    attempts: pl.DataFrame, levels: pl.DataFrame, equipment: pl.DataFrame, look_back: LookBack
) -> pl.DataFrame:
    """EVSEs each vehicle used on AC lately: `vehicle_id, evse_id, tried, usual_v, p_checks, place` (row in `equipment`)."""
    usual = levels.group_by("evse_id").agg(pl.col("usual_v").median())
    knows = pl.col("check").replace_strict(
        {"yes": 1.0, "no": 0.0, "unknown": CHECKS_IF_UNKNOWN}, return_dtype=pl.Float64
    )
    return (
        attempts.filter(
            pl.col("supply") == "AC",
            pl.col("vehicle_id").is_in(levels["vehicle_id"].unique().implode()),
            pl.col("plugged_at_utc") >= look_back.to_utc - timedelta(days=USED_DAYS),
        )
        .group_by("vehicle_id", "evse_id", maintain_order=True)
        .agg(tried=pl.len(), p_checks=knows.last())
        .join(usual, on="evse_id", how="left", maintain_order="left")
        .join(
            equipment.with_row_index("place").select("evse_id", "place"),
            on="evse_id",
            maintain_order="left",
        )
        .with_columns(pl.col("usual_v").fill_null(-GENERATOR_V))
        .sort("vehicle_id", "evse_id")
    )


CHECKS_IF_UNKNOWN = 0.7
"""As attribution assumes: the standard asks for the check, practice differs."""


def leak_plan(
    attempts: pl.DataFrame,
    levels: pl.DataFrame,
    table: pl.DataFrame,
    equipment: pl.DataFrame,
    look_back: LookBack,
    plan_days: int,
) -> pl.DataFrame:
    """`forecast` of the vehicles whose likeliest suspect is a leak that the levels tell.

    `table`: `vehicle_id, suspect, p_vehicle, level_factor` of every vehicle judged.
    """
    leaks = table.filter(
        pl.col("suspect").is_in(LEAKS),
        pl.col("p_vehicle") >= LEAST_PLANNED,
        pl.col("level_factor") > 0,
    ).select("vehicle_id", beside=pl.col("suspect") == "pilot_leakage")
    return forecast(attempts, levels, leaks, equipment, look_back, plan_days)
