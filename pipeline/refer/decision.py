"""From probabilities to calls, by stated costs.

A vehicle is referred where waiting one more week costs more than a needless visit would: p * week
>= (1 - p) * visit. The list as a whole holds at most a stated number of expected false referrals;
those beyond it wait. A vehicle the data cannot separate from its EVSE, or that has not yet failed
(or ceased to ask), is never referred on the data alone.
"""

from __future__ import annotations

import polars as pl

from pipeline.settings.refer import ReferSettings

LEAST_EVSES = 2
LEAST_BLAMED = 2.0
"""Vehicle-caused failures expected before a vehicle is referred: one failure is chance as often as not. Common practice."""


def worth_acting(cost_needless: float, cost_week: float) -> float:
    """Least probability at which acting now costs no more, in expectation, than waiting a week."""
    return cost_needless / (cost_needless + cost_week)


def worth_watching(cost_watching: float, cost_week: float) -> float:
    """Least probability at which keeping an eye on a unit is worth its cost."""
    return min(cost_watching / cost_week, 0.5)


def within_cap(p: pl.Expr, eligible: pl.Expr, cap: float) -> pl.Expr:
    """Eligible rows, the most probable first, as long as the sum of 1 - p over them stays within
    the cap; frame sorted by p.
    """
    return eligible & ((1 - p) * eligible.cast(pl.Float64)).cum_sum().le(cap)


def call_vehicles(
    table: pl.DataFrame, proving: pl.DataFrame, settings: ReferSettings
) -> pl.DataFrame:
    """`table` with `call` and `why` (the decision in a clause), in order of vehicle_id.

    `table`: as `judge_vehicles` makes it, with the columns of `review_status` (reviews and findings).
    `proving`: as `proving_table`.
    """
    refer_at = worth_acting(settings.cost_needless_visit, settings.cost_week_without_ac)
    watch_at = worth_watching(settings.cost_watching, settings.cost_week_without_ac)
    p = pl.col("p_vehicle")
    rows = table.join(proving, on="vehicle_id", how="left").sort(
        "p_vehicle", "vehicle_id", descending=[True, False]
    )
    failing = (pl.col("blamed") >= LEAST_BLAMED) & (pl.col("blamed_evses") >= LEAST_EVSES)
    under_test = (pl.col("proving") == "proving") | ((pl.col("proving") == "proved") & ~due_again())
    free = ~pl.col("dismissed") & ~pl.col("held") & ~under_test.fill_null(value=False)
    # a vehicle that asks at no EVSE is told from them by that; it has no failed attempts to be
    # separated by
    silent = (pl.col("asks") == "never_asks").fill_null(value=False) & (
        pl.col("suspect") == "never_requests"
    )
    due = (p >= refer_at) & ((pl.col("separable") & failing) | silent) & free
    rows = rows.with_columns(due.alias("due")).with_columns(
        within_cap(p, pl.col("due"), settings.cap_false_referrals).alias("listed")
    )
    found = pl.col("found").is_not_null() & pl.col("repaired_at_utc").is_null()
    sign = p >= watch_at
    cases = [
        (found, "refer", "the workshop found it and it is not reported repaired"),
        (pl.col("proving") == "back", "refer", "back from repair it failed the proving test"),
        ((pl.col("proving") == "proved") & ~(sign & due_again()), "proved", "back from repair it passed the proving test"),
        (pl.col("proving") == "proving", "proving", "back from repair, too few attempts yet that would show"),
        (pl.col("dismissed") & sign, "watch", "dismissed, and nothing new enough since"),
        (pl.col("held"), "watch", "held by a reviewer"),
        (pl.col("listed"), "refer", "waiting a week costs more than a needless visit"),
        (pl.col("due"), "watch", "due, but the week's list is full"),
        (sign & ~pl.col("separable") & failing & ~silent, "watch", "the data cannot tell it from its EVSE"),
        (sign & pl.col("drifting") & ~failing, "watch", "the low side of the pilot rises, no failure of its own yet"),
        (sign, "watch", "not sure enough to refer"),
        (pl.col("verdict") == "insufficient_data", "insufficient_data", "too little evidence"),
        (pl.lit(value=True), "clear", "nothing speaks against it"),
    ]  # fmt: skip
    call, why = pl.lit(None, dtype=pl.String), pl.lit(None, dtype=pl.String)
    for condition, name, words in reversed(cases):
        hit = condition.fill_null(value=False)
        call = pl.when(hit).then(pl.lit(name)).otherwise(call)
        why = pl.when(hit).then(pl.lit(words)).otherwise(why)
    return rows.with_columns(call.alias("call"), why.alias("why")).sort("vehicle_id")


def due_again() -> pl.Expr:
    """A proved vehicle shows a new trouble: its present onset lies after the proof."""
    return (pl.col("onset_utc") > pl.col("decided_at_utc")).fill_null(value=False)


def call_units(table: pl.DataFrame, p_name: str, act_at: float, watch_at: float) -> pl.DataFrame:
    """EVSEs or pairings with `call`.

    Faulty where acting pays and attribution is sure, else watch, clear, insufficient_data.
    """
    p = pl.col(p_name)
    return table.with_columns(
        pl.when((p >= act_at) & (pl.col("verdict") == "fault"))
        .then(pl.lit("faulty"))
        .when(p >= watch_at)
        .then(pl.lit("watch"))
        .when(pl.col("verdict") == "insufficient_data")
        .then(pl.lit("insufficient_data"))
        .otherwise(pl.lit("clear"))
        .alias("call")
    )
