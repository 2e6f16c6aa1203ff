"""The week's report.

Attribution and referral over the look-back, from the warehouse's core tables to the out_ frames.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import polars as pl

from pipeline.attribute.attribution import Attribution, attribute
from pipeline.attribute.baseline.warm import WarmStart
from pipeline.core.one_thread import one_blas_thread
from pipeline.core.weeks import LookBack, week_before
from pipeline.publish.about import finding_marks, firmware_marks, out_decisions, within
from pipeline.refer.inputs import Attributed, ReferInputs, join_findings
from pipeline.refer.referral import Referral, refer
from pipeline.registry import conform
from pipeline.settings import Settings
from pipeline.storage.decisions import DecisionFrames
from pipeline.storage.warehouse import Connection, read
from pipeline.validate import validation_summary


@dataclass(frozen=True)
class WeekReport:
    """All that a week's folder shows.

    `tables`: the out_ frames by name without out_, but `rejected`, which belongs to the deliveries
    of a run. `referral`: the packs, and what is learnt. `validation`: what `validation_summary`
    gives. `baseline`: rows for next week's start, by table.
    """

    week: str
    tables: Mapping[str, pl.DataFrame]
    referral: Referral
    validation: Mapping[str, pl.DataFrame]
    baseline: Mapping[str, pl.DataFrame]


@one_blas_thread()
def attribute_week(
    con: Connection, attempts: pl.DataFrame, week: str, settings: Settings
) -> Attribution:
    """Attribution of one ISO week (`attempts`.

    Core_attempt), started from the baseline of the week before where published.
    """
    return attribute(
        attempts,
        settings.attribute,
        week,
        last_baseline(con, week),
        look_back_weeks=settings.look_back_weeks,
    )


@one_blas_thread()
def report_week(
    con: Connection, week: str, settings: Settings, decisions: DecisionFrames
) -> WeekReport:
    """Attribute and refer for one ISO week.

    Raises NotEnoughDataError where its look-back holds no attempt.
    """
    attempts, decisions = read(con, "core_attempt"), past(decisions, week)
    equipment, findings = (
        read(con, "core_evse"),
        join_findings(read(con, "raw_finding"), decisions.findings),
    )
    fleet = read(con, "core_vehicle")
    attribution = attribute_week(con, attempts, week, settings)
    referral = refer(
        ReferInputs(
            attempts=attempts,
            attributed=Attributed.of(attribution),
            fleet=fleet,
            equipment=equipment,
            dtcs=read(con, "raw_dtc"),
            findings=findings,
            reviews=decisions.reviews,
            lessons=decisions.lessons,
            referrals=decisions.referrals,
        ),
        settings.refer,
        week,
        settings.look_back_weeks,
    )
    look_back = LookBack.of(week, settings.look_back_weeks)
    tables = {
        "vehicles": referral.vehicles,
        "evses": referral.evses,
        "pairings": referral.pairings,
        "next_tests": referral.next_tests,
        "attempts": out_attempts(attempts.filter(look_back.holds("plugged_at_utc")), attribution),
        "impossible": out_impossible(read(con, "core_impossible"), look_back),
        "about_vehicles": conform(fleet.sort("vehicle_id"), "out_about_vehicles"),
        "about_evses": conform(equipment.sort("evse_id"), "out_about_evses"),
        "marks": within(
            [firmware_marks(read(con, "core_firmware"), equipment), finding_marks(findings)],
            look_back,
        ),
        "decisions": out_decisions(decisions, look_back),
        "evse_suspects": referral.evse_suspects,
    }
    return WeekReport(week, tables, referral, validation_summary(con), baseline(attribution))


def past(decisions: DecisionFrames, week: str) -> DecisionFrames:
    """Decisions as a week's report takes them.

    Its own list is not past, though an earlier run of the week kept it.
    """
    return replace(decisions, referrals=decisions.referrals.filter(pl.col("week") < week))


def last_baseline(con: Connection, week: str) -> WarmStart | None:
    """Baseline of the week before, or None where that week was not published."""
    before = week_before(week)
    parameters = read(con, "core_baseline_parameter").filter(pl.col("week") == before).drop("week")
    modes = read(con, "core_baseline_mode").filter(pl.col("week") == before).drop("week")
    if parameters.is_empty():
        return None
    return WarmStart(parameters, modes.rename({"unit_kind": "kind", "unit_key": "unit"}))


def baseline(attribution: Attribution) -> dict[str, pl.DataFrame]:
    """What next week's search may start from, by table."""
    week = pl.lit(attribution.week).alias("week")
    warm = attribution.warm
    modes = warm.modes.rename({"kind": "unit_kind", "unit": "unit_key"})
    return {
        "core_baseline_parameter": conform(
            warm.parameters.with_columns(week), "core_baseline_parameter"
        ),
        "core_baseline_mode": conform(modes.with_columns(week), "core_baseline_mode"),
    }


def out_attempts(attempts: pl.DataFrame, attribution: Attribution) -> pl.DataFrame:
    """out_attempts: every attempt of the look-back, with blame where it failed."""
    return conform(
        attempts.join(attribution.blame, on="attempt_id", how="left")
        .rename({"plugged_at_utc": "plugged_at", "unplugged_at_utc": "unplugged_at"})
        .sort("plugged_at", "attempt_id"),
        "out_attempts",
    )


def out_impossible(caught: pl.DataFrame, look_back: LookBack) -> pl.DataFrame:
    """out_impossible: what rules caught in the look-back, and what has no time of its own."""
    shown = caught.filter(pl.col("at_utc").is_null() | look_back.holds("at_utc"))
    return conform(
        shown.rename({"at_utc": "at"}).sort("rule", "at", "station_id", "attempt_id", "detail"),
        "out_impossible",
    )
