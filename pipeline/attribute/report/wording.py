"""The ground of a verdict in one sentence, from the row's own figures.

The probability is added by who uses it.
"""

from __future__ import annotations

import polars as pl

from pipeline.settings.attribute import AttributeSettings

PARTNERS = {
    "vehicle": "at {} of {} EVSEs",
    "EVSE": "with {} of {} vehicles",
    "pairing": "at {} of {} EVSEs",
}
CONTRAST = {
    "vehicle": "while others fared well there",
    "EVSE": "while they fared well elsewhere",
    "pairing": "while others fared well there",
}
PARTNER = {"vehicle": "EVSE", "EVSE": "vehicle", "pairing": "EVSE"}


def reasons(frame: pl.DataFrame, kind: str, settings: AttributeSettings) -> pl.DataFrame:
    """Add `reason`, one sentence that states the verdict's ground.

    Besides the figures of `unit_frame` it needs `since`, in words, and `p_habit`, the probability
    of a rate it has always had.
    """
    counts = pl.format(
        f"{{}} of {{}} attempts failed, {PARTNERS[kind]}",
        "failures",
        "attempts",
        "partners_failed",
        "partners",
    )
    alone = (pl.col("partners") < settings.partners_at_least) | (
        pl.col("partners_failed_lately") < settings.partners_at_least
    )
    fault = pl.format("{}, {}: it has failed since {}.", counts, pl.lit(CONTRAST[kind]), "since")
    one = pl.format(
        "{}; it has failed with one {} only lately, so the data cannot tell the two apart.",
        counts,
        pl.lit(PARTNER[kind]),
    )
    blurred = pl.format(
        "{}; its {}s served too few others to tell them apart.", counts, pl.lit(PARTNER[kind])
    )
    unsure = pl.format("{}; neither enough to blame nor to clear it.", counts)
    habit = pl.format(
        "{}; it has failed about as often all along, which is taken for its place or driver.",
        counts,
    )
    clear = pl.format(
        "{}; what failed is explained by others, by chance or by a trouble that has ended.", counts
    )
    none = pl.format("none of {} attempts failed.", "attempts")
    insufficient = pl.format(
        "{}; only {} lately, too few to say.",
        counts,
        pl.col("attempts_lately").round(0).cast(pl.Int64),
    )
    sentence = (
        pl.when(pl.col("verdict") == "fault").then(fault)
        .when((pl.col("verdict") == "doubt") & (pl.col("p") >= settings.fault_at) & alone).then(one)
        .when((pl.col("verdict") == "doubt") & ~pl.col("separable")).then(blurred)
        .when(pl.col("verdict") == "doubt").then(unsure)
        .when((pl.col("verdict") == "clear") & (pl.col("failures") == 0)).then(none)
        .when((pl.col("verdict") == "clear") & (pl.col("p_chronic") > 0.5)).then(habit)
        .when(pl.col("verdict") == "clear").then(clear)
        .otherwise(insufficient)
    )  # fmt: skip
    return frame.with_columns(sentence.alias("reason"))
