"""What confirmed cases looked like in the weeks before they were found.

The lessons that move the signature tables.
"""

from __future__ import annotations

from datetime import timedelta

import polars as pl

from pipeline.core.weeks import LookBack
from pipeline.refer.findings import SHARED, confirmed
from pipeline.refer.inputs import ReferInputs
from pipeline.refer.suspects.signs import vehicle_signs
from pipeline.refer.suspects.weighing import limited
from pipeline.registry import conform
from pipeline.settings.refer import ReferSettings

BEFORE = timedelta(weeks=4)
"""How long before a finding its attempts are taken to show the fault found."""


def lessons(
    inputs: ReferInputs,
    attempts: pl.DataFrame,
    look_back: LookBack,
    settings: ReferSettings,
) -> pl.DataFrame:
    """decision_lesson rows of the vehicles whose fault was found within the look-back, the last
    finding of each; a finding that names no single part teaches no look of one.

    `attempts`: as `judged_attempts`. Cases whose attempts are no
    longer at hand teach nothing new; what they taught is kept in the decisions store.
    """
    cases = (
        confirmed(inputs.findings)
        .filter(look_back.holds("at_utc"))
        .sort("at_utc")
        .group_by("vehicle_id", maintain_order=True)
        .last()
        .filter(~pl.col("suspect").is_in(list(SHARED)))
        .rename({"at_utc": "found_at_utc"})
    )
    before = (
        attempts.filter(pl.col("outcome").is_in(["charged", "failed"]), pl.col("weight") > 0)
        .join(cases, on="vehicle_id")
        .filter(
            pl.col("plugged_at_utc").is_between(
                pl.col("found_at_utc") - BEFORE, pl.col("found_at_utc"), closed="left"
            )
        )
    )
    rows = (
        limited(vehicle_signs(before), settings.witnesses_at_most)
        .rename({"unit": "vehicle_id"})
        .join(cases, on="vehicle_id")
    )
    return conform(rows.sort("vehicle_id", "signature", "category"), "decision_lesson")
