"""The refer stage: calls, suspects, reasons, next tests and evidence packs of one week. Pure.

Frames in, frames out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import timedelta

import polars as pl

from pipeline.core.weeks import LookBack
from pipeline.refer.decision import call_vehicles
from pipeline.refer.equipment_wording import EVSE_NAMED_AT, evse_reason
from pipeline.refer.findings import before_after, listed, precision
from pipeline.refer.grounds import grounds
from pipeline.refer.inputs import ReferInputs, judged_attempts
from pipeline.refer.next_tests import next_tests, open_questions
from pipeline.refer.pack.build import packs
from pipeline.refer.pack.model import Evidence
from pipeline.refer.proving import SequentialTest, proving_table
from pipeline.refer.review_status import review_status
from pipeline.refer.suspects.evses import co_occurring_onsets, judge_evses
from pipeline.refer.suspects.leaks import LEAKS
from pipeline.refer.suspects.lessons import lessons
from pipeline.refer.suspects.pairings import judge_pairings
from pipeline.refer.suspects.vehicles import judge_vehicles
from pipeline.refer.wording import NAMED_AT, vehicle_reason
from pipeline.registry import conform, registry
from pipeline.settings.refer import ReferSettings


@dataclass(frozen=True)
class Referral:
    """What the refer stage says of a week: frames as declared (out_*), and one evidence pack per
    referred vehicle.

    `questions` are the undecided vehicles that `next_tests` are for. `learning` shows the tables
    before and after the findings, `precision` how often past referrals were right, by quarter.
    `lessons` (decision_lesson) and `listed` (decision_referral) are to be kept in the decisions
    store; what it has stays.
    """

    vehicles: pl.DataFrame
    evses: pl.DataFrame
    evse_suspects: pl.DataFrame
    pairings: pl.DataFrame
    next_tests: pl.DataFrame
    questions: pl.DataFrame
    packs: Mapping[str, Evidence]
    lessons: pl.DataFrame
    listed: pl.DataFrame
    learning: pl.DataFrame
    precision: pl.DataFrame


def refer(
    inputs: ReferInputs, settings: ReferSettings, week: str, look_back_weeks: int = 12
) -> Referral:
    """Decide the week's calls from attribution and all other evidence.

    `week` is the ISO week reported, the look-back ends with it; what was found or decided later
    does not count. Raises SchemaError where a frame lacks a column.
    """
    look_back = LookBack.of(week, look_back_weeks)
    past = inputs.lessons.filter(pl.col("found_at_utc") < look_back.to_utc)
    found = inputs.findings.filter(pl.col("at_utc") < look_back.to_utc)
    inputs = replace(inputs, findings=found, lessons=all_lessons(past, past.clear()))
    attempts = judged_attempts(inputs, look_back, settings.checks_known_at)
    evses = judge_evses(inputs, attempts, settings)
    new = lessons(inputs, attempts, look_back, settings)
    inputs = replace(inputs, lessons=all_lessons(inputs.lessons, new))
    judged = judge_vehicles(inputs, attempts, look_back, settings)
    stood = review_status(inputs, attempts, look_back, settings)
    healthy = evses.filter(pl.col("call").is_in(["clear", "insufficient_data"]))["evse_id"]
    repairs = stood.filter(pl.col("repaired_at_utc") < look_back.to_utc).select(
        "vehicle_id", "repaired_at_utc", "found"
    )
    proving = proving_table(attempts, repairs, healthy, SequentialTest.of(settings)).drop(
        "repaired_at_utc"
    )
    table = judged.table.join(stood, on="vehicle_id", how="left").with_columns(
        pl.col("dismissed", "held", "accepted").fill_null(value=False)
    )
    table = table.join(grounds(attempts, judged.since), on="vehicle_id", how="left")
    called = call_vehicles(table, proving, settings)
    vehicles = out_vehicles(called, settings)
    questions = open_questions(attempts, called, evses, settings.next_tests)
    return Referral(
        vehicles=vehicles,
        evses=out_evses(evses),
        evse_suspects=out_evse_suspects(evses),
        pairings=conform(judge_pairings(inputs, attempts, settings), "out_pairings"),
        next_tests=next_tests(inputs, attempts, questions, called, evses, settings),
        questions=questions,
        packs=packs(inputs, attempts, judged, called, vehicles, look_back),
        lessons=new,
        listed=listed(week, vehicles),
        learning=before_after(inputs.lessons, inputs.findings),
        precision=precision(inputs.referrals, inputs.findings),
    )


def all_lessons(kept: pl.DataFrame, new: pl.DataFrame) -> pl.DataFrame:
    """Lessons kept and new (decision_lesson), each once, the kept one first, in one order.

    A list made again stays the same.
    """
    key = list(registry().table("decision_lesson").key)
    return pl.concat([kept, new]).unique(key, keep="first", maintain_order=True).sort(key)


def out_vehicles(called: pl.DataFrame, settings: ReferSettings) -> pl.DataFrame:
    """Called vehicles as declared.

    A suspect is named where the call points at the vehicle, `unclear` where none leads.
    """
    pointed = pl.col("call").is_in(["refer", "watch"])
    suspect = pl.when(pl.col("p_suspect") >= NAMED_AT).then("suspect").otherwise(pl.lit("unclear"))
    creeping = pl.col("drifting") & pl.col("suspect").is_in(LEAKS)
    onset = (
        pl.when(creeping).then(pl.coalesce("drift_since_utc", "onset_utc")).otherwise("onset_utc")
    )
    rows = called.with_columns(vehicle_reason(settings).alias("reason"), onset.alias("onset"))
    doubt = pl.lit(timedelta(weeks=1))
    moved = (pl.col("onset") != pl.col("onset_utc")).fill_null(value=True)
    rows = rows.with_columns(
        pl.when(pointed).then(suspect).alias("suspect"),
        pl.when(moved).then(pl.col("onset") - doubt).otherwise("onset_lo_utc").alias("onset_lo"),
        pl.when(moved).then(pl.col("onset") + doubt).otherwise("onset_hi_utc").alias("onset_hi"),
        pl.when(pointed & pl.col("creeps")).then("begins_utc").alias("refer_by"),
    )
    return conform(rows, "out_vehicles")


def out_evses(called: pl.DataFrame) -> pl.DataFrame:
    """Called EVSEs as declared."""
    named = pl.col("p_suspect") >= EVSE_NAMED_AT
    suspect = pl.when(named).then("suspect").otherwise(pl.lit("unclear"))
    pointed = pl.col("call").is_in(["faulty", "watch"])
    rows = co_occurring_onsets(called).with_columns(
        evse_reason().alias("reason"), pl.when(pointed).then("onset_utc").alias("onset")
    )
    return conform(rows.with_columns(pl.when(pointed).then(suspect).alias("suspect")), "out_evses")


def out_evse_suspects(called: pl.DataFrame) -> pl.DataFrame:
    """Which part of an EVSE it is, should it be at fault: every part of each that is called."""
    pointed = called.filter(pl.col("call").is_in(["faulty", "watch"]))
    parts = pointed.select(
        "evse_id", suspect="parts", p_suspect=pl.col("p_parts").arr.to_list()
    ).explode("suspect", "p_suspect")
    order = pl.col("p_suspect").neg()
    return conform(parts.sort("evse_id", order, "suspect"), "out_evse_suspects")
