"""The quality in a picture.

Are the probabilities honest, and how many calls are right and faults found, by world and seed.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import altair as alt
import polars as pl

from pipeline.measure.quality.claims import SHARES, head
from pipeline.measure.quality.run import Evaluation, pooled_bins, summary

Z90 = 1.645
"""90 % of a normal distribution lies within so many standard deviations."""
BLUE, ORANGE, INK = "#0072B2", "#D55E00", "#333333"
"""Colours of Okabe & Ito, "Color universal design" (2008, from memory); shapes tell the same."""
_WIDTH = 330
UNITS = {"vehicle": "vehicles", "evse": "EVSEs"}


def reliability_rows(evaluation: Evaluation) -> pl.DataFrame:
    """One row per world, kind of unit and bin that holds any: `said` (mean probability) and `share`
    truly at fault, 0 to 1.

    `lo`, `hi`: Wilson's 90 % interval of the share (E. B. Wilson, JASA 22, 1927, from memory).
    `label`: at fault of all.
    """
    n, k = pl.col("units"), pl.col("true")
    middle, half = (
        (k + Z90**2 / 2) / (n + Z90**2),
        Z90 * (k * (n - k) / n + Z90**2 / 4).sqrt() / (n + Z90**2),
    )
    bins = pooled_bins(evaluation.bins.filter(pl.col("unit").is_in(list(UNITS))))
    return _headed(bins, evaluation).select(
        "world",
        "scenario",
        pl.col("unit").replace_strict(UNITS),
        (pl.col("said") / n).alias("said"),
        (k / n).alias("share"),
        (middle - half).clip(0.0, 1.0).alias("lo"),
        (middle + half).clip(0.0, 1.0).alias("hi"),
        pl.format("{} of {}", k, n).alias("label"),
    )


def share_rows(evaluation: Evaluation) -> pl.DataFrame:
    """One row per world, measure and seed with any case, and one of all seeds together (`seed`
    null): `share`, `part`, `whole`.

    `least`: the target.
    """
    frames = []
    for rows in (evaluation.worlds, summary(evaluation)):
        headed = _headed(rows, evaluation)
        seed = pl.col("seed") if "seed" in headed.columns else pl.lit(None, dtype=pl.Int64)
        frames += [
            headed.select(
                "world",
                "scenario",
                pl.lit(share.measure).alias("measure"),
                seed.cast(pl.Int64).alias("seed"),
                pl.col(share.part).cast(pl.Int64).alias("part"),
                pl.col(share.whole).cast(pl.Int64).alias("whole"),
                pl.lit(share.least).alias("least"),
            )
            for share in SHARES
        ]
    rows = pl.concat(frames).filter(pl.col("whole") > 0)
    return rows.with_columns(
        share=pl.col("part") / pl.col("whole"), label=pl.format("{} of {}", "part", "whole")
    )


def _headed(rows: pl.DataFrame, evaluation: Evaluation) -> pl.DataFrame:
    heads = summary(evaluation).select("scenario", "fleet", "seeds").to_dicts()
    names = pl.DataFrame(
        [{"scenario": row["scenario"], "fleet": row["fleet"], "world": head(row)} for row in heads]
    )
    return rows.join(names, on=["scenario", "fleet"], maintain_order="left")


def write_picture(evaluation: Evaluation, file: Path) -> None:
    """Draw it to an SVG or PNG file, by its suffix."""
    chart = alt.vconcat(
        _reliability(reliability_rows(evaluation)), _shares(share_rows(evaluation)), spacing=40
    )
    chart = chart.configure_view(stroke="#cccccc").configure_axis(
        labelColor=INK, titleColor=INK, titleFontWeight="normal"
    )
    chart.configure_title(anchor="start").configure_header(labelColor=INK, labelFontSize=11).save(
        str(file), scale_factor=2
    )


def _by_scenario(rows: pl.DataFrame) -> tuple[Any, Any]:
    """Colour and shape by `scenario`."""
    names = rows["scenario"].unique(maintain_order=True).to_list()
    colours = alt.Scale(domain=names, range=[BLUE, ORANGE, INK][: len(names)])
    shapes = alt.Scale(domain=names, range=["circle", "square", "diamond"][: len(names)])
    return alt.Color("scenario:N", legend=None, scale=colours), alt.Shape(
        "scenario:N", legend=None, scale=shapes
    )


def _reliability(rows: pl.DataFrame) -> Any:
    colour, shape = _by_scenario(rows)
    percents = alt.Axis(format="%", values=[0, 0.2, 0.4, 0.6, 0.8, 1], labelOverlap=False)
    x = alt.X(
        "said:Q",
        title="probability said, mean of the bin",
        axis=percents,
        scale=alt.Scale(domain=[0, 1]),
    )
    y = alt.Y("share:Q", title="truly at fault", axis=percents, scale=alt.Scale(domain=[0, 1]))
    base = alt.Chart()
    as_said = alt.Chart(pl.DataFrame({"said": [0.0, 1.0], "share": [0.0, 1.0]})).mark_line(
        color="#888888", strokeDash=[4, 3]
    )
    whisker = base.mark_rule().encode(
        x=x, y=alt.Y("lo:Q", title="truly at fault"), y2="hi:Q", color=colour
    )
    point = base.mark_point(filled=True, size=60, opacity=1).encode(
        x=x, y=y, color=colour, shape=shape
    )
    count = base.mark_text(align="left", dx=6, dy=7, fontSize=9, color=INK).encode(
        x=x, y=y, text="label:N"
    )
    return alt.layer(as_said.encode(x=x, y=y), whisker, point, count, data=rows).properties(width=250, height=200).facet(
        column=alt.Column("world:N", title=None, sort=_worlds(rows)),
        row=alt.Row("unit:N", title=None, sort=list(UNITS.values())),
        title="Of units said to be at fault with a probability, so many are (counts and 90 % interval; dashed: as said)",
    )  # fmt: skip


def _shares(rows: pl.DataFrame) -> Any:
    colour, shape = _by_scenario(rows)
    least = min(0.5, *rows["share"].to_list())
    x = alt.X(
        "share:Q", title="share", axis=alt.Axis(format="%"), scale=alt.Scale(domain=[least, 1])
    )
    y = alt.Y("world:N", title=None, sort=_worlds(rows), axis=alt.Axis(labelLimit=260))
    base = alt.Chart()
    seeds, whole = (
        base.transform_filter("isValid(datum.seed)"),
        base.transform_filter("!isValid(datum.seed)"),
    )
    target = base.mark_rule(color=INK, strokeDash=[4, 3]).encode(x=alt.X("least:Q", title="share"))
    point = seeds.mark_point(filled=True, opacity=0.35, size=50).encode(
        x=x, y=y, color=colour, shape=shape
    )
    tick = whole.mark_tick(thickness=3, size=22).encode(x=x, y=y, color=colour)
    beside = alt.value(_WIDTH + 6)
    count = whole.mark_text(align="left", fontSize=10, color=INK).encode(
        x=beside, y=y, text="label:N"
    )
    return alt.layer(target, point, tick, count, data=rows).properties(width=_WIDTH, height=140).facet(
        facet=alt.Facet("measure:N", title=None, sort=[share.measure for share in SHARES]), columns=2, spacing=70,
        title="Right calls and found faults (pale: a seed; bar and counts: all seeds; dashed: the target)",
    )  # fmt: skip


def _worlds(rows: pl.DataFrame) -> list[str]:
    return rows["world"].unique(maintain_order=True).to_list()
