"""How soon a vehicle is referred, where every week is published: from its third own failure to the week that says so."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import polars as pl

from pipeline.measure.quality.from_logs.oracle import oracle
from pipeline.measure.quality.from_logs.units import World, vehicle_truth
from pipeline.measure.quality.measures import ratio

ORACLE_CUT = 0.5
"""Probability from which the oracle would refer."""


@dataclass(frozen=True)
class Published:
    """Calls of one week: its exclusive end, and `vehicle_id, call`."""

    end: datetime
    calls: pl.DataFrame


def referral_times(world: World, weeks: list[Published]) -> pl.DataFrame:
    """A row a vehicle identifiable at the last week's end that failed thrice by itself since the first.

    `third_at`, `said_at` and `oracle_at` (ends of the first weeks that refer, null where none does), days
    between, and the AC attempts it made meanwhile.
    """
    truth = vehicle_truth(world, weeks[-1].end).filter("identifiable")
    wanted = truth.filter(pl.col("third_at") >= weeks[0].end).select(
        "vehicle_id", "kind", "third_at"
    )
    said = pl.concat([_referring(w.calls.filter(pl.col("call") == "refer"), w.end) for w in weeks])
    best = pl.concat(
        [
            _referring(oracle(world, w.end).filter(pl.col("p_oracle") >= ORACLE_CUT), w.end)
            for w in weeks
        ]
    )
    rows = wanted.join(_first(wanted, said, "said_at"), on="vehicle_id", how="left").join(
        _first(wanted, best, "oracle_at"), on="vehicle_id", how="left"
    )
    tries = (
        world.attempts.filter((pl.col("supply") == "AC") & pl.col("known"))
        .join(rows, on="vehicle_id")
        .filter(
            (pl.col("plugged_at") > pl.col("third_at")) & (pl.col("plugged_at") < pl.col("said_at"))
        )
        .group_by("vehicle_id")
        .agg(pl.len().alias("attempts"))
    )
    days = [
        ((pl.col(who) - pl.col("third_at")).dt.total_seconds() / 86400).alias(
            f"{who.removesuffix('_at')}_days"
        )
        for who in ("said_at", "oracle_at")
    ]
    return rows.join(tries, on="vehicle_id", how="left").with_columns(
        *days, pl.col("attempts").fill_null(0)
    )


def _referring(frame: pl.DataFrame, end: datetime) -> pl.DataFrame:
    return frame.select("vehicle_id", pl.lit(end).dt.cast_time_unit("us").alias("at"))


def _first(wanted: pl.DataFrame, referred: pl.DataFrame, name: str) -> pl.DataFrame:
    """End of the first week after the third failure that refers."""
    return (
        wanted.join(referred, on="vehicle_id")
        .filter(pl.col("at") >= pl.col("third_at"))
        .group_by("vehicle_id")
        .agg(pl.col("at").min().alias(name))
    )


def timing_figures(rows: pl.DataFrame) -> dict[str, Any]:
    """Shares and quantiles; days run from the third own failure to the end of the referring week."""
    said, best = rows.drop_nulls("said_at"), rows.drop_nulls("oracle_at")
    at_once = said.filter(pl.col("said_days") <= 7)
    spans = (
        ("days", said["said_days"]),
        ("attempts", said["attempts"]),
        ("oracle_days", best["oracle_days"]),
    )
    quantiles = {
        f"{name}_{word}": _quantile(span, share)
        for name, span in spans
        for word, share in (("median", 0.5), ("90_percent", 0.9))
    }
    return {
        "vehicles": rows.height,
        "referred_in_that_week": ratio(at_once.height, rows.height),
        "referred_at_last": ratio(said.height, rows.height),
        "oracle_in_that_week": ratio(best.filter(pl.col("oracle_days") <= 7).height, rows.height),
        **quantiles,
    }


def _quantile(values: pl.Series, share: float) -> float:
    found = values.cast(pl.Float64).quantile(share, "linear")
    return float("nan") if found is None else found
