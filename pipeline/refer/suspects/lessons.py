"""What confirmed cases looked like in the weeks before they were found.

The lessons that move the signature tables.
"""

from __future__ import annotations

from datetime import timedelta

import polars as pl

from pipeline.core.weeks import LookBack
from pipeline.refer.findings import confirmed
from pipeline.refer.inputs import ReferInputs
from pipeline.refer.suspects.levels import recent
from pipeline.refer.suspects.signatures import limited
from pipeline.refer.suspects.signs import once, vehicle_signs
from pipeline.refer.suspects.vehicles import level_categories
from pipeline.registry import conform
from pipeline.settings.refer import ReferSettings

BEFORE = timedelta(weeks=4)
"""How long before a finding its attempts are taken to show the fault found."""


def lessons(
    inputs: ReferInputs,
    attempts: pl.DataFrame,
    levels: pl.DataFrame,
    look_back: LookBack,
    settings: ReferSettings,
) -> pl.DataFrame:
    """decision_lesson rows of the vehicles whose fault was found within the look-back, the last
    finding of each.

    `attempts`: as `judged_attempts`; `levels`: as `against_usual`. Cases whose attempts are no
    longer at hand teach nothing new; what they taught is kept in the decisions store.
    """
    cases = (
        confirmed(inputs.findings)
        .filter(look_back.holds("at_utc"))
        .sort("at_utc")
        .group_by("vehicle_id", maintain_order=True)
        .last()
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
    shown = (
        levels.join(cases, on="vehicle_id")
        .filter(
            pl.col("at").is_between(
                pl.col("found_at_utc") - BEFORE, pl.col("found_at_utc"), closed="left"
            )
        )
        .drop("found_at_utc", "suspect")
    )
    bound = cases.select(
        "vehicle_id", pl.lit(None, dtype=pl.Datetime("us", "UTC")).alias("since_utc")
    )
    signs = pl.concat(
        [
            vehicle_signs(before),
            once(
                level_categories(
                    recent(shown, bound, cases["vehicle_id"].clear(), settings), settings
                ),
                "low_side",
            ),
        ]
    )
    rows = (
        limited(signs, settings.witnesses_at_most)
        .rename({"unit": "vehicle_id"})
        .join(cases, on="vehicle_id")
    )
    return conform(rows.sort("vehicle_id", "signature", "category"), "decision_lesson")
