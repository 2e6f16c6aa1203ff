"""How well attempts read from a delivery agree with the truth beside it.

Works on frames only, so that any reader can be scored; it imports nothing of the analysis.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

NEAR_S = 90.0
"""A plug-in found within this of a true one, at the same EVSE, is that one."""


@dataclass(frozen=True)
class Score:
    """Shares are of matched attempts, 0 to 1, save `recall` and `precision`; errors in s."""

    true_attempts: int
    found_attempts: int
    recall: float
    precision: float
    outcome_right: float
    stage_right: float
    vehicle_right: float
    start_error_median_s: float
    start_error_p99_s: float
    confusion: pl.DataFrame
    matched: pl.DataFrame
    missed: pl.DataFrame
    invented: pl.DataFrame


def visible(truth: pl.DataFrame) -> pl.DataFrame:
    """True attempts of which the delivery tells anything, unbroken by a reboot of the station."""
    told = (pl.col("calls") > 0) | (pl.col("pilot_rows") > 0) | pl.col("exported")
    return truth.filter(told & pl.col("cut_ms").is_null())


def score_attempts(found: pl.DataFrame, truth: pl.DataFrame) -> Score:
    """Match found attempts to true ones, nearest plug-in at the same EVSE, and compare.

    `found` needs evse_id, vehicle_id, plugged_at (aware UTC), outcome, stage; `truth` is the
    truth's attempts.parquet. Attempts cut by a reboot count neither way.
    """
    ours = found.select(
        "evse_id",
        "outcome",
        "stage",
        "vehicle_id",
        found_at=pl.col("plugged_at").dt.cast_time_unit("ms"),
    ).with_row_index("found_row")
    known = truth.select(
        "attempt_id",
        "evse_id",
        "outcome",
        "stage",
        "vehicle_id",
        "plugged_at",
        "cut_ms",
        "calls",
        "pilot_rows",
        "exported",
    )
    matched = known.sort("plugged_at").join_asof(
        ours.sort("found_at"),
        left_on="plugged_at",
        right_on="found_at",
        by="evse_id",
        strategy="nearest",
        tolerance=f"{int(NEAR_S)}s",
        suffix="_found",
        check_sortedness=False,
    )
    matched = matched.with_columns(
        error_s=(pl.col("found_at") - pl.col("plugged_at")).dt.total_milliseconds() / 1000
    )
    matched = matched.sort(pl.col("error_s").abs()).with_columns(
        found_row=pl.when(pl.col("found_row").is_first_distinct()).then("found_row")
    )
    should = visible(truth)
    hit = matched.filter(pl.col("found_row").is_not_null())
    whole = hit.filter(pl.col("attempt_id").is_in(should["attempt_id"].implode()))
    invented = _outside_cuts(
        ours.filter(~pl.col("found_row").is_in(hit["found_row"].implode())), truth
    )
    confusion = (
        whole.group_by("outcome", "outcome_found")
        .len()
        .sort("outcome", "len", descending=[False, True])
    )
    error = whole["error_s"].abs()

    def share(expr: pl.Expr) -> float:
        return float(whole.select(expr.fill_null(value=False).mean()).item() or 0.0)

    known_vehicle = whole.filter(pl.col("vehicle_id_found").is_not_null())
    right = (known_vehicle["vehicle_id"] == known_vehicle["vehicle_id_found"]).mean()
    return Score(
        true_attempts=should.height,
        found_attempts=found.height,
        recall=whole.height / max(should.height, 1),
        precision=1 - invented.height / max(found.height, 1),
        outcome_right=share(pl.col("outcome") == pl.col("outcome_found")),
        stage_right=share(pl.col("stage") == pl.col("stage_found")),
        vehicle_right=float(right) if isinstance(right, float) else 0.0,
        start_error_median_s=float(error.quantile(0.5) or 0.0),
        start_error_p99_s=float(error.quantile(0.99) or 0.0),
        confusion=confusion,
        matched=whole,
        missed=should.filter(~pl.col("attempt_id").is_in(whole["attempt_id"].implode())),
        invented=invented,
    )


def _outside_cuts(found: pl.DataFrame, truth: pl.DataFrame) -> pl.DataFrame:
    """Found attempts that are not the second half of one a reboot cut."""
    cut = (
        truth.filter(pl.col("cut_ms").is_not_null())
        .select("evse_id", "plugged_at", "unplugged_at")
        .sort("plugged_at")
    )
    joined = found.sort("found_at").join_asof(
        cut, left_on="found_at", right_on="plugged_at", by="evse_id", check_sortedness=False
    )
    return joined.filter(
        ~(pl.col("found_at") <= pl.col("unplugged_at")).fill_null(value=False)
    ).select(found.columns)
