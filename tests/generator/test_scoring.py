"""The score of a reader: perfect for the truth itself, lower by exactly what is spoilt."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import polars as pl

from sample_logs.generator.scoring import score_attempts, visible


def test_truth_scores_one(clean: Path) -> None:
    """The truth read as found attempts is right in everything."""
    truth = pl.read_parquet(clean / "truth" / "attempts.parquet")
    score = score_attempts(truth, truth)
    assert (
        score.recall
        == score.precision
        == score.outcome_right
        == score.stage_right
        == score.vehicle_right
        == 1.0
    )
    assert score.start_error_p99_s == 0.0


def test_loss_and_error_are_counted(clean: Path) -> None:
    """Every tenth attempt lost, all late by 2 s, one outcome changed, three invented."""
    truth = pl.read_parquet(clean / "truth" / "attempts.parquet")
    found = truth.filter(pl.int_range(pl.len()) % 10 != 0).with_columns(
        plugged_at=pl.col("plugged_at") + timedelta(seconds=2)
    )
    first = pl.int_range(pl.len()) == found.with_row_index().filter(pl.col("calls") > 0)["index"][0]
    found = found.with_columns(outcome=pl.when(first).then(pl.lit("unknown")).otherwise("outcome"))
    extra = found.head(3).with_columns(evse_id=pl.lit("nowhere"))
    score = score_attempts(pl.concat([found, extra]), truth)
    assert abs(score.recall - 0.9) < 0.01
    assert score.invented.height == 3
    assert score.start_error_median_s == 2.0
    assert score.confusion.filter(pl.col("outcome_found") == "unknown")["len"].sum() == 1


def test_every_attempt_of_a_clean_delivery_is_visible(clean: Path) -> None:
    """Without dirt only exports hide attempts: those that never had a transaction."""
    truth = pl.read_parquet(clean / "truth" / "attempts.parquet")
    hidden = truth.filter(~pl.col("attempt_id").is_in(visible(truth)["attempt_id"].implode()))
    assert hidden["export"].all()
    assert set(hidden["stage"]) == {"plugged"}
