"""Which attempts were silent, which asked, and how much a silence looks like a fault.

An AC attempt is silent where the vehicle never asked for charge though it was offered, or asked and
let go without energy, and nothing seen explains it: no charge later in the same stay (a timer), no
full battery, no load management.  A plug-in that was given up after waiting is one: a vehicle whose
pilot is open is never seen, its driver waits for nothing.  What speaks for the driver's wish or for
a fault beyond that is weighed, not decided.
"""

from __future__ import annotations

import math
from datetime import timedelta

import polars as pl

from pipeline.attribute.stays import SOC_PCT, STAY_MINUTES, UNTOLD
from pipeline.core.masks import is_true

ASKED = ("requested", "energised", "delivering")
"""Stages at which the vehicle has asked for charge (IEC 61851-1 state C or later)."""
FULL_SOC_PCT = 95.0
"""From here on a battery may take no charge for its own reasons; common practice, no source."""
WEIGHTS = {"again": 8.0, "direct_current": 4.0}
"""How many times likelier under a fault than under the driver's wish: a new plug-in within a quarter of an hour, a DC charge
within three hours. Judgement, no source."""
WAITED_S = 60.0
"""Who was authorised and gave up after this long wanted charge, whether the EVSE saw the vehicle or not; practice, no source."""
AGAIN, SOON = timedelta(minutes=15), timedelta(hours=3)
OPTIONAL = {
    "stage": pl.String(),
    "asked": pl.Boolean(),
    "suspended_evse": pl.Boolean(),
    "charged_later": pl.Boolean(),
    "full_before": pl.Boolean(),
    "wait_s": pl.Float64(),
    "soc_plug_pct": pl.Float64(),
    "soc_leave_pct": pl.Float64(),
    "unplugged_at_utc": pl.Datetime("us", "UTC"),
}


def with_silence(attempts: pl.LazyFrame) -> pl.LazyFrame:
    """Add `silent`, `asked`, `late` (charged long after the plug-in, the EVSE being ready: by a timer; all Boolean), `wish`
    (log odds for a fault against the driver's wish by what came next), `stay` and `left` (its classes of STAY_MINUTES and SOC_PCT).

    `attempts`: core_attempt, or what of it there is: an absent column is not known.
    """
    names = attempts.collect_schema().names()
    missing = [
        pl.lit(None, dtype=dtype).alias(name)
        for name, dtype in OPTIONAL.items()
        if name not in names
    ]
    outcome, order = pl.col("outcome"), ["vehicle_id", "plugged_at_utc", "attempt_id"]
    soc = pl.max_horizontal("soc_plug_pct", "soc_leave_pct")
    explained = (
        is_true(pl.col("suspended_evse")) | is_true(pl.col("charged_later"))
        | is_true(soc >= FULL_SOC_PCT) | is_true(pl.col("full_before"))
    )  # fmt: skip
    gave_up = (outcome == "abandoned") & (pl.col("wait_s") >= WAITED_S) & ~is_true(pl.col("asked"))
    waited = (outcome == "not_requested") | is_true(gave_up)
    silent = (pl.col("supply") == "AC") & waited & ~explained
    asked = (outcome == "charged") | ((outcome == "failed") & pl.col("stage").is_in(ASKED))
    own = is_true(pl.col("vehicle_id") == pl.col("vehicle_id").shift(-1))
    gap = pl.col("plugged_at_utc").shift(-1) - pl.coalesce("unplugged_at_utc", "plugged_at_utc")
    charged_dc = (pl.col("supply").shift(-1) == "DC") & (outcome.shift(-1) == "charged")
    signs = {
        "again": own & (gap <= AGAIN),
        "direct_current": own & (gap <= SOON) & charged_dc,
    }
    wish = pl.sum_horizontal(
        is_true(sign).cast(pl.Float64) * math.log(WEIGHTS[name]) for name, sign in signs.items()
    )
    return (
        attempts.with_columns(missing)
        .sort(order)
        .with_columns(
            is_true(silent).alias("silent"),
            (pl.col("asked").fill_null(asked) | is_true(asked)).alias("asked"),
            wish.alias("wish"),
            pl.when(~is_true(signs["again"]))
            .then(_class(_stay_minutes(), STAY_MINUTES))
            .fill_null(UNTOLD)
            .alias("stay"),
            _class(pl.col("soc_leave_pct"), SOC_PCT).fill_null(UNTOLD).alias("left"),
            is_true(
                (outcome == "charged")
                & pl.col("charged_later")
                & ~is_true(pl.col("suspended_evse"))
            ).alias("late"),
        )
        .with_columns(is_true(pl.col("asked") & ~pl.col("silent")).alias("asked"))
    )


def _stay_minutes() -> pl.Expr:
    """Length of the stay, null where its end is not known."""
    return (pl.col("unplugged_at_utc") - pl.col("plugged_at_utc")).dt.total_seconds() / 60.0


def _class(value: pl.Expr, bounds: tuple[float, ...]) -> pl.Expr:
    """How many of the bounds a value reaches, null where it is null."""
    reached = pl.sum_horizontal((value >= bound).cast(pl.Int8) for bound in bounds)
    return pl.when(value.is_not_null()).then(reached).cast(pl.Int8)
