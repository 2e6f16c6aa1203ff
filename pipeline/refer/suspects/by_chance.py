"""What failures look like in this fleet that a unit is not to blame for: by chance, or by its rivals.

Attribution weighs how often and where a unit failed. That its failures carry one word, with partner after partner, which passing causes
seldom bring, it does not know: this is evidence beyond the counts, and it is measured against what passing causes brought here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.refer.suspects.signatures import EITHER, Signature
from pipeline.refer.suspects.signs import evse_looks, failure_looks, with_words

Floats = NDArray[np.float64]

UNKNOWN = "unclear"
"""Where a fleet has few failures by chance, they look like those of no named part."""


@dataclass(frozen=True)
class ByChance:
    """What is to be told from chance and rivals, by signature.

    `usual`: probability of each category at a failure that the unit is not to blame for (units, categories). `own` (`unit, category,
    share`): how surely a failure seen so is the unit's own, if it is at fault at all.
    """

    usual: Mapping[str, Floats] = field(default_factory=dict)
    own: Mapping[str, pl.DataFrame] = field(default_factory=dict)


@dataclass(frozen=True)
class Asked:
    """Whose failures are asked about: columns of the unit, of its partner, of the share it would bear and of its rivals' shares;
    `alike`: columns by which units share what else befalls them, the widest first.
    """

    unit: str
    partner: str
    share: str
    rivals: tuple[str, str]
    alike: tuple[str, ...]


VEHICLES = Asked("vehicle_id", "evse_id", "p_vehicle", ("p_evse", "p_pairing"), ("supply",))
EVSES = Asked("evse_id", "partner_id", "p_evse", ("p_vehicle", "p_pairing"), ("supply", "evse_model"))  # fmt: skip
"""What a model of EVSE calls a trouble is its own: one may have a single word for everything."""


def looks_to_vehicles(
    attempts: pl.DataFrame,
    evidence: pl.DataFrame,
    vehicles: pl.Series,
    signatures: Mapping[str, Signature],
) -> ByChance:
    """How failures on AC look to each vehicle that it is not to blame for.

    `attempts` as `judged_attempts` gives them; `evidence`: attempts that speak of each vehicle's present state, with
    `p_vehicle` the share it would bear were it at fault.
    """
    on_ac = (pl.col("supply") == "AC") & (pl.col("outcome") == "failed")
    failed, mine = with_words(attempts.filter(on_ac)), with_words(evidence.filter(on_ac))
    units = pl.DataFrame({"vehicle_id": vehicles}).with_columns(supply=pl.lit("AC"))
    return _looks(failed, mine, units, failure_looks(), signatures, VEHICLES)


def looks_to_evses(
    failed: pl.DataFrame,
    mine: pl.DataFrame,
    evses: pl.DataFrame,
    signatures: Mapping[str, Signature],
) -> ByChance:
    """The same to EVSEs (`evse_id, supply, evse_model`).

    `failed` as `at_evses` gives them; `mine`: of them those that speak of each EVSE's present state, with
    `p_evse` the share it would bear were it at fault.
    """
    return _looks(failed, mine, evses, evse_looks(), signatures, EVSES)


def _looks(
    failed: pl.DataFrame,
    mine: pl.DataFrame,
    units: pl.DataFrame,
    looks: Mapping[str, pl.Expr],
    signatures: Mapping[str, Signature],
    asked: Asked,
) -> ByChance:
    """Looks of chance's failures, and of its rivals' as far as those would bear what a unit bears, its own left out: an EVSE at
    which three leaking diodes call has their words without any part in it.
    """
    failed = failed.with_columns(p_rivals=pl.sum_horizontal(asked.rivals))
    share = _of_rivals(mine, units, asked)[:, None]
    usual, own = {}, {}
    for name, category in looks.items():
        chance, rivals = (
            _usual(failed, category, whose, units, signatures[name], asked)
            for whose in ("p_other", "p_rivals")
        )
        usual[name] = (1.0 - share) * chance + share * rivals
        own[name] = _own(mine.with_columns(category=category), asked)
    return ByChance(usual, own)


def _of_rivals(mine: pl.DataFrame, units: pl.DataFrame, asked: Asked) -> Floats:
    """Of the failures each unit would bear, the share of its rivals in what bears them otherwise (units,)."""
    rivals = pl.sum_horizontal(asked.rivals)
    borne = pl.col(asked.share) * pl.col("weight")
    otherwise = (rivals / (rivals + pl.col("p_other"))).fill_nan(0.0)
    by_unit = mine.group_by(asked.unit).agg(share=(borne * otherwise).sum() / borne.sum())
    found = units.join(by_unit, on=asked.unit, how="left", maintain_order="left")
    return found["share"].fill_nan(0.0).fill_null(0.0).to_numpy()


def _usual(
    failed: pl.DataFrame,
    category: pl.Expr,
    whose: str,
    units: pl.DataFrame,
    signature: Signature,
    asked: Asked,
) -> Floats:
    """Probability of each category (units, categories) by failures as far as they are `whose`, the unit's own left out.

    From the declared row of a part unclear, which counts for as many cases as the signature is worth, as does each wider circle
    of those alike.
    """
    keys = [asked.unit, *asked.alike]
    seen = (
        failed.with_columns(category=category.str.split(EITHER))
        .filter(pl.col("category").is_not_null(), pl.col(whose) > 0)
        .with_columns(amount=pl.col(whose) * pl.col("weight") / pl.col("category").list.len())
        .explode("category")
        .group_by(*keys, "category", maintain_order=True)
        .agg(pl.col("amount").sum())
        .sort(*keys, "category")
    )
    own = _of_units(seen, units, asked.unit, signature)
    usual = np.tile(signature.table[signature.suspects.index(UNKNOWN)], (units.height, 1))
    for key in asked.alike:
        others = np.maximum(_of_units(seen, units, key, signature) - own, 0.0)
        counts = signature.strength * usual + others
        usual = counts / counts.sum(axis=1, keepdims=True)
    return np.asarray(usual)


def _of_units(seen: pl.DataFrame, units: pl.DataFrame, key: str, signature: Signature) -> Floats:
    """Amounts seen of each unit, or of all that share its `key` (units, categories)."""
    counts = np.zeros((units.height, len(signature.categories)))
    summed = seen.group_by(key, "category", maintain_order=True).agg(pl.col("amount").sum())
    mine = units.select(key).with_row_index("row").join(summed, on=key, nulls_equal=True)
    places = mine["row"].to_numpy(), signature.columns(mine["category"])
    np.add.at(counts, places, mine["amount"].to_numpy())
    return counts


def _own(failed: pl.DataFrame, asked: Asked) -> pl.DataFrame:
    """`unit, category, share`: with each partner the sum of its shares, 1 at most; their mean over the partners by how much was
    seen so there.
    """
    together = [asked.unit, asked.partner]
    weighed = (
        failed.select(*together, "category", w=pl.col(asked.share) * pl.col("weight"))
        .filter(pl.col("w") > 0, pl.col("category").is_not_null())
        .group_by(*together, "category", maintain_order=True)
        .agg(pl.col("w").sum())
        .sort(*together, "category")
    )
    total = pl.col("w").sum().over(together)
    part, sure = pl.col("w") / total, pl.min_horizontal(total, pl.lit(1.0))
    return (
        weighed.select(pl.col(asked.unit).alias("unit"), "category", part=part, sure=sure)
        .group_by("unit", "category", maintain_order=True)
        .agg(share=(pl.col("part") * pl.col("sure")).sum() / pl.col("part").sum())
    )
