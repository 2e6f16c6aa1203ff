"""The pieces of the baseline's search: curvature, modes, and what each step may and may not do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.special import expit

from pipeline.attribute.baseline.laplace import (
    SMALLEST_LOG_SD,
    CrossedCells,
    conditional_mode,
    curvature,
    pairs_within,
    predictor,
    totals,
)
from pipeline.attribute.baseline.marginal import (
    _starting_values,
    _updated,
    fit_crossed,
    marginal_point,
)
from tests.attribute.test_laplace import salamander


def crossed(seed: int = 3, n: int = 400) -> tuple[CrossedCells, np.ndarray]:
    """Three crossed factors with an offset and a covariate, and the dense design of the random
    effects.
    """
    rng = np.random.default_rng(seed)
    sizes = (30, 6, 4)
    levels = tuple(rng.integers(0, size, n) for size in sizes)
    fixed = np.column_stack([np.ones(n), rng.normal(0, 1, n)])
    trials = rng.integers(1, 5, n).astype(float)
    offset = rng.normal(0, 0.3, n)
    effects = [rng.normal(0, 0.8, size)[level] for size, level in zip(sizes, levels, strict=True)]
    eta = offset + fixed @ [-0.7, 0.4] + sum(effects)
    cells = CrossedCells(
        levels,
        sizes,
        fixed,
        rng.binomial(trials.astype(int), expit(eta)).astype(float),
        trials,
        offset,
    )
    z = np.zeros((n, sum(sizes)))
    for level, start in zip(levels, cells.starts, strict=False):
        z[np.arange(n), start + level] = 1.0
    return cells, z


@pytest.mark.parametrize("dense_gain", [0.0, np.inf])
def test_the_curvature_solves_and_its_determinant_is_numpys(
    dense_gain: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """H^-1 b and log|H| of Z'WZ + precision, by the sparse and by the dense road, against numpy's
    dense ones.
    """
    monkeypatch.setattr("pipeline.attribute.baseline.laplace.DENSE_GAIN", dense_gain)
    cells, z = crossed()
    rng = np.random.default_rng(4)
    weight, precision = rng.uniform(0.1, 2, len(z)), np.array([1.5, 2.0, 3.0])
    dense = z.T @ (weight[:, None] * z) + np.diag(np.repeat(precision, cells.sizes))
    curve = curvature(cells, weight, precision)
    right = rng.normal(0, 1, len(dense))
    assert curve.solve(right) == pytest.approx(np.linalg.solve(dense, right))
    assert curve.log_determinant == pytest.approx(np.linalg.slogdet(dense)[1])


def test_one_factor_alone_needs_no_border() -> None:
    """With a single factor H is diagonal."""
    cells, _ = crossed()
    alone = CrossedCells(
        cells.levels[:1], cells.sizes[:1], cells.fixed, cells.failures, cells.trials, cells.offset
    )
    weight = np.linspace(0.1, 1, len(cells.trials))
    curve = curvature(alone, weight, np.array([2.0]))
    diagonal = np.bincount(cells.levels[0], weight, 30) + 2.0
    assert curve.solve(np.ones(30)) == pytest.approx(1 / diagonal)
    assert curve.log_determinant == pytest.approx(np.log(diagonal).sum())


def test_predictor_and_totals_are_the_designs() -> None:
    """Offset + X beta + Z u, and Z' y."""
    cells, z = crossed()
    rng = np.random.default_rng(5)
    beta, modes, y = rng.normal(0, 1, 2), rng.normal(0, 1, z.shape[1]), rng.normal(0, 1, len(z))
    assert predictor(cells, beta, modes) == pytest.approx(
        cells.offset + cells.fixed @ beta + z @ modes
    )
    assert totals(cells, y) == pytest.approx(z.T @ y)
    assert pairs_within(np.array([0, 2, 2, 5])) == 4.0 + 9.0


@pytest.mark.parametrize("far", [0.0, 6.0])
def test_the_mode_is_the_maximum_of_the_penalised_likelihood(far: float) -> None:
    """Other software: scipy's BFGS on the dense problem.

    From a start far off too, where whole Newton steps overshoot.
    """
    cells, z = crossed()
    beta, sd = np.array([-0.5, 0.3]), np.array([0.9, 0.6, 0.4])
    prior = np.repeat(sd**-2.0, cells.sizes)

    def loss(u: np.ndarray) -> float:
        eta = cells.offset + cells.fixed @ beta + z @ u
        return float(
            cells.trials @ np.logaddexp(0, eta) - cells.failures @ eta + 0.5 * (prior * u) @ u
        )

    def slope(u: np.ndarray) -> np.ndarray:
        eta = cells.offset + cells.fixed @ beta + z @ u
        return np.asarray(z.T @ (cells.trials * expit(eta) - cells.failures) + prior * u)

    best = minimize(loss, np.zeros(z.shape[1]), jac=slope, method="BFGS", options={"gtol": 1e-9})
    start = np.full(z.shape[1], far)
    modes, curve, mu = conditional_mode(cells, beta, sd, start)
    assert modes == pytest.approx(best.x, abs=1e-6)
    assert mu == pytest.approx(expit(predictor(cells, beta, modes)))
    weight = cells.trials * mu * (1 - mu)
    dense = z.T @ (weight[:, None] * z) + np.diag(prior)
    assert curve.log_determinant == pytest.approx(np.linalg.slogdet(dense)[1])
    stale = curvature(cells, np.full(len(z), 0.01), sd**-2.0)
    again, _, _ = conditional_mode(cells, beta, sd, start, stale)
    assert again == pytest.approx(best.x, abs=1e-6)


def test_the_marginal_is_laplaces() -> None:
    """Log p(y, mode) - log|H|/2 + constants of the normal prior, with dense algebra (Breslow &
    Clayton 1993, from memory).
    """
    cells, z = crossed()
    beta, log_sd = np.array([-0.5, 0.3]), np.log([0.9, 0.6, 0.4])
    point = marginal_point(cells, beta, log_sd, np.zeros(z.shape[1]))
    prior = np.repeat(np.exp(-2 * log_sd), cells.sizes)
    eta = cells.offset + cells.fixed @ beta + z @ point.modes
    mu = expit(eta)
    dense = z.T @ ((cells.trials * mu * (1 - mu))[:, None] * z) + np.diag(prior)
    joint = (
        cells.failures @ eta
        - cells.trials @ np.logaddexp(0, eta)
        - 0.5 * (prior * point.modes) @ point.modes
    )
    want = joint - 0.5 * np.linalg.slogdet(dense)[1] - np.array(cells.sizes) @ log_sd
    assert point.value == pytest.approx(want)
    assert point.spread == pytest.approx(np.diag(np.linalg.inv(dense)))


def test_any_start_ends_in_the_same_fit() -> None:
    """From an earlier fit, from a bad one, or from nothing.

    Parameters within 1e-4, and an early one is found sooner.
    """
    cells, _ = crossed()
    fit = fit_crossed(cells)
    again = fit_crossed(cells, start=fit)
    bad = replace(fit, beta=fit.beta + 1.0, sd=fit.sd * 3, modes=fit.modes[:5])
    far = fit_crossed(cells, start=bad)
    assert fit.converged
    assert far.converged
    assert again.evaluations < fit.evaluations
    for other in (again, far):
        assert other.beta == pytest.approx(fit.beta, abs=1e-4)
        assert np.log(other.sd) == pytest.approx(np.log(fit.sd), abs=1e-3)
        assert other.log_likelihood == pytest.approx(fit.log_likelihood, abs=1e-7)


def test_a_spread_that_is_not_there_is_put_at_nought() -> None:
    """A factor dealt out at random, of which every level fails alike, gets the least deviation.

    The others keep theirs.
    """
    rng = np.random.default_rng(9)
    n = 3000
    one, two = np.arange(n) % 20, np.arange(n) // 20 % 15
    eta = -1.0 + rng.normal(0, 1.0, 20)[one]
    ones = np.ones(n)
    cells = CrossedCells((one, two), (20, 15), ones[:, None], expit(eta), ones, 0 * ones)
    fit = fit_crossed(cells)
    assert fit.converged
    assert fit.sd[1] == pytest.approx(np.exp(SMALLEST_LOG_SD))
    assert fit.sd[0] > 0.5


def test_no_spread_is_wider_than_allowed() -> None:
    """A deviation that would be wider stays at the bound and the others are fitted to it.

    One within is left alone.
    """
    cells = salamander()
    free, bound = fit_crossed(cells), fit_crossed(cells, widest=1.05)
    assert free.sd[0] > 1.05 > free.sd[1]
    assert bound.converged
    assert bound.sd[0] == pytest.approx(1.05)
    at = np.concatenate([bound.beta, np.log(bound.sd)])
    slope = marginal_point(cells, at[:4], at[4:], bound.modes).gradient
    assert slope[[0, 1, 2, 3, 5]] == pytest.approx(np.zeros(5), abs=1e-3)
    assert slope[4] > 0
    assert fit_crossed(cells, start=free, widest=1.05).beta == pytest.approx(bound.beta, abs=1e-4)
    assert fit_crossed(cells, widest=3.0).sd == pytest.approx(free.sd, abs=1e-4)


def test_the_search_stops_after_so_many_evaluations() -> None:
    """Cut short it says that it has not converged, and by how many evaluations."""
    fit = fit_crossed(salamander(), most=3)
    assert (fit.evaluations, fit.converged) == (3, False)


def test_modes_and_variances_are_cut_by_factor() -> None:
    """Stacked as the factors are."""
    cells, _ = crossed()
    fit = fit_crossed(cells, most=4)
    assert [len(fit.mode_of(k)) for k in range(3)] == [30, 6, 4]
    assert np.concatenate([fit.mode_of(k) for k in range(3)]).tolist() == fit.modes.tolist()
    assert np.concatenate([fit.variance_of(k) for k in range(3)]).tolist() == fit.variances.tolist()


def test_an_update_keeps_the_secant() -> None:
    """BFGS.

    The new inverse curvature takes the turn of the gradient back to the move (textbook law); else
    it starts anew.
    """
    rng = np.random.default_rng(1)
    root = rng.normal(0, 1, (4, 4))
    inverse, moved = root @ root.T + np.eye(4), rng.normal(0, 1, 4)
    turned = moved + 0.1 * rng.normal(0, 1, 4)
    fresh = np.diag([1.0, 2.0, 3.0, 4.0])
    new = _updated(inverse, moved, turned, fresh)
    assert new @ turned == pytest.approx(moved)
    assert new == pytest.approx(new.T)
    assert np.linalg.eigvalsh(new).min() > 0
    assert _updated(inverse, moved, -turned, fresh) is fresh
    assert _updated(inverse, moved, 0 * turned, fresh) is fresh


def test_the_search_starts_from_the_raw_rate() -> None:
    """Log odds of all failures over all trials, offsets taken out; deviations at one half.

    From a fit, at least 0.1.
    """
    n = 50
    ones = np.ones(n)
    cells = CrossedCells((np.arange(n) % 5,), (5,), ones[:, None], 0.2 * ones, 2 * ones, 0.3 * ones)
    rate = (0.2 * n + 0.5) / (2 * n + 1)
    assert _starting_values(cells, None) == pytest.approx(
        [np.log(rate / (1 - rate)) - 0.3, np.log(0.5)]
    )
    fit = replace(fit_crossed(cells, most=2), beta=np.array([1.0]), sd=np.array([0.01]))
    assert _starting_values(cells, fit) == pytest.approx([1.0, np.log(0.1)])
