"""Crossed random effects in a binomial logit: the Laplace marginal likelihood, solved sparsely.

Model, one row per cell c:  k_c ~ Binomial(n_c, expit(offset_c + x_c' beta + sum_j u_j[level_jc])),
u_j ~ Normal(0, sigma_j^2 I).  The Laplace approximation replaces the integral over u by its value
at the conditional mode; unlike penalised quasi-likelihood, the variances and ``beta`` maximise that
integral itself (Breslow & Clayton 1993, JASA 88:9-25, for the two; cited from memory).

The first factor has one diagonal block and is eliminated (Schur complement); what is left is as
wide as the other factors together, so the cost grows with the cells and with the cube of the
*smaller* side only.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.sparse import csr_array
from scipy.special import expit

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

DENSE_GAIN = 60.0
"""A dense matrix product does about this many multiplications in the time of one sparse one (measured here)."""

SMALLEST_LOG_SD = float(np.log(0.01))
"""A standard deviation of 0.01 on the logit scale changes a rate by a hundredth part: nought for any purpose here.

The search stops there.
"""
MOST_STEPS = 100
SURE_STEP = 0.05
"""A Newton step whose decrement is below this cannot overshoot by more than it gains (self-concordance).

It is taken unchecked.
"""
SLOW = 0.05
"""A step that leaves more than this share of the decrement means that the curvature borrowed is too old."""


@dataclass(frozen=True)
class CrossedCells:
    """Grouped binomial data, one row per cell.

    ``levels``: one integer array a factor (cells,); ``sizes``: the number of levels of each factor;
    ``fixed``: (cells, p); ``failures`` may be fractional (expected counts); ``trials`` > 0;
    ``offset`` on the logit scale.
    """

    levels: tuple[Ints, ...]
    sizes: tuple[int, ...]
    fixed: Floats
    failures: Floats
    trials: Floats
    offset: Floats

    @cached_property
    def starts(self) -> Ints:
        """First position of each factor in the stacked vector of random effects."""
        return np.concatenate([[0], np.cumsum(self.sizes)]).astype(np.int64)

    @cached_property
    def rest(self) -> Ints:
        """(factors - 1, cells).

        Column of each later factor's level in the matrix left after elimination.
        """
        shift = self.starts[1:-1] - self.sizes[0]
        return np.array(
            [lev + s for lev, s in zip(self.levels[1:], shift, strict=True)], dtype=np.int64
        ).reshape(-1, len(self.trials))

    @cached_property
    def meetings(self) -> list[tuple[Ints, Ints]]:
        """For each two of the later factors (a factor with itself too).

        Flat slots in the matrix left, and each cell's slot.
        """
        width = int(self.starts[-1]) - self.sizes[0]
        found = []
        for row in self.rest:
            for column in self.rest:
                slots, where = np.unique(row * width + column, return_inverse=True)
                found.append((slots, where))
        return found

    @cached_property
    def border(self) -> tuple[Ints, Ints, Ints]:
        """Sparsity of the border between first factor and the rest.

        Row pointer, columns, and each entry's slot.
        """
        width = int(self.starts[-1]) - self.sizes[0]
        keys = (self.levels[0][None, :] * width + self.rest).ravel()
        distinct, slot = np.unique(keys, return_inverse=True)
        pointer = np.searchsorted(distinct, np.arange(self.sizes[0] + 1) * width)
        return (
            pointer.astype(np.int64),
            (distinct % max(width, 1)).astype(np.int64),
            slot.ravel().astype(np.int64),
        )


@dataclass(frozen=True)
class Curvature:
    """H = Z'WZ + Sigma^-1 in factored form.

    Diagonal block, border (sparse), Cholesky factor of the Schur complement.
    """

    diagonal: Floats
    border: csr_array
    factor: Floats

    def solve(self, right: Floats) -> Floats:
        """H^-1 right, for a stacked vector of effects."""
        q = len(self.diagonal)
        top = right[:q] / self.diagonal
        if not self.factor.size:
            return top
        low = cho_solve((self.factor, True), right[q:] - self.border.T @ top, check_finite=False)
        return np.concatenate([top - (self.border @ low) / self.diagonal, low])

    @property
    def log_determinant(self) -> float:
        """log|H|."""
        return float(np.log(self.diagonal).sum() + 2.0 * np.log(np.diag(self.factor)).sum())


@dataclass(frozen=True)
class CrossedFit:
    """Laplace maximum likelihood fit.

    ``beta`` (p,), ``sd`` one a factor, ``modes`` the stacked conditional modes, ``variances`` their
    conditional variances, ``log_likelihood`` without the binomial coefficients, ``beta_se`` from
    the joint curvature, ``evaluations`` of the marginal.
    """

    beta: Floats
    sd: Floats
    modes: Floats
    variances: Floats
    log_likelihood: float
    beta_se: Floats
    evaluations: int
    converged: bool
    sizes: tuple[int, ...] = field(repr=False)

    def mode_of(self, factor: int) -> Floats:
        """Conditional modes of one factor's levels."""
        starts = np.concatenate([[0], np.cumsum(self.sizes)])
        return self.modes[starts[factor] : starts[factor + 1]]

    def variance_of(self, factor: int) -> Floats:
        """Conditional variances of one factor's levels."""
        starts = np.concatenate([[0], np.cumsum(self.sizes)])
        return self.variances[starts[factor] : starts[factor + 1]]


def predictor(cells: CrossedCells, beta: Floats, modes: Floats) -> Floats:
    """Linear predictor of each cell on the logit scale (cells,)."""
    eta = cells.offset + cells.fixed @ beta
    for level, start in zip(cells.levels, cells.starts, strict=False):
        eta = eta + modes[start + level]
    return eta


def totals(cells: CrossedCells, per_cell: Floats) -> Floats:
    """Z' per_cell: sums over the cells of each level, stacked by factor."""
    return np.concatenate(
        [
            np.bincount(lev, per_cell, size)
            for lev, size in zip(cells.levels, cells.sizes, strict=True)
        ]
    )


def curvature(cells: CrossedCells, weight: Floats, precision: Floats) -> Curvature:
    """Factor H for cell weights W and prior precision (one a factor); cost.

    One Schur complement.
    """
    diagonal = np.bincount(cells.levels[0], weight, cells.sizes[0]) + precision[0]
    width = int(cells.starts[-1]) - cells.sizes[0]
    if not width:
        return Curvature(diagonal, csr_array((len(diagonal), 0)), np.zeros((0, 0)))
    pointer, columns, slot = cells.border
    entries = np.asarray(
        np.bincount(slot, np.broadcast_to(weight, cells.rest.shape).ravel(), len(columns)),
        dtype=np.float64,
    )
    sparse = csr_array((entries, columns, pointer), shape=(cells.sizes[0], width))
    scaled = csr_array(
        (entries / np.repeat(np.sqrt(diagonal), np.diff(pointer)), columns, pointer),
        shape=sparse.shape,
    )
    if pairs_within(pointer) * DENSE_GAIN > float(cells.sizes[0]) * width**2:
        half = scaled.toarray()
        schur = -(half.T @ half)
    else:
        schur = -(scaled.T @ scaled).toarray()
    schur = np.ascontiguousarray(schur, dtype=np.float64)
    flat = schur.reshape(-1)
    for slots, where in cells.meetings:
        flat[slots] += np.bincount(where, weight, len(slots))
    schur[np.diag_indices(width)] += np.repeat(precision[1:], cells.sizes[1:])
    factor, _ = cho_factor(schur.T, lower=True, overwrite_a=True, check_finite=False)
    return Curvature(diagonal, sparse, np.asarray(factor))


def pairs_within(pointer: Ints) -> float:
    """Pairs of border entries within rows.

    The multiplications of a sparse product of the border with itself.
    """
    return float((np.diff(pointer).astype(np.float64) ** 2).sum())


def conditional_mode(
    cells: CrossedCells,
    beta: Floats,
    sd: Floats,
    start: Floats,
    near: Curvature | None = None,
    *,
    tolerance: float = 1e-14,
) -> tuple[Floats, Curvature, Floats]:
    """Newton search for the mode of u given beta and sd: (modes, curvature there, fitted
    probability of each cell).

    `near` is a curvature from close by: it steers the steps for nothing as long as they converge
    fast.
    """
    prior = np.repeat(sd**-2.0, cells.sizes)
    modes, curve, last = start, near, np.inf
    value = _penalised(cells, beta, modes, prior)
    for _ in range(MOST_STEPS):
        mu = expit(predictor(cells, beta, modes))
        if curve is None:
            curve = curvature(cells, cells.trials * mu * (1.0 - mu), sd**-2.0)
        slope = totals(cells, cells.failures - cells.trials * mu) - prior * modes
        step = curve.solve(slope)
        decrement = float(slope @ step)
        if decrement < tolerance:
            break
        trial, scale = modes + step, 1.0
        while (
            decrement > SURE_STEP and _penalised(cells, beta, trial, prior) < value and scale > 1e-3
        ):
            scale *= 0.5
            trial = modes + scale * step
        if scale < 1.0 or decrement > SLOW * last:
            curve = None
        modes, last = trial, decrement
        value = _penalised(cells, beta, modes, prior) if decrement > SURE_STEP else value
    mu = expit(predictor(cells, beta, modes))
    return modes, curvature(cells, cells.trials * mu * (1.0 - mu), sd**-2.0), mu


def _penalised(cells: CrossedCells, beta: Floats, modes: Floats, prior: Floats) -> float:
    eta = predictor(cells, beta, modes)
    return float(
        cells.failures @ eta - cells.trials @ np.logaddexp(0.0, eta) - 0.5 * (prior * modes) @ modes
    )
