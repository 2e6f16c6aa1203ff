"""The figures claimed of the bench, from the table of simulated cases."""

from __future__ import annotations

import polars as pl

from pipeline.core.wording import percent
from pipeline.measure.quality.bench import FIXED_LIST
from pipeline.refer.bench.assess import SURE


def summary(table: pl.DataFrame) -> dict[str, float]:
    """The figures claimed: share right, steps, and how the probabilities hold (named at p: right in p of the cases)."""
    sure = table.filter(pl.col("p_named") >= SURE)
    right = pl.col("named") == pl.col("truth")
    return {
        "cases": float(table.height),
        "right": float(table.select(right.mean()).item()),
        "sure": sure.height / table.height,
        "right_where_sure": float(sure.select(right.mean()).item() or 0.0),
        "median_steps": float(table["steps"].cast(pl.Float64).quantile(0.5, "nearest") or 0.0),
        "mean_steps": float(table["steps"].cast(pl.Float64).mean() or 0.0),  # type: ignore[arg-type]
        "median_figures": float(table["figures"].cast(pl.Float64).quantile(0.5, "nearest") or 0.0),
        "list_right": float(table.select((pl.col("listed") == pl.col("truth")).mean()).item()),
        "list_steps": float(len(FIXED_LIST)),
        "expected_right": float(table["p_named"].mean() or 0.0),  # type: ignore[arg-type]
    }


def calibration(table: pl.DataFrame) -> pl.DataFrame:
    """By what the bench said of the part it named: how often it was right."""
    edges = (0.5, 0.8, 0.9, 0.97, 0.99)
    above = pl.max_horizontal(
        pl.when(pl.col("p_named") > edge).then(edge).otherwise(0.0) for edge in edges
    )
    return (
        table.group_by(above.alias("said_above"))
        .agg(
            pl.len().alias("cases"),
            pl.col("p_named").mean().alias("mean_said"),
            (pl.col("named") == pl.col("truth")).mean().alias("right"),
        )
        .sort("mean_said")
    )


def _above(edge: float) -> str:
    return f"over {percent(edge)}" if edge else "less"


def as_words(table: pl.DataFrame, seed: int) -> str:
    """The figures to print, with what was asked for, and the calibration of the part named."""
    told = summary(table)
    listed = f"by the fixed list of {told['list_steps']:.0f} readings: {told['list_right']:.3f}"
    right = f"right in {told['right_where_sure']:.3f} of those (asked at least .97)"
    of_them = f"of them readings with a figure {told['median_figures']:.0f}"
    steps = f"{told['median_steps']:.0f} at the median (asked at most 3), {of_them}; {told['mean_steps']:.1f} on average"
    rows = [
        f"  {_above(row['said_above']):<20} {row['cases']:>6} {row['mean_said']:>10.3f} {row['right']:>7.3f}"
        for row in calibration(table).to_dicts()
    ]
    lines = [
        f"\nBench, {told['cases']:.0f} simulated vehicles, seed {seed}",
        f"  the right part named: {told['right']:.3f}; {listed}",
        f"  sure (97 % and more) in {told['sure']:.3f} of the cases, and {right}",
        f"  steps: {steps}",
        f"  said on average {told['expected_right']:.3f}, right {told['right']:.3f}",
        "  said of the part named   cases  mean said   right",
        *rows,
    ]
    return "\n".join(lines)
