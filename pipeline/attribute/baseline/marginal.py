"""Maximum of the Laplace marginal likelihood over fixed effects and standard deviations.

The gradient is exact: besides the penalised score it holds the change of log|H| through the
weights, both directly and through the moving mode (implicit differentiation).  Setting the part for
log sigma to nought gives the fixed point ``sigma^2 = (u'u - s'u) / (q - tr/sigma^2)``, of
Fellner-Schall form plus the Laplace correction ``s'u``; its curvature starts the quasi-Newton
search.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.attribute.baseline.inverse import inverse_parts
from pipeline.attribute.baseline.laplace import (
    SMALLEST_LOG_SD,
    CrossedCells,
    CrossedFit,
    Curvature,
    Floats,
    conditional_mode,
    predictor,
    totals,
)

FADING_LOG_SD = float(np.log(0.12))
"""A standard deviation below this that still falls is tried at nought at once; the climb backs off if that is worse."""
LEAVES_NOUGHT = 0.05
"""A standard deviation at nought stays there unless the log-likelihood rises by more than this for each factor of e in it.

It came there because nought was better than what lies above, and a rise of hundredths is no evidence of any spread.
"""
LONGEST_STEP = 1.5
"""Most that a parameter moves at once: a factor of 4.5 in a standard deviation or in odds."""


@dataclass(frozen=True)
class MarginalPoint:
    """The marginal log-likelihood at one (beta, log sd), its gradient and a first guess of its
    curvature (p + factors,).
    """

    value: float
    gradient: Floats
    scale: Floats
    modes: Floats
    curve: Curvature
    spread: Floats


def marginal_point(
    cells: CrossedCells, beta: Floats, log_sd: Floats, start: Floats, near: Curvature | None = None
) -> MarginalPoint:
    """Laplace log-likelihood (without binomial coefficients) and its exact gradient."""
    sd = np.exp(log_sd)
    modes, curve, mu = conditional_mode(cells, beta, sd, start, near)
    weight = cells.trials * mu * (1.0 - mu)
    eta = predictor(cells, beta, modes)
    repeats = np.asarray(cells.sizes, dtype=np.float64)
    squares = _by_factor(cells, modes * modes) / sd**2
    value = (
        cells.failures @ eta
        - cells.trials @ np.logaddexp(0.0, eta)
        - 0.5 * squares.sum()
        - repeats @ log_sd
        - 0.5 * curve.log_determinant
    )
    spread, leverage = inverse_parts(cells, curve)
    bend = leverage * weight * (1.0 - 2.0 * mu)
    pull = curve.solve(totals(cells, bend))
    weighted = cells.fixed * weight[:, None]
    crossed = np.stack([totals(cells, column) for column in weighted.T], axis=1)
    slope_beta = cells.fixed.T @ (cells.failures - cells.trials * mu) - 0.5 * (
        cells.fixed.T @ bend - crossed.T @ pull
    )
    trace = _by_factor(cells, spread) / sd**2
    slope_sd = squares - repeats + trace - _by_factor(cells, pull * modes) / sd**2
    solved = np.stack([curve.solve(column) for column in crossed.T], axis=1)
    information = cells.fixed.T @ weighted - crossed.T @ solved
    scale = np.zeros((len(beta) + len(sd),) * 2)
    scale[: len(beta), : len(beta)] = np.linalg.inv(information)
    scale[len(beta) :, len(beta) :] = np.diag(
        1.0 / (2.0 * np.maximum(repeats - trace, 0.05 * repeats))
    )
    return MarginalPoint(
        float(value), np.concatenate([slope_beta, slope_sd]), scale, modes, curve, spread
    )


def _by_factor(cells: CrossedCells, stacked: Floats) -> Floats:
    return np.add.reduceat(stacked, cells.starts[:-1])


def fit_crossed(
    cells: CrossedCells,
    *,
    start: CrossedFit | None = None,
    tolerance: float = 1e-11,
    most: int = 60,
    widest: float = np.inf,
) -> CrossedFit:
    """Fit by a quasi-Newton (BFGS) search; stops when the Newton decrement g'H^-1g is below
    ``tolerance``.

    ``start`` is an earlier fit with the same factors and fixed columns; it changes the path, not
    the answer. ``widest`` bounds the standard deviations.
    """
    p = cells.fixed.shape[1]
    most_log_sd = float(np.log(widest))
    at = _starting_values(cells, start)
    at[p:] = np.minimum(at[p:], most_log_sd)
    modes = (
        start.modes
        if start is not None and len(start.modes) == cells.starts[-1]
        else np.zeros(int(cells.starts[-1]))
    )
    point = marginal_point(cells, at[:p], at[p:], modes)
    inverse = point.scale
    evaluations, converged = 1, False
    while evaluations < most and not converged:
        rising = point.gradient[p:]
        inside = ((at[p:] > SMALLEST_LOG_SD) | (rising > LEAVES_NOUGHT)) & (
            (at[p:] < most_log_sd) | (rising < 0)
        )
        free = np.concatenate([np.ones(p), inside])
        slope = point.gradient * free
        step = np.clip(free * (inverse @ slope), -LONGEST_STEP, LONGEST_STEP)
        fading = np.flatnonzero((at[p:] < FADING_LOG_SD) & (slope[p:] < 0)) + p
        step[fading] = SMALLEST_LOG_SD - at[fading]
        if abs(float(step @ slope)) < tolerance:
            converged = True
            break
        ahead, after = _climb(cells, most_log_sd, at, step, point)
        evaluations += 1
        inverse = _updated(
            inverse, (ahead - at) * free, (point.gradient - after.gradient) * free, after.scale
        )
        converged = after.value <= point.value and bool(np.abs(ahead - at).max() < 1e-9)
        at, point = ahead, after
    return CrossedFit(
        at[:p],
        np.exp(at[p:]),
        point.modes,
        point.spread,
        point.value,
        np.sqrt(np.diag(point.scale)[:p]),
        evaluations,
        converged,
        cells.sizes,
    )


def _climb(
    cells: CrossedCells, most_log_sd: float, at: Floats, step: Floats, point: MarginalPoint
) -> tuple[Floats, MarginalPoint]:
    p = cells.fixed.shape[1]
    for scale in (1.0, 0.5, 0.25, 0.0625, 0.01, 1e-4):
        ahead = at + scale * step
        ahead[p:] = np.clip(ahead[p:], SMALLEST_LOG_SD, most_log_sd)
        after = marginal_point(cells, ahead[:p], ahead[p:], point.modes, point.curve)
        if after.value >= point.value - 1e-9 * max(1.0, abs(point.value)):
            break
    return ahead, after


def _updated(inverse: Floats, moved: Floats, turned: Floats, fresh: Floats) -> Floats:
    """BFGS update of the inverse curvature.

    Falls back on the analytic guess where the step shows no curvature.
    """
    bend = float(moved @ turned)
    if bend <= 1e-14:
        return fresh
    left = np.eye(len(moved)) - np.outer(moved, turned) / bend
    return left @ inverse @ left.T + np.outer(moved, moved) / bend


def _starting_values(cells: CrossedCells, start: CrossedFit | None) -> Floats:
    if start is not None:
        return np.concatenate([start.beta, np.log(np.maximum(start.sd, 0.1))])
    rate = (cells.failures.sum() + 0.5) / (cells.trials.sum() + 1.0)
    beta = np.linalg.lstsq(
        cells.fixed,
        np.full(len(cells.trials), np.log(rate / (1.0 - rate))) - cells.offset,
        rcond=None,
    )[0]
    return np.concatenate([beta, np.full(len(cells.sizes), np.log(0.5))])


def standard_errors(cells: CrossedCells, fit: CrossedFit, *, width: float = 1e-4) -> Floats:
    """Standard errors of (beta, log sd) from central differences of the exact gradient at the
    maximum.
    """
    at = np.concatenate([fit.beta, np.log(fit.sd)])
    p = len(fit.beta)
    rows = []
    for k in range(len(at)):
        shift = np.zeros_like(at)
        shift[k] = width
        sides = [
            marginal_point(cells, (at + s * shift)[:p], (at + s * shift)[p:], fit.modes).gradient
            for s in (1.0, -1.0)
        ]
        rows.append((sides[1] - sides[0]) / (2.0 * width))
    hessian = np.array(rows)
    return np.asarray(np.sqrt(np.diag(np.linalg.inv(0.5 * (hessian + hessian.T)))))
