"""What the pages are made of: the week's `out_*` frames, and the figures derived from them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import polars as pl

from pipeline.registry import empty

COUNTED = ("charged", "failed")
CAUSES = ("vehicle", "evse", "pairing", "other")


CALLS = pl.Schema(
    {
        "unit_kind": pl.String,
        "unit_id": pl.String,
        "week": pl.String,
        "call": pl.String,
        "p": pl.Float64,
    }
)


def calls_in(week: str, vehicles: pl.DataFrame, evses: pl.DataFrame) -> pl.DataFrame:
    """The calls of a week's vehicles and EVSEs, as `CALLS`."""
    parts = [
        frame.select(
            unit_kind=pl.lit(kind),
            unit_id=f"{kind}_id",
            week=pl.lit(week),
            call="call",
            p=f"p_{kind}",
        )
        for kind, frame in (("vehicle", vehicles), ("evse", evses))
    ]
    return pl.concat(parts).match_to_schema(CALLS)


@dataclass(frozen=True)
class PageData:
    """One week's results.

    `evidence`: evidence.json of each referred vehicle. `vehicles_before`, `evses_before`: last
    week's frames, or none. `rule_results`, `rule_rates`, `equipment`: the validation summary's
    `rules`, `firmware` and `equipment`, or empty. `earlier_calls`: calls of the weeks published
    before (`CALLS`). `weeks`: every published week, newest first.
    """

    week: str
    vehicles: pl.DataFrame
    evses: pl.DataFrame
    pairings: pl.DataFrame
    attempts: pl.DataFrame
    rejected: pl.DataFrame
    impossible: pl.DataFrame
    next_tests: pl.DataFrame
    run: Mapping[str, Any]
    evidence: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    rule_results: pl.DataFrame = field(default_factory=pl.DataFrame)
    rule_rates: pl.DataFrame = field(default_factory=pl.DataFrame)
    equipment: pl.DataFrame = field(default_factory=pl.DataFrame)
    vehicles_before: pl.DataFrame | None = None
    evses_before: pl.DataFrame | None = None
    about_vehicles: pl.DataFrame = field(default_factory=lambda: empty("out_about_vehicles"))
    about_evses: pl.DataFrame = field(default_factory=lambda: empty("out_about_evses"))
    marks: pl.DataFrame = field(default_factory=lambda: empty("out_marks"))
    decisions: pl.DataFrame = field(default_factory=lambda: empty("out_decisions"))
    evse_suspects: pl.DataFrame = field(default_factory=lambda: empty("out_evse_suspects"))
    evse_proving: pl.DataFrame = field(default_factory=lambda: empty("out_evse_proving"))
    earlier_calls: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=CALLS))
    weeks: tuple[str, ...] = ()

    @property
    def calls_by_week(self) -> pl.DataFrame:
        """unit_kind, unit_id, week, call, p: this week's calls after those published before."""
        return pl.concat([self.earlier_calls, calls_in(self.week, self.vehicles, self.evses)])


def iso_week() -> pl.Expr:
    """The ISO week an attempt began in, as `2026-W14`."""
    return pl.col("plugged_at").dt.strftime("%G-W%V").alias("week")


def counted(attempts: pl.DataFrame) -> pl.DataFrame:
    """Attempts that say something of the equipment: those that charged or failed."""
    return attempts.filter(pl.col("outcome").is_in(COUNTED)).with_columns(
        failed=pl.col("outcome") == "failed"
    )


def failures_by_cause(attempts: pl.DataFrame) -> pl.DataFrame:
    """week, cause, failures.

    Each failed attempt shared out by its probabilities, summed by week.
    """
    failed = attempts.filter(pl.col("outcome") == "failed").with_columns(iso_week())
    sums = failed.group_by("week").agg(
        pl.col(f"p_{cause}").fill_null(0.0).sum().alias(cause) for cause in CAUSES
    )
    return sums.unpivot(CAUSES, index="week", variable_name="cause", value_name="failures").sort(
        "week", "cause"
    )


def success_by_site(attempts: pl.DataFrame) -> pl.DataFrame:
    """site_id, attempts, charged, rate, rate_lo, rate_hi: share of attempts that charged, with its
    95 % Wilson interval.

    Definition: charging success rate as published for Germany by NOW GmbH with P3 (2026, as given
    by a secondary source): attempts whose transaction starts and is then successfully completed, as
    a share of attempts. Attempts that were declined, abandoned, not requested or broken off are
    left out here. Interval: Wilson 1927 (from memory).
    """
    z = 1.959964
    sites = (
        counted(attempts)
        .group_by("site_id")
        .agg(attempts=pl.len(), charged=(~pl.col("failed")).sum())
    )
    n, p = pl.col("attempts"), pl.col("charged") / pl.col("attempts")
    middle = (p + z**2 / (2 * n)) / (1 + z**2 / n)
    half = z / (1 + z**2 / n) * (p * (1 - p) / n + z**2 / (4 * n**2)).sqrt()
    return sites.with_columns(rate=p, rate_lo=middle - half, rate_hi=middle + half).sort(
        "rate", "site_id"
    )


def cells(attempts: pl.DataFrame) -> pl.DataFrame:
    """site_id, vehicle_id, evse_id, attempts, failures, fault.

    Counted attempts of each vehicle at each EVSE.
    """
    known = counted(attempts).filter(pl.col("vehicle_id").is_not_null())
    return (
        known.group_by(
            "site_id", "vehicle_id", "vehicle_model", "evse_id", "evse_model", "firmware"
        )
        .agg(
            attempts=pl.len().cast(pl.Int64),
            failures=pl.col("failed").sum().cast(pl.Int64),
            fault=pl.col("fault").filter(pl.col("failed")).drop_nulls().mode().sort().first(),
        )
        .sort("site_id", "vehicle_id", "evse_id", "firmware")
    )


def changes(now: pl.DataFrame, before: pl.DataFrame | None, key: str) -> pl.DataFrame:
    """key, call, call_before, reason: what has another call than last week (call_before null.

    Not in last week's list).
    """
    columns = [key, "call", "call_before", "reason"]
    if before is None:
        return now.with_columns(call_before=pl.lit(None, pl.String)).select(columns).clear()
    joined = now.join(before.select(key, call_before="call"), on=key, how="left")
    notable = ["refer", "faulty", "watch", "proving", "proved"]
    moved = pl.col("call").ne_missing(pl.col("call_before"))
    return joined.filter(
        moved & (pl.col("call").is_in(notable) | pl.col("call_before").is_in(notable))
    ).select(columns)


def stories(data: PageData, *, failures_shown: int = 4, evses_shown: int = 5) -> pl.DataFrame:
    """vehicle_id, model, weeks, evses, failures: what a vehicle did, small enough to travel in a
    page.

    weeks: [week, AC charged, AC failed]; evses: [EVSE, attempts, failures], most failures first;
    failures: [time, EVSE, stage, seconds, fault], newest first.
    """
    known = counted(data.attempts).filter(pl.col("vehicle_id").is_not_null())
    ac = pl.col("supply") == "AC"
    tally = {
        "AC charged": (ac & ~pl.col("failed")).sum(),
        "AC failed": (ac & pl.col("failed")).sum(),
    }
    weekly = (
        known.with_columns(iso_week())
        .group_by("vehicle_id", "week")
        .agg(**tally)
        .sort("vehicle_id", "week")
    )
    weeks = weekly.group_by("vehicle_id").agg(weeks=pl.struct(pl.exclude("vehicle_id")))
    at_evse = known.group_by("vehicle_id", "evse_id").agg(
        attempts=pl.len(), failures=pl.col("failed").sum()
    )
    at_evse = at_evse.sort("failures", "attempts", "evse_id", descending=[True, True, False])
    places = at_evse.group_by("vehicle_id").agg(
        evses=pl.struct("evse_id", "attempts", "failures").head(evses_shown)
    )
    failed = known.filter(pl.col("failed")).sort("plugged_at", "attempt_id", descending=True)
    shown = pl.struct(
        pl.col("plugged_at").dt.strftime("%Y-%m-%d %H:%M"),
        "evse_id",
        "stage",
        "stage_seconds",
        "fault",
    )
    recent = failed.group_by("vehicle_id").agg(failures=shown.head(failures_shown))
    models = known.group_by("vehicle_id").agg(model=pl.col("vehicle_model").drop_nulls().last())
    return (
        models.join(weeks, on="vehicle_id")
        .join(places, on="vehicle_id")
        .join(recent, on="vehicle_id", how="left")
        .sort("vehicle_id")
    )
