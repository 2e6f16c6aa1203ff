"""Reasons in a sentence, from the row's own figures; every word in it is borne by a column."""

from __future__ import annotations

import polars as pl

SUSPECT_WORDS = {
    "pilot_diode_shorted": "shorted control pilot diode",
    "pilot_diode_leaky": "leaking control pilot diode",
    "charger_input": "AC side of the on-board charger",
    "inlet_lock": "inlet lock or wiring",
    "never_requests": "vehicle does not ask for charge",
    "pilot_generator": "pilot generator",
    "contactor": "contactor",
    "residual_current_device": "residual current device",
    "connector_lock": "connector lock",
    "communication": "communication",
    "cable": "cable",
    "unclear": "part unclear",
}


def percent(p: pl.Expr) -> pl.Expr:
    """A probability as '93 %'; never 0 % or 100 %."""
    return (
        pl.when(p > 0.99).then(pl.lit("over 99 %"))
        .when(p < 0.01).then(pl.lit("under 1 %"))
        .otherwise(pl.format("{} %", (100 * p).round(0).cast(pl.Int64)))
    )  # fmt: skip


def ohms(value: pl.Expr) -> pl.Expr:
    """A resistance in kΩ to three figures."""
    return pl.format("{} kΩ", (value / 1e3).round_sig_figs(3))


def vehicle_reason() -> pl.Expr:
    """`reason` of out_vehicles: attribution's sentence, the probability, the suspect, the pilot, the standing, the decision."""
    at_issue = pl.col("call").is_in(["refer", "watch"])
    pointed = at_issue & (pl.col("p_suspect") >= 0.5)
    words = pl.col("suspect").replace_strict(SUSPECT_WORDS, default=pl.col("suspect"), return_dtype=pl.String)
    suspect = pl.when(pointed).then(pl.format(" Most likely: {} ({} if it is the vehicle).", words, percent(pl.col("p_suspect"))))
    lifted = pl.col("reverse_path_ohm").is_not_null() & at_issue
    path = pl.when(lifted).then(
        pl.format(
            " Low side of the pilot against each EVSE's usual level: reverse path {}, 90 % interval {} to {}.",
            ohms(pl.col("reverse_path_ohm")),
            ohms(pl.col("reverse_path_lo_ohm")),
            pl.coalesce(ohms(pl.col("reverse_path_hi_ohm")), pl.lit("unbounded")),
        )
    )
    silent = pl.when((pl.col("asks") != "asks") & at_issue).then(
        pl.format(" It did not ask for charge at {} of {} AC plug-ins lately.", "not_asked", "plug_ins")
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
    return pl.when(shown).then(pl.format(" Probability that the {} is at fault: {}.", pl.lit(kind), percent(pl.col(p))))


def pairing_reason() -> pl.Expr:
    """`reason` of out_pairings."""
    shown = pl.col("call").is_in(["faulty", "watch"])
    return pl.concat_str([pl.col("reason"), _at_fault(shown, "pairing", "p_pairing")], ignore_nulls=True)


def evse_reason() -> pl.Expr:
    """`reason` of out_evses."""
    words = pl.col("suspect").replace_strict(SUSPECT_WORDS, default=pl.col("suspect"), return_dtype=pl.String)
    pointed = pl.col("call").is_in(["faulty", "watch"]) & (pl.col("p_suspect") >= 0.5)
    suspect = pl.when(pointed).then(pl.format(" Most likely: {} ({} if it is the EVSE).", words, percent(pl.col("p_suspect"))))
    ground = pl.col("attributed_reason").fill_null("no attempt that charged or failed in the look-back.")
    at_fault = _at_fault(pl.col("call").is_in(["faulty", "watch"]), "EVSE", "p_evse")
    return pl.concat_str([ground, at_fault, suspect], ignore_nulls=True)
