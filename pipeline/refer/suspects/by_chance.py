"""What failures by chance look like in this fleet.

Attribution weighs how often and where a vehicle failed. That its failures carry one word, at EVSE after EVSE, which passing causes
seldom bring, it does not know: this is evidence beyond the counts, and it is measured against what passing causes brought here.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.refer.suspects.signatures import Signature
from pipeline.refer.suspects.signs import failure_looks, with_words

Floats = NDArray[np.float64]

UNKNOWN = "unclear"
"""Where a fleet has few failures by chance, they look like those of no named part."""


def looks_by_chance(
    attempts: pl.DataFrame, units: pl.Series, signatures: Mapping[str, Signature]
) -> dict[str, Floats]:
    """Of each signature of `failure_looks`, probability of each category at a failed AC attempt due to chance (units, categories).

    `attempts` as `judged_attempts` gives them; `units`: vehicles, the own failures of each left out. The declared row of a part
    unclear counts for as many cases as the signature is worth.
    """
    failed = with_words(
        attempts.filter(
            pl.col("supply") == "AC", pl.col("outcome") == "failed", pl.col("p_other") > 0
        )
    )
    rows = pl.DataFrame({"vehicle_id": units}).with_row_index("row")
    found = {}
    for name, category in failure_looks().items():
        signature = signatures[name]
        seen = (
            failed.select(
                "vehicle_id",
                category.alias("category"),
                amount=pl.col("p_other") * pl.col("weight"),
            )
            .filter(pl.col("category").is_not_null())
            .group_by("vehicle_id", "category")
            .agg(pl.col("amount").sum())
            .sort("vehicle_id", "category")
        )
        counts = np.tile(_counts(seen, signature).sum(axis=0), (units.len(), 1))
        own = seen.join(rows, on="vehicle_id")
        np.subtract.at(counts, own["row"].to_numpy(), _counts(own, signature))
        prior = signature.strength * signature.table[signature.suspects.index(UNKNOWN)]
        total = signature.strength + np.maximum(counts, 0.0).sum(axis=1, keepdims=True)
        found[name] = np.asarray((prior + np.maximum(counts, 0.0)) / total)
    return found


def _counts(seen: pl.DataFrame, signature: Signature) -> Floats:
    """Amounts in the column of their category (rows of `seen`, categories)."""
    counts = np.zeros((seen.height, len(signature.categories)))
    columns = [signature.categories.index(one) for one in seen["category"]]
    counts[np.arange(seen.height), columns] = seen["amount"].to_numpy()
    return counts
