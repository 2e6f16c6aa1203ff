"""From probabilities to calls, by stated costs.

A vehicle is referred where waiting costs more than a needless visit would: p · f · w · week ≥ (1 − p) ·
visit, f being the chance that the fault keeps it from charging in the time planned for (1 once it
fails, less for a leak that does not yet), w the weeks until it is expected to show again, since nothing
new is known before. The list as a whole holds at most a stated number of expected false referrals;
those beyond it wait. A vehicle the data cannot tell from its EVSE is
never referred on the data alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeVar

import polars as pl

from pipeline.core.masks import is_true
from pipeline.refer.suspects.events import HALF
from pipeline.settings.refer import ReferSettings

Cost = TypeVar("Cost", float, pl.Expr)


def worth_acting(cost_needless: float, cost_waiting: Cost) -> Cost:
    """Least probability at which acting now costs no more, in expectation, than waiting."""
    return cost_needless / (cost_needless + cost_waiting)


def worth_watching(cost_watching: float, cost_week: float) -> float:
    """Least probability at which keeping an eye on a unit is worth its cost."""
    return min(cost_watching / cost_week, 0.5)


def within_cap(p: pl.Expr, eligible: pl.Expr, cap: float, share: float = 0.0) -> pl.Expr:
    """Eligible rows, the most probable first, as long as the sum of 1 - p over them stays within the
    cap, or within a share of them; frame sorted by p.
    """
    false = ((1 - p) * eligible.cast(pl.Float64)).cum_sum()
    return eligible & (false <= pl.max_horizontal(pl.lit(cap), share * eligible.cum_sum()))


@dataclass(frozen=True)
class Case:
    """One row of the decision: when it holds, the call, and the decision in a clause."""

    holds: pl.Expr
    call: str
    why: str


def cases() -> tuple[Case, ...]:
    """The decision as an ordered table: the first row that holds counts.

    The predicates are columns that `with_predicates` adds.
    """
    c = pl.col
    return (
        Case(
            c("found_unrepaired"), "refer", "the workshop found it and it is not reported repaired"
        ),
        Case(
            (c("proving") == "back") & c("sign"),
            "refer",
            "back from repair it failed the proving test",
        ),
        Case(
            (c("proving") == "proving") & ~c("relapsed"),
            "proving",
            "back from repair, too few attempts yet that would show",
        ),
        Case(
            (c("proving") == "proved") & ~c("sign"),
            "proved",
            "back from repair it passed the proving test",
        ),
        Case(c("dismissed") & c("sign"), "watch", "dismissed, and nothing new enough since"),
        Case(c("held"), "watch", "held by a reviewer"),
        Case(
            c("listed") & c("creeps"),
            "refer",
            "the leak is expected to fail attempts soon: waiting costs more than a needless visit",
        ),
        Case(
            c("listed") & c("pays_in_a_week"),
            "refer",
            "waiting a week costs more than a needless visit",
        ),
        Case(
            c("listed"),
            "refer",
            "it may take weeks to show again, and waiting so long costs more than a needless visit",
        ),
        Case(c("due"), "watch", "due, but the week's list is full"),
        Case(
            c("sign") & c("likely") & ~c("told_apart"),
            "watch",
            "the data cannot tell it from what it was plugged into",
        ),
        Case(
            c("sign") & c("likely") & c("creeps"),
            "watch",
            "the leak is not expected to fail attempts soon",
        ),
        Case(
            c("sign") & c("drifting"),
            "watch",
            "the pilot's negative level rises; not sure enough to refer",
        ),
        Case(c("sign"), "watch", "not sure enough to refer"),
        Case(c("verdict") == "insufficient_data", "insufficient_data", "too little evidence"),
        Case(
            c("mended"),
            "clear",
            "its trouble looked like its own, and what was seen since speaks for that being over",
        ),
        Case(pl.lit(value=True), "clear", "too little speaks against it to watch it"),
    )


def with_predicates(rows: pl.DataFrame, settings: ReferSettings) -> pl.DataFrame:
    """The predicates of the decision as columns, each True or False.

    `sign`: worth watching. `likely`: probable enough to refer if nothing else stood against it. `told_apart`: from its EVSEs, by
    where it failed, by the pilot's levels or its own reports. `creeps`: a leak that does not fail yet. `due`: waiting
    costs more, `pays_in_a_week`: a single week. `relapsed`: likely at fault again, having failed or kept silent since its
    repair, or by its pilot's levels. `mended`: more likely than not it was at fault and no longer is.
    """
    p = pl.col("p_vehicle")
    levels_tell = math.log(settings.told_by_levels_odds)
    watch_at = worth_watching(settings.cost_watching, settings.cost_week_without_ac)
    creeps = pl.col("fails_within").is_not_null() & (pl.col("blamed") < settings.not_yet_failures)
    weeks = pl.when(is_true(creeps)).then(1.0).otherwise("weeks_to_show")
    waiting = settings.cost_week_without_ac * weeks.clip(1.0, settings.weeks_waiting_at_most)
    refer_at = worth_acting(settings.cost_needless_visit, waiting)
    at_several = pl.col("blamed_evses") >= settings.told_apart_evses
    told_apart = at_several | pl.col("separable") | (pl.col("level_factor") >= levels_tell)
    fails = pl.when(is_true(creeps)).then("fails_within").otherwise(1.0)
    visit = (1 - p) * settings.cost_needless_visit
    pays = p * fails * waiting >= visit
    again = (pl.col("own_events") >= settings.relapsed_events) | (
        pl.col("level_factor") >= levels_tell
    )
    under_test = (pl.col("proving") == "proving") & ~again
    free = ~pl.col("dismissed") & ~pl.col("held") & ~is_true(under_test)
    named = {
        "found_unrepaired": pl.col("found").is_not_null() & pl.col("repaired_at_utc").is_null(),
        "sign": p >= watch_at,
        "likely": p >= refer_at,
        "told_apart": told_apart,
        "creeps": creeps,
        "due": pays & is_true(told_apart) & free,
        "pays_in_a_week": p * fails * settings.cost_week_without_ac >= visit,
        "relapsed": (p >= refer_at) & again,
        "mended": pl.col("p_mended") >= HALF,
    }
    return rows.with_columns(is_true(condition).alias(name) for name, condition in named.items())


def call_vehicles(
    table: pl.DataFrame, proving: pl.DataFrame, settings: ReferSettings
) -> pl.DataFrame:
    """`table` with `call`, `why` (the decision in a clause) and the predicates, in order of vehicle_id.

    `table`: as `judge_vehicles` makes it, with the columns of `review_status` (reviews and findings).
    `proving`: as `proving_table`.
    """
    rows = table.join(proving, on="vehicle_id", how="left").sort(
        "p_vehicle", "vehicle_id", descending=[True, False]
    )
    rows = with_predicates(rows, settings).with_columns(
        listed=within_cap(
            pl.col("p_vehicle"),
            pl.col("due"),
            settings.cap_false_referrals,
            settings.cap_false_share,
        )
    )
    call, why = pl.lit(None, dtype=pl.String), pl.lit(None, dtype=pl.String)
    for case in reversed(cases()):
        hit = is_true(case.holds)
        call = pl.when(hit).then(pl.lit(case.call)).otherwise(call)
        why = pl.when(hit).then(pl.lit(case.why)).otherwise(why)
    return rows.with_columns(call.alias("call"), why.alias("why")).sort("vehicle_id")


def call_units(table: pl.DataFrame, p_name: str, act_at: float, watch_at: float) -> pl.DataFrame:
    """EVSEs or pairings with `call`.

    Faulty where acting pays and attribution is `sure`, else watch, clear, insufficient_data.
    """
    p = pl.col(p_name)
    return table.with_columns(
        pl.when((p >= act_at) & pl.col("sure"))
        .then(pl.lit("faulty"))
        .when(p >= watch_at)
        .then(pl.lit("watch"))
        .when(pl.col("verdict") == "insufficient_data")
        .then(pl.lit("insufficient_data"))
        .otherwise(pl.lit("clear"))
        .alias("call")
    )
