"""What people said of a vehicle before: reviews and findings, one sentence each."""

from __future__ import annotations

import polars as pl

from pipeline.core.weeks import LookBack
from pipeline.refer.inputs import ReferInputs

_DAY = "%Y-%m-%d"


def history(
    inputs: ReferInputs, names: pl.Series, look_back: LookBack
) -> dict[str, tuple[str, ...]]:
    """Reviews and findings of each vehicle until the week's end, in order of time, one sentence
    each.
    """
    both = (
        pl.concat([_reviews(inputs.reviews), _findings(inputs.findings)])
        .filter(pl.col("vehicle_id").is_in(names.implode()), pl.col("at") < look_back.to_utc)
        .sort("at")
    )
    return {
        str(key[0]): tuple(part["said"])
        for key, part in both.partition_by("vehicle_id", as_dict=True).items()
    }


def _reviews(reviews: pl.DataFrame) -> pl.DataFrame:
    words = pl.col("decision").replace(
        {"accept": "accepted", "hold": "held", "dismiss": "dismissed"}
    )
    at = pl.col("decided_at_utc")
    said = pl.format("{}: {} by {}: {}", at.dt.strftime(_DAY), words, "decided_by", "reason")
    return reviews.select("vehicle_id", at=at, said=said)


def _findings(findings: pl.DataFrame) -> pl.DataFrame:
    at, mended = pl.col("at_utc"), pl.col("repaired_at_utc")
    found = pl.format("{}: the workshop found {}", at.dt.strftime(_DAY), "finding")
    repaired = pl.when(mended.is_not_null()).then(
        pl.format(", repaired {}", mended.dt.strftime(_DAY))
    )
    said = pl.concat_str([found, repaired], ignore_nulls=True)
    return findings.select("vehicle_id", at=at, said=said)
