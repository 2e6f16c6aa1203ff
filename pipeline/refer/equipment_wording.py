"""Reasons of EVSEs and pairings in a sentence, from the row's own figures."""

from __future__ import annotations

import polars as pl

from pipeline.core.wording import probability_in
from pipeline.refer.wording import most_likely

GROUNDS = ("ground_fault", "ground_doubt", "ground_clear")
"""Attribution's sentence on an EVSE for each verdict; which one holds is known when its failures' looks have been weighed."""
LOOKS_TELL = 2.0
"""Times likelier from which the looks of failures are mentioned; judgement."""
LOOKS_MOST = 100.0
"""Beyond it no figure is told: each sign is capped (`log_weight_cap`), so there the figure is the cap's."""
EVSE_NAMED_AT = 0.7
"""Share of a part, if it is the EVSE, from which it is named: whoever is sent to the wrong part opens a station in vain; judgement."""


def _at_fault(shown: pl.Expr, kind: str, p: str) -> pl.Expr:
    return pl.when(shown).then(
        pl.format(" Probability that the {} is at fault: {}.", pl.lit(kind), probability_in(p))
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
    suspect = pl.when(named).then(pl.concat_str(pl.lit(" "), most_likely("EVSE")))
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
