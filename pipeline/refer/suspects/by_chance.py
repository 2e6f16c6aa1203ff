"""What failures by chance look like in this fleet.

Attribution weighs how often and where a vehicle failed. That its failures carry one word, at EVSE after EVSE, which passing causes
seldom bring, it does not know: this is evidence beyond the counts, and it is measured against what passing causes brought here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.refer.suspects.signatures import Signature
from pipeline.refer.suspects.signs import failure_looks, with_words

Floats = NDArray[np.float64]

UNKNOWN = "unclear"
"""Where a fleet has few failures by chance, they look like those of no named part."""


@dataclass(frozen=True)
class ByChance:
    """What is to be told from chance, by signature of `failure_looks`.

    `usual`: probability of each category at a failure due to chance (units, categories). `own` (`unit, category, share`): how
    surely a failure seen so is the unit's own, if it is at fault at all.
    """

    usual: Mapping[str, Floats] = field(default_factory=dict)
    own: Mapping[str, pl.DataFrame] = field(default_factory=dict)


def looks_by_chance(
    attempts: pl.DataFrame,
    evidence: pl.DataFrame,
    units: pl.Series,
    signatures: Mapping[str, Signature],
) -> ByChance:
    """How failures by chance look to the vehicles asked for.

    `attempts` as `judged_attempts` gives them, the own failures of each vehicle left out; the declared row of a part unclear
    counts for as many cases as the signature is worth. `evidence`: attempts that speak of each vehicle's present state, with
    `p_vehicle` the share it would bear were it at fault.
    """
    on_ac = (pl.col("supply") == "AC") & (pl.col("outcome") == "failed")
    failed = with_words(attempts.filter(on_ac, pl.col("p_other") > 0))
    mine = with_words(evidence.filter(on_ac))
    usual, own = {}, {}
    for name, category in failure_looks().items():
        usual[name] = _usual(failed.with_columns(category=category), units, signatures[name])
        own[name] = _own(mine.with_columns(category=category))
    return ByChance(usual, own)


def _usual(failed: pl.DataFrame, units: pl.Series, signature: Signature) -> Floats:
    seen = (
        failed.filter(pl.col("category").is_not_null())
        .group_by("vehicle_id", "category", maintain_order=True)
        .agg(amount=(pl.col("p_other") * pl.col("weight")).sum())
        .sort("vehicle_id", "category")
    )
    counts = np.tile(_counts(seen, signature).sum(axis=0), (units.len(), 1))
    rows = pl.DataFrame({"vehicle_id": units}).with_row_index("row")
    own = seen.join(rows, on="vehicle_id")
    np.subtract.at(counts, own["row"].to_numpy(), _counts(own, signature))
    prior = signature.strength * signature.table[signature.suspects.index(UNKNOWN)]
    counts = prior + np.maximum(counts, 0.0)
    return np.asarray(counts / counts.sum(axis=1, keepdims=True))


def _own(failed: pl.DataFrame) -> pl.DataFrame:
    """`unit, category, share`: at each EVSE the sum of its shares, 1 at most; their mean over the EVSEs by how much was seen so there."""
    together = ["vehicle_id", "evse_id"]
    weighed = (
        failed.select(*together, "category", w=pl.col("p_vehicle") * pl.col("weight"))
        .filter(pl.col("w") > 0, pl.col("category").is_not_null())
        .group_by(*together, "category", maintain_order=True)
        .agg(pl.col("w").sum())
        .sort(*together, "category")
    )
    total = pl.col("w").sum().over(together)
    part, sure = pl.col("w") / total, pl.min_horizontal(total, pl.lit(1.0))
    return (
        weighed.select(pl.col("vehicle_id").alias("unit"), "category", part=part, sure=sure)
        .group_by("unit", "category", maintain_order=True)
        .agg(share=(pl.col("part") * pl.col("sure")).sum() / pl.col("part").sum())
    )


def _counts(seen: pl.DataFrame, signature: Signature) -> Floats:
    """Amounts in the column of their category (rows of `seen`, categories)."""
    counts = np.zeros((seen.height, len(signature.categories)))
    columns = [signature.categories.index(one) for one in seen["category"]]
    counts[np.arange(seen.height), columns] = seen["amount"].to_numpy()
    return counts
