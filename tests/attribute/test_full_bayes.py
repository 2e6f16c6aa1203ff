"""The baseline against full Bayes (numpyro, no-U-turn sampling) on 40 vehicles x 15 EVSEs.

Mean and interval agree.
"""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.attribute.baseline.laplace import CrossedCells
from pipeline.attribute.baseline.marginal import fit_crossed, standard_errors

pytestmark = [pytest.mark.slow, pytest.mark.filterwarnings("default")]


def test_baseline_agrees_with_full_bayes() -> None:
    """Other software: numpyro.

    Intercept within a third of its deviation, modes within 0.1, 90 % intervals within 15 %.
    """
    numpyro = pytest.importorskip("numpyro")
    jax = pytest.importorskip("jax")
    rng = np.random.default_rng(11)
    v, e = np.repeat(np.arange(40), 15), np.tile(np.arange(15), 40)
    n = np.full(600, 12.0)
    eta = -2.0 + rng.normal(0, 0.7, 40)[v] + rng.normal(0, 0.6, 15)[e]
    k = rng.binomial(12, 1 / (1 + np.exp(-eta))).astype(float)
    cells = CrossedCells((v, e), (40, 15), np.ones((600, 1)), k, n, np.zeros(600))
    fit = fit_crossed(cells)

    def model() -> None:
        dist = numpyro.distributions
        intercept = numpyro.sample("intercept", dist.Normal(0.0, 5.0))
        sd_v, sd_e = (numpyro.sample(name, dist.HalfNormal(2.0)) for name in ("sd_v", "sd_e"))
        u = numpyro.sample("u", dist.Normal(0.0, 1.0).expand([40])) * sd_v
        w = numpyro.sample("w", dist.Normal(0.0, 1.0).expand([15])) * sd_e
        numpyro.deterministic("vehicle", u)
        numpyro.sample("k", dist.Binomial(12, logits=intercept + u[v] + w[e]), obs=k)

    sampler = numpyro.infer.MCMC(
        numpyro.infer.NUTS(model), num_warmup=300, num_samples=700, progress_bar=False
    )
    sampler.run(jax.random.PRNGKey(0))
    draws = {name: np.asarray(x) for name, x in sampler.get_samples().items()}
    assert abs(fit.beta[0] - draws["intercept"].mean()) < draws["intercept"].std() / 3
    error = standard_errors(cells, fit)
    for j, name in ((1, "sd_v"), (2, "sd_e")):
        low, high = np.quantile(draws[name], [0.05, 0.95])
        assert low < fit.sd[j - 1] < high
        assert np.exp(2 * 1.645 * error[j]) == pytest.approx(high / low, rel=0.3)
    assert np.abs(fit.mode_of(0) - draws["vehicle"].mean(axis=0)).mean() < 0.1
    width = np.quantile(draws["vehicle"], 0.95, axis=0) - np.quantile(
        draws["vehicle"], 0.05, axis=0
    )
    assert np.mean(2 * 1.645 * np.sqrt(fit.variance_of(0)) / width) == pytest.approx(1.0, abs=0.15)
