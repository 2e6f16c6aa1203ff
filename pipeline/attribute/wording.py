"""The reason in one sentence, assembled from the row's own figures."""

from __future__ import annotations

import polars as pl

from pipeline.settings.attribute import AttributeSettings

PARTNER = {"vehicle": "EVSE", "EVSE": "vehicle", "pairing": "EVSE"}


def reasons(frame: pl.DataFrame, kind: str, settings: AttributeSettings) -> pl.DataFrame:
    """Add `reason`, one sentence that states the verdict's ground."""
    partner = PARTNER[kind]
    counts = pl.format(
        "{} of {} attempts failed, at {} of {} {}s", "failures", "attempts", "partners_failed", "partners", pl.lit(partner)
    )
    percent = pl.format("{} %", (100 * pl.col("p")).round(0).cast(pl.Int64))
    since = pl.col("onset_utc").dt.strftime("%Y-%m-%d")
    alone = (pl.col("partners") < settings.partners_at_least) | (pl.col("partners_failed_lately") < settings.partners_at_least)
    fault = pl.format(
        "{}; others fared well there, so the {} is at fault with {} since about {}.", counts, pl.lit(kind), percent, since
    )
    one = pl.format(
        "{}; it has failed with one {} only lately, so the data cannot tell the two apart ({}).", counts, pl.lit(partner), percent
    )
    blurred = pl.format("{}; its {}s served too few others to tell them apart ({}).", counts, pl.lit(partner), percent)
    unsure = pl.format("{}; at fault with {}, neither enough to blame nor to clear it.", counts, percent)
    clear = pl.format("{}; what failed is explained by others or by chance ({}).", counts, percent)
    thin = pl.format("{}; only {} lately, too few to say.", counts, pl.col("attempts_lately").round(0).cast(pl.Int64))
    sentence = (
        pl.when(pl.col("verdict") == "fault").then(fault)
        .when((pl.col("verdict") == "doubt") & (pl.col("p") >= settings.fault_at) & alone).then(one)
        .when((pl.col("verdict") == "doubt") & ~pl.col("separable")).then(blurred)
        .when(pl.col("verdict") == "doubt").then(unsure)
        .when(pl.col("verdict") == "clear").then(clear)
        .otherwise(thin)
    )  # fmt: skip
    return frame.with_columns(sentence.alias("reason"))
