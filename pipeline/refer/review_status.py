"""Where people left each vehicle: reviews and findings, and whether there is new evidence since."""

from __future__ import annotations

import polars as pl

from pipeline.core.weeks import LookBack
from pipeline.refer.findings import latest_findings
from pipeline.refer.inputs import ReferInputs, stored_code
from pipeline.settings.refer import ReferSettings


def review_status(
    inputs: ReferInputs, attempts: pl.DataFrame, look_back: LookBack, settings: ReferSettings
) -> pl.DataFrame:
    """One row per vehicle that was reviewed or found something of, as known at the week's end.

    Columns `vehicle_id, dismissed, held, accepted, found, found_at_utc, finding, repaired_at_utc,
    said_at_utc, said_by, said_why, new_failures, new_evses`. A dismissal, or a finding of no fault,
    stands until evidence newer than it suffices: vehicle-caused failures plugged in after it, at
    enough EVSEs, or a trouble code read after it. What arrived late but happened before is not new.
    """
    found = latest_findings(inputs.findings.filter(pl.col("at_utc") < look_back.to_utc))
    review = (
        inputs.reviews.filter(pl.col("decided_at_utc") < look_back.to_utc)
        .sort("decided_at_utc")
        .group_by("vehicle_id", maintain_order=True)
        .last()
    )
    said = review.join(found, on="vehicle_id", how="full", coalesce=True)
    nothing = pl.col("finding") == "no_fault_found"
    at = pl.max_horizontal("decided_at_utc", pl.when(nothing).then("found_at_utc"))
    said = said.with_columns(at.alias("said_at_utc"))
    since = _since(inputs, attempts, said, look_back)
    enough = (pl.col("new_failures") >= settings.returns_after_failures) & (
        pl.col("new_evses") >= settings.returns_after_evses
    )
    renewed = enough | pl.col("new_code")
    by_workshop = (
        nothing
        & (pl.col("found_at_utc") >= pl.col("decided_at_utc").fill_null(pl.col("found_at_utc")))
    ).fill_null(value=False)
    decision = pl.when(by_workshop).then(pl.lit("dismiss")).otherwise("decision")
    return said.join(since, on="vehicle_id", how="left").select(
        "vehicle_id",
        ((decision == "dismiss") & ~renewed).fill_null(value=False).alias("dismissed"),
        (decision == "hold").fill_null(value=False).alias("held"),
        (decision == "accept").fill_null(value=False).alias("accepted"),
        "found", "found_at_utc", "finding", "repaired_at_utc", "said_at_utc",
        pl.when(by_workshop).then(pl.lit("the workshop")).otherwise("decided_by").alias("said_by"),
        pl.when(by_workshop).then(pl.lit("no fault found")).otherwise("reason").alias("said_why"),
        "new_failures", "new_evses",
    )  # fmt: skip


def _since(
    inputs: ReferInputs, attempts: pl.DataFrame, said: pl.DataFrame, look_back: LookBack
) -> pl.DataFrame:
    """`vehicle_id, new_failures, new_evses, new_code` since the last word on the vehicle."""
    bound = said.select("vehicle_id", "said_at_utc")
    failures = (
        attempts.filter(
            pl.col("supply") == "AC", pl.col("outcome") == "failed", pl.col("weight") > 0
        )
        .join(bound, on="vehicle_id")
        .filter(pl.col("plugged_at_utc") > pl.col("said_at_utc"))
        .sort("vehicle_id", "plugged_at_utc", "evse_id")
        .group_by("vehicle_id", maintain_order=True)
        .agg(
            (pl.col("p_vehicle").fill_null(0.0) * pl.col("weight")).sum().alias("new_failures"),
            pl.col("evse_id")
            .filter(pl.col("p_vehicle").fill_null(0.0) >= 0.5)
            .n_unique()
            .cast(pl.Int64)
            .alias("new_evses"),
        )
    )
    codes = (
        inputs.dtcs.filter(stored_code(), pl.col("at_utc") < look_back.to_utc)
        .join(bound, on="vehicle_id")
        .filter(pl.col("at_utc") > pl.col("said_at_utc"))
        .select("vehicle_id", pl.lit(value=True).alias("new_code"))
        .unique()
    )
    return (
        bound.select("vehicle_id")
        .join(failures, on="vehicle_id", how="left")
        .join(codes, on="vehicle_id", how="left")
        .with_columns(
            pl.col("new_failures").fill_null(0.0),
            pl.col("new_evses").fill_null(0),
            pl.col("new_code").fill_null(value=False),
        )
    )
