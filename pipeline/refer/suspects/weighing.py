"""What the declared tables make of the signs seen: shares of suspects, factors against nothing wrong."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.special import logsumexp

from pipeline.core.errors import SchemaError
from pipeline.refer.suspects.by_chance import ByChance
from pipeline.refer.suspects.signatures import EITHER, NO_FAULT, Signature

Floats = NDArray[np.float64]

NOTHING_KNOWN = ByChance()
LIKE_CHANCE = 0.1
"""Share of faults whose failures look as chance's do, whatever the tables say: equipment with one word, or none, for everything.
So looks acquit nobody whom the counts convict. Judgement."""


def limited(signs: pl.DataFrame, witnesses_at_most: float) -> pl.DataFrame:
    """Signs with the amounts of one signature of one unit scaled down to at most so many witnesses."""
    total = pl.col("amount").sum().over("unit", "signature")
    return signs.sort("unit", "signature", "category").with_columns(
        pl.col("amount") * pl.min_horizontal(witnesses_at_most / total, 1.0)
    )


@dataclass(frozen=True)
class Verdicts:
    """Probabilities of suspects.

    Shapes (units, suspects). `looks`: shares by how the failures look, rows sum to 1; that tells
    suspects apart but not fault from no fault, attribution has weighed the failures already.
    `direct`: Bayes factor of the direct signatures for each suspect against no fault.
    `given_fault`: both together, rows sum to 1. `log_by_signature`: each signature's natural log
    likelihood, 0 for the suspect it fits best. `telling` (units,): how many times likelier the failures look so under a fault
    than where the unit is not to blame (`ByChance`).
    """

    units: pl.Series
    suspects: tuple[str, ...]
    looks: Floats
    direct: Floats
    given_fault: Floats
    log_by_signature: Mapping[str, Floats]
    telling: Floats


def weigh(
    signs: pl.DataFrame,
    units: pl.Series,
    signatures: Mapping[str, Signature],
    prior: Floats,
    cap: float,
    by_chance: ByChance = NOTHING_KNOWN,
) -> Verdicts:
    """Suspects of each unit from its signs.

    `signs` has SIGN_COLUMNS; `prior` (units, suspects) sums to 1 by row, suspects in the order of
    the prior signature; `cap` bounds each signature's natural log weight between any two suspects.
    `by_chance`: how failures by chance look: signatures it knows are weighed against them. Raises SchemaError for a sign nobody declared.
    """
    suspects = next(s for s in signatures.values() if s.name.endswith("_prior")).categories
    _refuse_undeclared(signs, signatures)
    # a fixed order of summing, so that the same signs give the same bits
    placed = signs.join(pl.DataFrame({"unit": units}).with_row_index("row"), on="unit").sort(
        "row", "signature", "category"
    )
    by_signature: dict[str, Floats] = {}
    where, how = np.log(prior), dict[str, Floats]()
    direct, nothing = np.zeros(prior.shape), np.zeros(units.len())
    for name, signature in signatures.items():
        mine = placed.filter(pl.col("signature") == name)
        if name.endswith("_prior") or mine.is_empty():
            continue
        told = name in by_chance.usual
        logs = (
            _against_chance(mine, signature, by_chance, units.len())
            if told
            else _logs(mine, signature, units.len())
        )
        logs = np.maximum(logs - logs.max(axis=1, keepdims=True), -cap)
        own = logs[:, [signature.suspects.index(s) for s in suspects]]
        by_signature[name] = own
        if signature.direct:
            direct = direct + own
            nothing = nothing + logs[:, signature.suspects.index(NO_FAULT)]
        elif told:
            how[name] = own - logs[:, -1:]
        else:
            where = where + own
    looks = where + sum(how.values(), np.zeros(prior.shape))
    against_none = np.exp(direct - nothing[:, None])
    told_once = _once(how, prior.shape)
    telling = np.exp(logsumexp(where + told_once, axis=1) - logsumexp(where, axis=1))
    telling = LIKE_CHANCE + (1 - LIKE_CHANCE) * telling
    return Verdicts(
        units, suspects, shares(looks), against_none, shares(looks + direct), by_signature, telling
    )


def _once(how: Mapping[str, Floats], shape: tuple[int, ...]) -> Floats:
    """Log factors of a failure's looks against chance, together (units, suspects).

    The word mostly follows from the stage at which an attempt failed, whatever failed it: where both speak for a suspect they
    count once.
    """
    nought = np.zeros(shape)
    stage = sum((logs for name, logs in how.items() if name.endswith("stopped_at")), nought)
    word = sum((logs for name, logs in how.items() if name.endswith("fault_word")), nought)
    both = np.minimum(stage + word, np.maximum(stage, word))
    others = (logs for name, logs in how.items() if not name.endswith(("stopped_at", "fault_word")))
    return np.asarray(both + sum(others, nought))


def _logs(signs: pl.DataFrame, signature: Signature, units: int) -> Floats:
    """Log likelihood of one signature's signs (units, suspects); `signs` with `row`, the place of the unit."""
    likelihood = signature.each(signs["category"]) @ signature.table.T
    logs = np.zeros((units, likelihood.shape[1]))
    amount = signs["amount"].to_numpy()[:, None]
    np.add.at(logs, signs["row"].to_numpy(), amount * np.log(likelihood))
    return logs


def _against_chance(
    signs: pl.DataFrame, signature: Signature, by_chance: ByChance, units: int
) -> Floats:
    """The same against chance, which stands last, at 0 (units, suspects + 1).

    A failure that is the unit's own by a share h only looks as its fault makes it with h, as chance does else: one that fits
    no fault speaks against it by 1 / (1 - h) at most.
    """
    shares = by_chance.own[signature.name]
    signs = signs.join(shares, on=["unit", "category"], how="left", maintain_order="left")
    row, amount = signs["row"].to_numpy(), signs["amount"].to_numpy()
    share = signs["share"].fill_null(1.0).to_numpy()
    seen = signature.each(signs["category"])
    likelihood = seen @ signature.table.T
    chance = (by_chance.usual[signature.name][row] * seen).sum(axis=1)
    logs = np.zeros((units, likelihood.shape[1] + 1))
    told = np.log1p(share[:, None] * (likelihood / chance[:, None] - 1.0))
    np.add.at(logs[:, :-1], row, (amount / share)[:, None] * told)
    return logs


def _refuse_undeclared(signs: pl.DataFrame, signatures: Mapping[str, Signature]) -> None:
    named = {
        (name, category)
        for name, signature in signatures.items()
        for category in signature.categories
    }
    seen = signs.select("signature", pl.col("category").str.split(EITHER)).explode("category")
    strange = sorted(set(seen.unique().rows()) - named)
    if strange:
        listed = ", ".join(f"{name}: {category}" for name, category in strange)
        raise SchemaError(
            f"signs that no signature declares: {listed}",
            next_step="declare them in schemas/signatures",
        )


def shares(logs: Floats) -> Floats:
    """Rows of logarithms as shares that sum to 1."""
    raw = np.exp(logs - logs.max(axis=1, keepdims=True, initial=-np.inf))
    return np.asarray(raw / raw.sum(axis=1, keepdims=True))


def log_factor(verdicts: Verdicts, name: str, prior: Floats, of: slice = slice(None)) -> Floats:
    """Natural log Bayes factor of one signature for each suspect against the others together, shape
    (units, suspects); `of`: of these units.
    """
    like, prior = np.exp(verdicts.log_by_signature[name][of]), prior[of]
    others = (prior * like).sum(axis=1, keepdims=True) - prior * like
    against = others / np.maximum(1.0 - prior, 1e-12)
    return np.asarray(np.log(like / np.maximum(against, 1e-300)))
