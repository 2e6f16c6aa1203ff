"""The week's report.

Attribution and referral over the look-back, from the warehouse's core tables to the out_ frames.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import polars as pl

from pipeline.attribute.attribution import Attribution, attribute
from pipeline.attribute.report.explanation import Told
from pipeline.core.one_thread import one_blas_thread
from pipeline.core.weeks import LookBack
from pipeline.publish.about import (
    change_marks,
    evse_proving,
    finding_marks,
    firmware_marks,
    out_decisions,
    within,
    works_of,
)
from pipeline.refer.inputs import Attributed, ReferInputs, join_findings, told_repairs
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
    gives.
    """

    week: str
    tables: Mapping[str, pl.DataFrame]
    referral: Referral
    validation: Mapping[str, pl.DataFrame]


@dataclass(frozen=True)
class Judged:
    """A week's attribution and referral, and the frames of the warehouse they rest on."""

    attribution: Attribution
    referral: Referral
    inputs: ReferInputs

    def told(self, name: str) -> Told | None:
        """What the week's list says of a vehicle or EVSE; None where it lists neither."""
        for frame, key, p in (
            (self.referral.vehicles, "vehicle_id", "p_vehicle"),
            (self.referral.evses, "evse_id", "p_evse"),
        ):
            row = frame.filter(pl.col(key) == name)
            if row.height:
                return Told(row["call"].item(), row[p].item(), row["reason"].item())
        return None


# Where a report stood: no call rests on it (nor on an attempt's lineage), and every selection of rows
# would carry it along.
_PLACE = ("file_id", "unzoned", "zone")


@one_blas_thread()
def judge_week(con: Connection, week: str, settings: Settings, decisions: DecisionFrames) -> Judged:
    """Attribute and refer for one ISO week.

    Raises NotEnoughDataError where its look-back holds no attempt.
    """
    weeks, decisions = settings.look_back_weeks, past(decisions, week)
    look_back = LookBack.of(week, weeks)
    since = {"since": look_back.from_utc}
    # what came before tells nothing of the look-back; what came after tells how its last stays went on
    attempts = read(con, "core_attempt", "plugged_at_utc >= $since", **since).drop("lineage")
    findings = join_findings(read(con, "raw_finding"), decisions.findings)
    attribution = attribute(
        attempts,
        settings.attribute,
        week,
        look_back_weeks=weeks,
        repairs=told_repairs(findings, look_back.to_utc),
    )
    inputs = ReferInputs(
        attempts=attempts,
        attributed=Attributed.of(attribution),
        fleet=read(con, "core_vehicle"),
        equipment=read(con, "core_evse"),
        dtcs=read(con, "raw_dtc"),
        charging=read(con, "raw_charging", "at_utc >= $since", **since).drop(_PLACE),
        findings=findings,
        reviews=decisions.reviews,
        lessons=decisions.lessons,
        referrals=decisions.referrals,
    )
    return Judged(attribution, refer(inputs, settings.refer, week, weeks), inputs)


def report_week(
    con: Connection, week: str, settings: Settings, decisions: DecisionFrames
) -> WeekReport:
    """The week's out_ frames.

    Raises NotEnoughDataError where its look-back holds no attempt.
    """
    judged = judge_week(con, week, settings, decisions)
    referral, given = judged.referral, judged.inputs
    look_back = LookBack.of(week, settings.look_back_weeks)
    work = works_of(read(con, "core_work"), decisions)
    out = out_attempts(given.attempts.filter(look_back.holds("plugged_at_utc")), judged.attribution)
    tables = {
        "vehicles": referral.vehicles,
        "evses": referral.evses,
        "pairings": referral.pairings,
        "next_tests": referral.next_tests,
        "attempts": out,
        "impossible": out_impossible(
            read(
                con,
                "core_impossible",
                "at_utc IS NULL OR at_utc >= $since",
                since=look_back.from_utc,
            ),
            look_back,
        ),
        "about_vehicles": conform(given.fleet.sort("vehicle_id"), "out_about_vehicles"),
        "about_evses": conform(given.equipment.sort("evse_id"), "out_about_evses"),
        "marks": within(
            [
                firmware_marks(read(con, "core_firmware"), given.equipment),
                finding_marks(given.findings),
                change_marks(read(con, "core_change"), read(con, "core_software"), work),
            ],
            look_back,
        ),
        "decisions": out_decisions(past(decisions, week), look_back),
        "evse_suspects": referral.evse_suspects,
        "evse_proving": evse_proving(out, referral.vehicles, work, settings.refer, look_back),
    }
    return WeekReport(week, tables, referral, validation_summary(con))


def past(decisions: DecisionFrames, week: str) -> DecisionFrames:
    """Decisions as a week's report takes them.

    Its own list is not past, though an earlier run of the week kept it.
    """
    return replace(decisions, referrals=decisions.referrals.filter(pl.col("week") < week))


def out_attempts(attempts: pl.DataFrame, attribution: Attribution) -> pl.DataFrame:
    """out_attempts: every attempt of the look-back, with blame where it failed or was silent."""
    return conform(
        attempts.join(attribution.blame.drop("silent", "p_site"), on="attempt_id", how="left")
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
