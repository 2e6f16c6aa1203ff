"""Figures by which probabilities and calls are judged."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


def average_precision(score: Floats, truth: Bools) -> float:
    """Area under precision over recall as a step sum, tied scores taken together; NaN where nothing is true."""
    if not truth.any():
        return float("nan")
    order = np.argsort(-score, kind="stable")
    ends = np.append(np.flatnonzero(np.diff(score[order])), len(score) - 1)
    hits = np.cumsum(truth[order])[ends]
    gained = np.diff(np.concatenate([[0], hits]))
    return float((gained * hits / (ends + 1)).sum() / truth.sum())


def calibration_error(p: Floats, truth: Bools, bins: int = 10) -> float:
    """Expected calibration error: mean over all of |frequency - mean probability| in equal-width bins of probability."""
    if not len(p):
        return float("nan")
    which = np.minimum((p * bins).astype(int), bins - 1)
    count = np.bincount(which, minlength=bins)
    gap = np.abs(np.bincount(which, p, bins) - np.bincount(which, truth.astype(float), bins))
    return float(gap.sum() / count.sum())


def ratio(part: float, whole: float) -> float:
    """Part / whole, NaN where there is nothing to divide by."""
    return float(part) / float(whole) if whole else float("nan")
