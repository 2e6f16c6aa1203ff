"""The ground of a verdict in one sentence, from the row's own figures.

The probability is added by who uses it.
"""

from __future__ import annotations

import polars as pl

from pipeline.settings.attribute import AttributeSettings

PARTNERS = {
    "vehicle": "at {} of {} EVSEs",
    "EVSE": "with {} of {} vehicles",
    "pairing": "with {} of {} vehicles",
}
PARTNER = {"vehicle": "EVSE", "EVSE": "vehicle", "pairing": "vehicle"}
RIVAL = {
    "vehicle": "its vehicles",
    "evse": "its EVSEs",
    "pairing": "the pairing of the two models",
    "chance": "chance",
}
LEAST_RATE = 1e-4


def reasons(frame: pl.DataFrame, kind: str, settings: AttributeSettings) -> pl.DataFrame:
    """Add `reason`, one sentence that states the verdict's ground.

    Besides the figures of `unit_frame` it needs `since`, in words.
    """
    counts, since = _counts(kind), pl.col("since")
    suspected = pl.col("verdict") == "doubt"
    alone = (pl.col("partners") < settings.partners_at_least) | (
        pl.col("partners_failed_lately") < settings.partners_at_least
    )
    rival = pl.col("rival").replace_strict(RIVAL, default="others")
    mostly_silent = pl.col("p_silent") > 0.5 * pl.col("p")
    often = pl.format("{} in {}", pl.lit("1"), _one_in(pl.col("failures") / pl.col("attempts")))
    usual = pl.format("1 in {}", _one_in(pl.col("fleet_rate")))
    never = (pl.col("failures") == 0) & (pl.col("silent") == 0)
    past = pl.col("past") if "past" in frame.columns else pl.lit(value=False)
    cases = [
        ((pl.col("verdict") == "fault") & mostly_silent,
         pl.format("{}: so since {}.", counts, since)),
        ((pl.col("verdict") == "fault") & (pl.col("fault_kind") == "chronic"),
         pl.format("{}: {} all along, where the usual is {}.", counts, often, usual)),
        ((pl.col("verdict") == "fault") & (pl.col("fault_kind") == "intermittent"),
         pl.format("{}: it comes and goes, since {}.", counts, since)),
        (pl.col("verdict") == "fault",
         pl.format("{}: it has failed since {}.", counts, since)),
        (suspected & (pl.col("p") >= settings.fault_at) & alone,
         pl.format("{}; since {} with one known {} only, so the attempts hardly tell the two apart.",
                   counts, since, pl.lit(PARTNER[kind]))),
        (suspected & ~pl.col("separable"),
         pl.format("{}; {} could explain it about as well.", counts, rival)),
        (suspected & (pl.col("p_height") >= settings.fault_at) & (pl.col("p") < settings.fault_at),
         pl.format("{}; it failed as at a fault, and its last attempts leave open whether that goes on.", counts)),
        (suspected, pl.format("{}; neither enough to blame nor to clear it.", counts)),
        (past, pl.format("{}; it was at fault, and that is over.", counts)),
        ((pl.col("verdict") == "clear") & never, pl.format("none of {} attempts failed.", "attempts")),
        ((pl.col("verdict") == "clear") & (pl.col("p_chronic") > 0.5),
         pl.format("{}; about as often all along, which is taken for its place or driver.", counts)),
        (pl.col("verdict") == "clear",
         pl.format("{}; others, chance or a trouble that has ended explain it.", counts)),
    ]  # fmt: skip
    few = pl.col("attempts_lately").round(0).cast(pl.Int64)
    sentence = pl.format("{}; only {} lately, too few to say.", counts, few)
    for condition, words in reversed(cases):
        hit = condition.fill_null(value=False)
        sentence = pl.when(hit).then(words).otherwise(sentence)
    return frame.with_columns(sentence.alias("reason"))


def grounds(frame: pl.DataFrame, kind: str, settings: AttributeSettings) -> pl.DataFrame:
    """Add `ground_fault`, `ground_doubt` and `ground_clear`: the sentence of each verdict, for who has more to weigh before it is given."""
    words = [
        reasons(frame.with_columns(verdict=pl.lit(verdict)), kind, settings)["reason"].alias(
            f"ground_{verdict}"
        )
        for verdict in ("fault", "doubt", "clear")
    ]
    return frame.with_columns(words)


def _counts(kind: str) -> pl.Expr:
    """'3 of 20 attempts failed, at 2 of 5 EVSEs', and the silences where there are any."""
    failed = pl.format(
        f"{{}} of {{}} attempts failed, {PARTNERS[kind]}",
        "failures", "attempts", "partners_failed", "partners",
    )  # fmt: skip
    silent = pl.format(
        "{}; no charge was asked for at {} plug-ins of {}",
        failed, "silent", pl.col("silent") + pl.col("attempts"),
    )  # fmt: skip
    return pl.when(pl.col("silent") > 0).then(silent).otherwise(failed)


def _one_in(rate: pl.Expr) -> pl.Expr:
    return (1.0 / rate.clip(lower_bound=LEAST_RATE)).round(0).clip(lower_bound=1).cast(pl.Int64)
