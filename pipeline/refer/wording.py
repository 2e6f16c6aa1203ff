"""Reasons in a sentence, from the row's own figures; every word in it is borne by a column.

A reason is a table of clauses: a clause stands only where its condition holds, and states the figures of its columns.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import polars as pl

from pipeline.core.masks import is_true
from pipeline.core.wording import OVER_RANGE, ohms_in, probability_in, suspect_in
from pipeline.settings.refer import ReferSettings

DAY = "%Y-%m-%d"
NAMED_AT = 0.5
"""Share of a suspect, if it is the vehicle, from which it is named."""
MOSTLY = 0.5
GOES_UNSEEN = frozenset({"pilot_open", "carried_cable"})
"""Suspects with which an EVSE may not see the vehicle at all."""
AT_ISSUE = pl.col("call").is_in(["refer", "watch"])
"""A vehicle whose reason tells more than its attempts."""


@dataclass(frozen=True)
class Clause:
    """One clause of a reason: stands where `holds`, says `words`."""

    name: str
    holds: pl.Expr
    words: pl.Expr


def vehicle_clauses(settings: ReferSettings) -> tuple[Clause, ...]:
    """The clauses of a vehicle's reason, in order."""
    return (
        *_failures(),
        *without_a_failure(),
        *_so_far(),
        *_levels(settings),
        *_decided(),
    )


def _failures() -> tuple[Clause, ...]:
    """Its AC attempts, and how others did there."""
    c, failed = pl.col, pl.col("ac_failures") > 0
    return (
        Clause(
            "untried",
            c("ac_attempts") == 0,
            pl.lit("No AC attempt in the look-back charged or failed."),
        ),
        Clause(
            "none_failed",
            (c("ac_attempts") > 0) & ~failed,
            pl.format("None of {} AC attempts failed.", "ac_attempts"),
        ),
        Clause(
            "failed",
            failed,
            pl.format(
                "{} of {} AC attempts failed, at {}.",
                "ac_failures",
                "ac_attempts",
                _counted("evses_failed_at", "EVSE"),
            ),
        ),
        Clause(
            "others",
            failed & AT_ISSUE & (c("others_attempts") > 0),
            pl.format(
                "All others failed {} of {} there in that time.",
                "others_failures",
                "others_attempts",
            ),
        ),
        Clause(
            "attributed",
            failed & ~AT_ISSUE & (c("attributed_share") > MOSTLY),
            pl.format("Mostly attributed to {}.", "attributed_to"),
        ),
    )


def without_a_failure() -> tuple[Clause, ...]:
    """What a vehicle at issue showed besides failures: plug-ins at which it did not ask, and visits that no EVSE saw."""
    c = pl.col
    return (
        Clause(
            "silent",
            AT_ISSUE & (c("silent") > 0),
            pl.format(
                "At {} it never asked for charge, with nothing seen that explains it.",
                _counted("silent", "AC plug-in"),
            ),
        ),
        Clause(
            "unseen",
            AT_ISSUE & (c("unseen") > 0) & c("suspect").is_in(list(GOES_UNSEEN)),
            pl.format(
                "At {} of its last {} visits no EVSE saw it plugged in, by its own report or with its card accepted.",
                "unseen",
                "stays",
            ),
        ),
    )


def _so_far() -> tuple[Clause, ...]:
    """Its DC attempts, its repair, how probable a fault is and which."""
    c = pl.col
    return (
        Clause(
            "dc",
            AT_ISSUE & (c("dc_attempts") > 0),
            pl.format("On DC it charged at {} of {} attempts.", "dc_charged", "dc_attempts"),
        ),
        Clause(
            "repaired",
            c("repaired_at_utc").is_not_null(),
            pl.format("Repaired on {}.", c("repaired_at_utc").dt.strftime(DAY)),
        ),
        Clause(
            "probability",
            AT_ISSUE,
            pl.format("Probability that the vehicle is at fault: {}.", probability_in("p_vehicle")),
        ),
        Clause("suspect", AT_ISSUE & (c("p_suspect") >= NAMED_AT), most_likely("vehicle")),
    )


def _levels(settings: ReferSettings) -> tuple[Clause, ...]:
    """What the pilot's levels say, and what a leak will do."""
    c = pl.col
    lifted = AT_ISSUE & c("reverse_path_ohm").is_not_null() & (c("level_factor") > 0)
    told = AT_ISSUE & c("level_factor").is_not_null()
    return (
        Clause(
            "path",
            lifted,
            pl.format(
                "Against the levels others show at each EVSE, CP to PE in reverse is {}, 90 % interval {} to {}.",
                ohms_in("reverse_path_ohm"),
                ohms_in("reverse_path_lo_ohm"),
                ohms_in("reverse_path_hi_ohm").fill_null(OVER_RANGE),
            ),
        ),
        Clause(
            "as_usual",
            told & (c("pilot_speaks") <= -math.log(settings.told_by_levels_odds)),
            pl.lit(
                "The pilot's levels with it are those of other vehicles there, which speaks against its pilot circuit."
            ),
        ),
        Clause(
            "plan",
            AT_ISSUE & c("creeps") & c("begins_utc").is_not_null(),
            pl.format(
                "As it goes, it begins to fail at the EVSEs it uses from {} on (early end of an 80 % interval).",
                c("begins_utc").dt.strftime(DAY),
            ),
        ),
        Clause(
            "chance",
            AT_ISSUE & c("creeps") & (c("fails_now") >= 0.01),
            pl.format(
                "At the EVSEs it uses, a plug-in is refused for its level with a chance of {}.",
                probability_in("fails_now"),
            ),
        ),
    )


def _decided() -> tuple[Clause, ...]:
    """What people said of it, and the call with why."""
    c = pl.col
    return (
        Clause(
            "said",
            c("dismissed") | c("held"),
            pl.format(
                "{} by {} on {}: {}.",
                pl.when("dismissed").then(pl.lit("Dismissed")).otherwise(pl.lit("Held")),
                c("said_by").fill_null("unknown"),
                c("said_at_utc").dt.strftime(DAY),
                c("said_why").fill_null("no reason given"),
            ),
        ),
        Clause(
            "decision",
            pl.lit(value=True),
            pl.format(
                "{}: {}.",
                c("call").str.slice(0, 1).str.to_uppercase()
                + c("call").str.slice(1).str.replace_all("_", " "),
                "why",
            ),
        ),
    )


def joined(clauses: tuple[Clause, ...]) -> pl.Expr:
    """The clauses that hold, in order, as one text."""
    return pl.concat_str(
        [pl.when(is_true(clause.holds)).then(clause.words) for clause in clauses],
        separator=" ",
        ignore_nulls=True,
    )


def vehicle_reason(settings: ReferSettings) -> pl.Expr:
    """`reason` of out_vehicles, of a called table with `grounds`."""
    return joined(vehicle_clauses(settings))


def _counted(column: str, thing: str) -> pl.Expr:
    """'1 EVSE', '3 EVSEs'."""
    ending = pl.when(pl.col(column) == 1).then(pl.lit("")).otherwise(pl.lit("s"))
    return pl.format("{} {}{}", column, pl.lit(thing), ending)


def most_likely(kind: str) -> pl.Expr:
    """The suspect with its probability, if it is the unit of this kind."""
    return pl.format(
        "Most likely: {} ({} if it is the {}).",
        suspect_in("suspect"),
        probability_in("p_suspect"),
        pl.lit(kind),
    )
