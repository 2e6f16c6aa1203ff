"""All attempts of a supply as the grounds of an answer are told from."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.attribute.report.what_if import bits
from pipeline.attribute.states.solution import Solution


def attempt_rows(solution: Solution, kind: int) -> pl.DataFrame:
    """All attempts of the supply with names, blame and `bits` for the given kind (one row per
    attempt).
    """
    evidence = solution.evidence
    vehicles = pl.concat([evidence.vehicles["vehicle_id"], pl.Series([None], dtype=pl.String)])
    blame = np.full(len(evidence.failed), np.nan)
    blame[solution.rows] = solution.judged.blame[kind]
    begin = pl.lit(evidence.begin_utc).cast(pl.Datetime("us", "UTC"))
    frame = pl.DataFrame(
        {
            "attempt_id": evidence.attempt_id,
            "vehicle_id": vehicles.gather(evidence.vehicle),
            "evse_id": evidence.evses["evse_id"].gather(evidence.evse),
            "at_days": evidence.at_days,
            "failed": evidence.event,
            "silent": evidence.silent,
            "weight": evidence.weight,
            "p_own": blame,
            "bits": bits(solution, kind),
        }
    )
    return frame.with_columns(
        (begin + pl.duration(microseconds=(pl.col("at_days") * 86_400e6).cast(pl.Int64))).alias(
            "plugged_at_utc"
        ),
        (begin + pl.duration(days=7 * (pl.col("at_days") // 7).cast(pl.Int64))).alias(
            "week_start_utc"
        ),
        pl.when("silent")
        .then(pl.lit("silent"))
        .when("failed")
        .then(pl.lit("failed"))
        .otherwise(pl.lit("charged"))
        .alias("outcome"),
    )
