"""Figures by which probabilities and calls are judged."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


def average_precision(score: Floats, truth: Bools) -> float:
    """Area under precision over recall as a step sum, tied scores taken together.

    NaN where nothing is true.
    """
    if not truth.any():
        return float("nan")
    order = np.argsort(-score, kind="stable")
    ends = np.append(np.flatnonzero(np.diff(score[order])), len(score) - 1)
    hits = np.cumsum(truth[order])[ends]
    gained = np.diff(np.concatenate([[0], hits]))
    return float((gained * hits / (ends + 1)).sum() / truth.sum())


BINS = 10
"""Equal-width bins of probability."""


def reliability(p: Floats, truth: Bools) -> pl.DataFrame:
    """One row per bin of probability.

    `bin, units, said` (sum of probabilities), `true` (how many truly are).
    """
    which = np.minimum((p * BINS).astype(int), BINS - 1)
    return pl.DataFrame(
        {
            "bin": np.arange(BINS),
            "units": np.bincount(which, minlength=BINS),
            "said": np.bincount(which, p, BINS).astype(float),
            "true": np.bincount(which, truth, BINS).astype(int),
        }
    )


def calibration_error(p: Floats, truth: Bools) -> float:
    """Expected calibration error.

    Mean over all of |frequency - mean probability| in equal-width bins of probability.
    """
    rows = reliability(p, truth)
    gap = np.abs(rows["said"].to_numpy() - rows["true"].to_numpy())
    return ratio(gap.sum(), len(p))


def ratio(part: float, whole: float) -> float:
    """Part / whole, NaN where there is nothing to divide by."""
    return float(part) / float(whole) if whole else float("nan")
