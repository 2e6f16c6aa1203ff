"""Reasons in a sentence, from the row's own figures; every word in it is borne by a column."""

from __future__ import annotations

import polars as pl

from pipeline.core.wording import OVER_RANGE, ohms_in, probability_in, suspect_in


def vehicle_reason() -> pl.Expr:
    """`reason` of out_vehicles.

    Attribution's sentence, the probability, the suspect, the pilot, the standing, the decision.
    """
    at_issue = pl.col("call").is_in(["refer", "watch"])
    pointed = at_issue & (pl.col("p_suspect") >= 0.5)
    suspect = pl.when(pointed).then(_most_likely("vehicle"))
    lifted = pl.col("reverse_path_ohm").is_not_null() & at_issue
    path = pl.when(lifted).then(
        pl.format(
            " Low side of the pilot against each EVSE's usual level: reverse path {}, 90 % interval {} to {}.",
            ohms_in("reverse_path_ohm"),
            ohms_in("reverse_path_lo_ohm"),
            ohms_in("reverse_path_hi_ohm").fill_null(OVER_RANGE),
        )
    )
    silent = pl.when((pl.col("asks") != "asks") & at_issue).then(
        pl.format(
            " It did not ask for charge at {} of {} AC plug-ins lately.", "not_asked", "plug_ins"
        )
    )
    said = pl.when(pl.col("dismissed") | pl.col("held")).then(
        pl.format(
            " {} by {} on {}: {}.",
            pl.when("dismissed").then(pl.lit("Dismissed")).otherwise(pl.lit("Held")),
            pl.col("said_by").fill_null("unknown"),
            pl.col("said_at_utc").dt.strftime("%Y-%m-%d"),
            pl.col("said_why").fill_null("no reason given"),
        )
    )
    decision = pl.format(" {}: {}.", pl.col("call").str.to_titlecase(), "why")
    back = pl.when(pl.col("repaired_at_utc").is_not_null()).then(
        pl.format(" Repaired on {}.", pl.col("repaired_at_utc").dt.strftime("%Y-%m-%d"))
    )
    parts = [
        pl.col("reason").str.strip_chars(),
        back,
        _at_fault(at_issue, "vehicle", "p_vehicle"),
        suspect,
        path,
        silent,
        said,
        decision,
    ]
    return pl.concat_str(parts, ignore_nulls=True)


def _at_fault(shown: pl.Expr, kind: str, p: str) -> pl.Expr:
    return pl.when(shown).then(
        pl.format(" Probability that the {} is at fault: {}.", pl.lit(kind), probability_in(p))
    )


def _most_likely(kind: str) -> pl.Expr:
    words = suspect_in("suspect")
    return pl.format(
        " Most likely: {} ({} if it is the {}).", words, probability_in("p_suspect"), pl.lit(kind)
    )


def pairing_reason() -> pl.Expr:
    """`reason` of out_pairings."""
    shown = pl.col("call").is_in(["faulty", "watch"])
    return pl.concat_str(
        [pl.col("reason"), _at_fault(shown, "pairing", "p_pairing")], ignore_nulls=True
    )


def evse_reason() -> pl.Expr:
    """`reason` of out_evses, of a frame with `units.co_occurring_onsets`."""
    at_issue = pl.col("call").is_in(["faulty", "watch"])
    suspect = pl.when(at_issue & (pl.col("p_suspect") >= 0.5)).then(_most_likely("EVSE"))
    ground = pl.col("attributed_reason").fill_null(
        "no attempt that charged or failed in the look-back."
    )
    at_fault = _at_fault(at_issue, "EVSE", "p_evse")
    shared = pl.format(
        " {} of the {} EVSEs of its site began to fail within two days: look first at what they share (supply, network).",
        "at_once", "at_site",
    )  # fmt: skip
    return pl.concat_str([ground, at_fault, suspect, shared], ignore_nulls=True)
