"""The baseline's Laplace marginal likelihood against other software's fits of classic data, and
against its own derivatives.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest
from scipy.special import gammaln

from pipeline.attribute.baseline.inverse import inverse_parts
from pipeline.attribute.baseline.laplace import CrossedCells, curvature
from pipeline.attribute.baseline.marginal import fit_crossed, marginal_point, standard_errors

REFERENCE = Path(__file__).parent.parent / "reference"


def codes(column: pl.Series) -> tuple[np.ndarray, list[str]]:
    """Codes in sorted order of the texts, and the texts."""
    names = sorted(column.cast(pl.String).unique().to_list())
    place = {name: i for i, name in enumerate(names)}
    return np.array([place[str(x)] for x in column]), names


def salamander() -> CrossedCells:
    """Mate ~ 0 + Cross + (1|Female) + (1|Male)."""
    data = pl.read_csv(REFERENCE / "lme4_salamander.csv")
    female, male, cross = (codes(data[name])[0] for name in ("Female", "Male", "Cross"))
    ones = np.ones(data.height)
    return CrossedCells(
        (female, male),
        (60, 60),
        np.eye(4)[cross],
        data["Mate"].to_numpy().astype(float),
        ones,
        0 * ones,
    )


def test_salamander_data_are_as_published() -> None:
    """Matings by cross are 60, 50, 19, 60 of 90 each (McCullagh & Nelder 1989.

    As given by a secondary source).
    """
    data = pl.read_csv(REFERENCE / "lme4_salamander.csv")
    counts = data.group_by("Cross").agg(pl.len(), pl.col("Mate").sum()).sort("Cross").rows()
    assert counts == [("RR", 90, 60), ("RW", 90, 50), ("WR", 90, 19), ("WW", 90, 60)]


def test_salamander_matches_glmer() -> None:
    """Fixed effects, their standard errors, variances, likelihood (1e-3) and modes (other software.

    Glmer, lme4 1.1-31).
    """
    cells = salamander()
    fit = fit_crossed(cells)
    assert fit.converged
    assert fit.beta == pytest.approx([1.0082, 0.3062, -1.8960, 0.9904], abs=1e-3)
    assert fit.sd**2 == pytest.approx([1.1743, 1.0410], abs=1e-3)
    assert fit.log_likelihood == pytest.approx(-209.2766, abs=1e-3)
    assert standard_errors(cells, fit)[:4] == pytest.approx(
        [0.3938, 0.3747, 0.4460, 0.3912], abs=1e-3
    )
    data = pl.read_csv(REFERENCE / "lme4_salamander.csv")
    for factor, name in enumerate(("Female", "Male")):
        reference = (
            pl.read_csv(REFERENCE / f"ref_glmer_salamander_{name}.csv")
            .with_columns(pl.col("id").cast(pl.String))
            .sort("id")
        )
        assert codes(data[name])[1] == reference["id"].to_list()
        assert np.corrcoef(reference["mode"], fit.mode_of(factor))[0, 1] > 0.9999
        assert fit.variance_of(factor) == pytest.approx(reference["var"].to_numpy(), abs=1e-3)


def test_cbpp_matches_glmer() -> None:
    """Grouped binomial data with one factor, 1e-3 (other software: glmer)."""
    data = pl.read_csv(REFERENCE / "lme4_cbpp.csv")
    herd, period = codes(data["herd"])[0], codes(data["period"])[0]
    fixed = np.column_stack([np.ones(data.height), *(period == k for k in (1, 2, 3))]).astype(float)
    k, n = data["incidence"].to_numpy().astype(float), data["size"].to_numpy().astype(float)
    fit = fit_crossed(CrossedCells((herd,), (15,), fixed, k, n, np.zeros(len(k))))
    assert fit.beta == pytest.approx([-1.3983, -0.9919, -1.1282, -1.5797], abs=1e-3)
    assert fit.sd == pytest.approx([0.6421], abs=1e-3)
    coefficients = (gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)).sum()
    assert fit.log_likelihood + coefficients == pytest.approx(-92.0266, abs=1e-3)


def test_verbal_aggression_matches_glmer() -> None:
    """316 x 24 crossed, 1e-2 (other software: glmer).

    Penalised quasi-likelihood would be 12 % low on the persons' variance.
    """
    data = pl.read_csv(REFERENCE / "lme4_VerbAgg.csv")
    person, persons = codes(data["id"])
    item, items = codes(data["item"])
    y, ones = (data["r2"] == "Y").to_numpy().astype(float), np.ones(data.height)
    fit = fit_crossed(CrossedCells((person, item), (316, 24), ones[:, None], y, ones, 0 * ones))
    assert fit.beta == pytest.approx([-0.1626], abs=1e-2)
    assert fit.sd**2 == pytest.approx([1.8861, 1.2757], abs=1e-2)
    assert fit.log_likelihood == pytest.approx(-4101.549, abs=1e-2)
    for factor, (kind, names) in enumerate((("id", persons), ("item", items))):
        reference = (
            pl.read_csv(REFERENCE / f"ref_glmer_VerbAggnull_{kind}.csv")
            .with_columns(pl.col("id").cast(pl.String))
            .sort("id")
        )
        assert reference["id"].to_list() == names
        assert np.corrcoef(reference["mode"], fit.mode_of(factor))[0, 1] > 0.9999


def test_gradient_is_the_derivative_of_the_marginal() -> None:
    """The analytic gradient agrees with central differences of the marginal likelihood away from
    its maximum.
    """
    cells, at, start = (
        salamander(),
        np.array([0.5, 0.1, -1.0, 0.7, np.log(0.8), np.log(1.3)]),
        np.zeros(120),
    )
    gradient = marginal_point(cells, at[:4], at[4:], start).gradient
    for k in range(6):
        shift = np.zeros(6)
        shift[k] = 1e-4
        up, down = (
            marginal_point(cells, (at + s * shift)[:4], (at + s * shift)[4:], start).value
            for s in (1, -1)
        )
        assert (up - down) / 2e-4 == pytest.approx(gradient[k], abs=1e-4)


def test_three_crossed_factors_recover_planted_variances() -> None:
    """Vehicle, EVSE and pairing together, more cells than unknowns.

    Planted standard deviations return within three standard errors.
    """
    rng = np.random.default_rng(7)
    n = 60_000
    sizes, sd = (200, 80, 40), np.array([0.7, 0.5, 0.4])
    levels = tuple(rng.integers(0, size, n) for size in sizes)
    eta = -1.5 + sum(
        rng.normal(0, s, size)[lev] for s, size, lev in zip(sd, sizes, levels, strict=True)
    )
    y, ones = (rng.random(n) < 1 / (1 + np.exp(-eta))).astype(float), np.ones(n)
    cells = CrossedCells(levels, sizes, ones[:, None], y, ones, 0 * ones)
    fit = fit_crossed(cells)
    error = standard_errors(cells, fit)[1:]
    assert np.all(np.abs(np.log(fit.sd) - np.log(sd)) < 3 * error)


@pytest.mark.parametrize("gather_cost", [0.0, np.inf])
def test_the_inverse_is_the_inverse_by_either_road(
    gather_cost: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Diagonal of H^-1 and variance of each cell's predictor are those of numpy's dense inverse,
    picked or multiplied.
    """
    monkeypatch.setattr("pipeline.attribute.baseline.inverse.GATHER_COST", gather_cost)
    rng = np.random.default_rng(11)
    sizes, n = (300, 7, 5), 900
    levels = tuple(rng.integers(0, size, n) for size in sizes)
    cells = CrossedCells(levels, sizes, np.ones((n, 1)), rng.random(n), np.ones(n), np.zeros(n))
    weight, precision = rng.uniform(0.1, 2.0, n), np.array([1.5, 2.0, 3.0])
    spread, leverage = inverse_parts(cells, curvature(cells, weight, precision))
    z = np.zeros((n, sum(sizes)))
    for level, start in zip(levels, cells.starts, strict=False):
        z[np.arange(n), start + level] = 1.0
    inverse = np.linalg.inv(z.T @ (weight[:, None] * z) + np.diag(np.repeat(precision, sizes)))
    assert spread == pytest.approx(np.diag(inverse))
    assert leverage == pytest.approx(np.einsum("ij,jk,ik->i", z, inverse, z))
