"""How rightly attempts are read: the sample's dirty logs against what truly happened."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

import polars as pl

from pipeline.ingest import ingest_delivery
from pipeline.normalise.stage import normalise
from pipeline.settings import Settings
from pipeline.storage.warehouse import read, writing
from sample_logs.generator.scoring import score_attempts


def read_sample(folder: Path, settings: Settings) -> dict[str, int]:
    """Counts of attempts true, read, found, invented, and right.

    `folder` holds `delivery` and `truth`.
    """
    with TemporaryDirectory() as scratch, writing(Path(scratch) / "read.duckdb") as con:
        report = ingest_delivery(con, folder / "delivery", settings.ingest, None)
        normalise(con, report.touched, settings.normalise)
        made = read(con, "core_attempt").with_columns(plugged_at="plugged_at_utc")
    score = score_attempts(made, pl.read_parquet(folder / "truth" / "attempts.parquet"))
    found = score.matched.height
    named = found - score.matched["vehicle_id_found"].null_count()
    return {
        "n_true": score.true_attempts,
        "n_read": score.found_attempts,
        "n_found": found,
        "n_invented": score.invented.height,
        "n_outcome_right": round(score.outcome_right * found),
        "n_stage_right": round(score.stage_right * found),
        "n_named": named,
        "n_vehicle_right": round(score.vehicle_right * named),
    }
