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


@dataclass(frozen=True)
class Clause:
    """One clause of a reason: stands where `holds`, says `words`."""

    name: str
    holds: pl.Expr
    words: pl.Expr


def vehicle_clauses(settings: ReferSettings) -> tuple[Clause, ...]:
    """The clauses of a vehicle's reason, in order."""
    c, at_issue = pl.col, pl.col("call").is_in(["refer", "watch"])
    failed = c("ac_failures") > 0
    lifted = at_issue & c("reverse_path_ohm").is_not_null() & (c("level_factor") > 0)
    told = at_issue & c("level_factor").is_not_null()
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
            failed & at_issue & (c("others_attempts") > 0),
            pl.format(
                "All others failed {} of {} there in that time.",
                "others_failures",
                "others_attempts",
            ),
        ),
        Clause(
            "attributed",
            failed & ~at_issue & (c("attributed_share") > MOSTLY),
            pl.format("Mostly attributed to {}.", "attributed_to"),
        ),
        *without_a_failure(),
        Clause(
            "dc",
            at_issue & (c("dc_attempts") > 0),
            pl.format("On DC it charged at {} of {} attempts.", "dc_charged", "dc_attempts"),
        ),
        Clause(
            "repaired",
            c("repaired_at_utc").is_not_null(),
            pl.format("Repaired on {}.", c("repaired_at_utc").dt.strftime(DAY)),
        ),
        Clause(
            "probability",
            at_issue,
            pl.format("Probability that the vehicle is at fault: {}.", probability_in("p_vehicle")),
        ),
        Clause("suspect", at_issue & (c("p_suspect") >= NAMED_AT), _most_likely("vehicle")),
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
            at_issue & c("creeps") & c("begins_utc").is_not_null(),
            pl.format(
                "As it goes, it begins to fail at the EVSEs it uses from {} on (early end of an 80 % interval).",
                c("begins_utc").dt.strftime(DAY),
            ),
        ),
        Clause(
            "chance",
            at_issue & c("creeps") & (c("fails_now") >= 0.01),
            pl.format(
                "At the EVSEs it uses, a plug-in is refused for its level with a chance of {}.",
                probability_in("fails_now"),
            ),
        ),
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


def without_a_failure() -> tuple[Clause, ...]:
    """What a vehicle at issue showed besides failures: plug-ins at which it did not ask, and visits that no EVSE saw."""
    c, at_issue = pl.col, pl.col("call").is_in(["refer", "watch"])
    return (
        Clause(
            "silent",
            at_issue & (c("silent") > 0),
            pl.format(
                "At {} it never asked for charge, with nothing seen that explains it.",
                _counted("silent", "AC plug-in"),
            ),
        ),
        Clause(
            "unseen",
            at_issue & (c("unseen") > 0) & c("suspect").is_in(list(GOES_UNSEEN)),
            pl.format(
                "At {} of its last {} visits no EVSE saw it plugged in, by its own report or with its card accepted.",
                "unseen",
                "stays",
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


def _at_fault(shown: pl.Expr, kind: str, p: str) -> pl.Expr:
    return pl.when(shown).then(
        pl.format(" Probability that the {} is at fault: {}.", pl.lit(kind), probability_in(p))
    )


def _most_likely(kind: str) -> pl.Expr:
    return pl.format(
        "Most likely: {} ({} if it is the {}).",
        suspect_in("suspect"),
        probability_in("p_suspect"),
        pl.lit(kind),
    )


def pairing_reason() -> pl.Expr:
    """`reason` of out_pairings."""
    shown = pl.col("call").is_in(["faulty", "watch"])
    return pl.concat_str(
        [pl.col("reason"), _at_fault(shown, "pairing", "p_pairing")], ignore_nulls=True
    )


def evse_reason() -> pl.Expr:
    """`reason` of out_evses, of a frame with `evses.co_occurring_onsets`."""
    at_issue = pl.col("call").is_in(["faulty", "watch"])
    named = at_issue & (pl.col("p_suspect") >= EVSE_NAMED_AT)
    suspect = pl.when(named).then(pl.concat_str(pl.lit(" "), _most_likely("EVSE")))
    by_call = dict(zip(("faulty", "watch", "clear"), GROUNDS, strict=True))
    ground = pl.coalesce(
        *(pl.when(pl.col("call") == call).then(name) for call, name in by_call.items()), "reason"
    ).fill_null("no attempt that charged or failed in the look-back.")
    # also where they cleared what the attempts alone left in doubt: `why` says that the rest is by what is told here
    weighed = at_issue | pl.col("verdict").is_in(["fault", "doubt"])
    looks = pl.when(weighed).then(_evse_looks())
    at_fault = _at_fault(at_issue, "EVSE", "p_evse")
    shared = pl.format(
        " {} of the {} EVSEs of its site began to fail within two days: look first at what they share (supply, network).",
        "at_once", "at_site",
    )  # fmt: skip
    return pl.concat_str([ground, looks, at_fault, suspect, shared], ignore_nulls=True)


GROUNDS = ("ground_fault", "ground_doubt", "ground_clear")
"""Attribution's sentence on an EVSE for each verdict; which one holds is known when its failures' looks have been weighed."""
LOOKS_TELL = 2.0
"""Times likelier from which the looks of failures are mentioned; judgement."""
LOOKS_MOST = 100.0
"""Beyond it no figure is told: each sign is capped (`log_weight_cap`), so there the figure is the cap's."""


def _evse_looks() -> pl.Expr:
    """What the looks of an EVSE's failures say, where they say much."""
    evse, others = "it is the EVSE", "it is chance or its vehicles"
    telling = pl.col("telling")
    return (
        pl.when(telling >= LOOKS_TELL)
        .then(_likelier(telling, evse, others))
        .when(telling <= 1.0 / LOOKS_TELL)
        .then(_likelier(1.0 / telling, others, evse))
    )


def _likelier(times: pl.Expr, one: str, other: str) -> pl.Expr:
    many = pl.when(times > LOOKS_MOST).then(pl.lit(f"over {LOOKS_MOST:.0f}"))
    figure = many.otherwise(times.round(0).cast(pl.Int64).cast(pl.String))
    return pl.format(
        " How they failed (stage, fault word) is {} times likelier if {} than if {}.",
        figure, pl.lit(one), pl.lit(other),
    )  # fmt: skip


EVSE_NAMED_AT = 0.7
"""The same for an EVSE's part: who is sent to the wrong part opens a station for nothing; judgement."""
