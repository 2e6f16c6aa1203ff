"""Page's cumulative sum, step by step."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.refer.suspects.cumulative_sum import cumulative

BEGIN = datetime(2026, 1, 12, tzinfo=UTC)


def plug_ins(silent: np.ndarray) -> pl.DataFrame:
    """Plug-ins of one vehicle every 12 hours; True where it is missing."""
    at = [BEGIN + timedelta(hours=12 * i) for i in range(len(silent))]
    return pl.DataFrame(
        {"vehicle_id": "V", "plugged_at_utc": at, "silent": silent},
        schema_overrides={"plugged_at_utc": pl.Datetime("us", "UTC")},
    )


def test_the_sum_is_page_s() -> None:
    """Score and run of one vehicle follow S = max(0, S + log P(x | fault) / P(x | usual)), step by
    step (Page; from memory).

    At its usual share, silence adds log(0.85 / usual), asking adds log(0.15 / (1 - usual)); the run
    begins where S left nought.
    """
    rng = np.random.default_rng(4)
    mask = rng.random(60) < np.r_[np.full(40, 0.1), np.full(20, 0.7)]
    rows = cumulative(plug_ins(mask).with_columns(usual=pl.lit(0.2)), 0.85)
    total, begun = 0.0, 0
    for i, silent in enumerate(mask):
        if total == 0.0:
            begun = i
        total = max(0.0, total + (np.log(0.85 / 0.2) if silent else np.log(0.15 / 0.8)))
    assert total > 0
    assert rows["score"][0] == pytest.approx(total)
    assert rows["begins_utc"][0] == BEGIN + timedelta(hours=12 * begun)
