"""Normal rates: a spread that the many healthy set, echoes, days; and silence's own rates."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.attribute.baseline.fit import (
    DRIFT_EVENTS,
    UNNAMED_LOUD,
    Chance,
    Trials,
    event_rows,
    fit_chance,
)
from pipeline.attribute.baseline.normal_rates import (
    NormalRates,
    normal_rates,
    rates_before,
)
from pipeline.attribute.echoes import ECHO_EVSE, ECHO_NONE, ECHO_SAME, ECHO_VEHICLE
from pipeline.attribute.evidence import Evidence
from pipeline.attribute.states.solve import solve
from pipeline.measure.speed.attribute import Size, big_fleet
from pipeline.settings.attribute import AttributeSettings
from tests.attribute.test_evidence import evidence, minutes, tried

SETTINGS = AttributeSettings()


def fleet(seed: int = 0, weeks: int = 4, worse: float = 1.0) -> Evidence:
    """Forty vehicles at eight EVSEs for some weeks, nobody different from another.

    The last week fails `worse` times as often.
    """
    rng = np.random.default_rng(seed)
    n = 4800
    seen = big_fleet(Size(40, 8, n, seed=seed))
    at = np.sort(rng.uniform(0, weeks * 7, n))
    rate = 0.08 * np.where(at >= (weeks - 1) * 7, worse, 1.0)
    return replace(
        seen,
        day=at.astype(np.int64),
        at_days=at,
        failed=rng.random(n) < rate,
        days=weeks * 7,
    )


def fitted(seen: Evidence, counts: np.ndarray | None = None) -> Chance:
    """The baseline of all attempts that count."""
    rows = event_rows(seen)
    counts = np.ones(len(seen.failed)) if counts is None else counts
    return fit_chance(seen, rows, Trials(counts, np.ones(len(rows))), SETTINGS)


def test_a_fleet_alike_has_one_rate() -> None:
    """No spread was planted: every base lies near the fleet's rate, and days do not drift."""
    seen = fleet()
    chance = fitted(seen)
    rate = seen.failed.mean()
    assert chance.typical == pytest.approx(rate, rel=0.06)
    assert chance.plain.mean() == pytest.approx(rate, rel=0.15)
    assert max(chance.failures.spreads) < 0.25
    assert (chance.base == chance.plain).all()


@pytest.mark.parametrize("spread", [0.3, 0.7])
def test_a_planted_spread_is_found_and_a_few_far_above_it_do_not_widen_it(spread: float) -> None:
    """Three of a hundred units that fail eight times as often as the rest are not its spread.

    And they are not excused: their factor stays within what the spread allows.
    """
    rng = np.random.default_rng(5)
    units, n = 100, 60_000
    unit = rng.integers(0, units, n)
    effect = rng.normal(0, spread, units)
    effect[:3] = np.log(8.0)
    missed = (rng.random(n) < 0.03 * np.exp(effect)[unit]).astype(float)
    found = normal_rates([unit], [units], np.ones(n), missed, SETTINGS)
    assert found.spreads[0] == pytest.approx(spread, rel=0.25)
    assert found.rate == pytest.approx(0.03 * np.exp(effect[3:].mean()), rel=0.1)
    assert found.factors[0][:3].max() < np.exp(3 * spread)
    sound = np.corrcoef(np.log(found.factors[0][3:]), effect[3:])[0, 1]
    assert sound > 0.7


def test_rates_agree_with_full_bayes() -> None:
    """Other software: numpyro, the same crossed model by no-U-turn sampling, binomial and logit.

    Spreads within its 95 % interval, log factors within 0.15 on average.
    """
    numpyro = pytest.importorskip("numpyro")
    jax = pytest.importorskip("jax")
    rng = np.random.default_rng(11)
    v, e = np.repeat(np.arange(40), 15), np.tile(np.arange(15), 40)
    eta = -3.2 + rng.normal(0, 0.5, 40)[v] + rng.normal(0, 0.5, 15)[e]
    k = rng.binomial(30, 1 / (1 + np.exp(-eta))).astype(float)
    found = normal_rates([v, e], [40, 15], np.full(600, 30.0), k, SETTINGS)

    def model() -> None:
        dist = numpyro.distributions
        intercept = numpyro.sample("intercept", dist.Normal(0.0, 5.0))
        sd_v, sd_e = (numpyro.sample(name, dist.LogNormal(-1.0, 0.5)) for name in ("sd_v", "sd_e"))
        u = numpyro.sample("u", dist.Normal(0.0, 1.0).expand([40])) * sd_v
        w = numpyro.sample("w", dist.Normal(0.0, 1.0).expand([15])) * sd_e
        numpyro.deterministic("vehicle", u)
        numpyro.deterministic("evse", w)
        numpyro.sample("k", dist.Binomial(30, logits=intercept + u[v] + w[e]), obs=k)

    sampler = numpyro.infer.MCMC(
        numpyro.infer.NUTS(model), num_warmup=300, num_samples=700, progress_bar=False
    )
    sampler.run(jax.random.PRNGKey(0))
    draws = {name: np.asarray(x) for name, x in sampler.get_samples().items()}
    for spread, factor, name in zip(found.spreads, found.factors, ("vehicle", "evse"), strict=True):
        low, high = np.quantile(draws[f"sd_{name[0]}"], [0.025, 0.975])
        assert low < spread < high
        ours, theirs = np.log(factor), draws[name].mean(axis=0)
        assert np.abs((ours - ours.mean()) - (theirs - theirs.mean())).mean() < 0.15


test_rates_agree_with_full_bayes = pytest.mark.filterwarnings("default")(
    pytest.mark.slow(test_rates_agree_with_full_bayes)
)


def test_a_bad_week_is_drift_and_quiet_ones_are_held() -> None:
    """Failures seen over expected, each with twenty failures' worth of a week like all others."""
    seen = fleet(worse=3.0)
    chance = fitted(seen)
    rows = event_rows(seen)
    late = seen.day[rows] // 7 == 3
    week = np.bincount(seen.day // 7, seen.failed, 4)
    usual = seen.failed.sum() * np.bincount(seen.day // 7, minlength=4) / len(seen.day)
    want = (week + DRIFT_EVENTS) / (usual + DRIFT_EVENTS)
    ratio = chance.plain[late].mean() / chance.plain[~late].mean()
    assert ratio == pytest.approx(want[3] / want[:3].mean(), rel=0.15)
    assert ratio > 1.8


def test_what_does_not_count_does_not_count() -> None:
    """Attempts at which somebody was at fault are left out; so are weights of nought."""
    seen = fleet()
    counts = np.where(seen.vehicle < 20, 1.0, 0.0)
    part, weighed = fitted(seen, counts), fitted(replace(seen, weight=counts))
    assert part.typical == pytest.approx(weighed.typical)
    assert part.typical == pytest.approx(seen.failed[seen.vehicle < 20].mean(), rel=0.12)
    assert part.failures.factors[0][20:40] == pytest.approx(np.ones(20))


def test_echoes_are_counted_and_drawn_to_their_start_values() -> None:
    """Of the plug-ins that follow a chance failure, the share that failed by chance again, by class
    (derived); the base of a retry is chance or the echo.
    """
    seen = fleet()
    rows = event_rows(seen)
    previous = np.full(len(seen.failed), -1)
    echo = np.zeros(len(seen.failed), dtype=np.int8)
    follows = rows[:-1] + 1
    previous[follows] = follows - 1
    echo[follows] = np.arange(len(follows)) % 3 + 1
    seen = replace(seen, previous=previous, echo=echo)
    bit = np.linspace(0.2, 1.0, len(rows))
    chance = fit_chance(seen, rows, Trials(np.ones(len(seen.failed)), bit), SETTINGS)
    by_row = dict(zip(rows.tolist(), bit.tolist(), strict=True))
    starts = (SETTINGS.echo_same, SETTINGS.echo_vehicle, SETTINGS.echo_evse)
    for kind, start in zip((ECHO_SAME, ECHO_VEHICLE, ECHO_EVSE), starts, strict=True):
        again, all_ = start * SETTINGS.echo_units, SETTINGS.echo_units
        for row in np.flatnonzero(echo == kind).tolist():
            due = by_row[row - 1]
            all_ += due
            again += due * by_row.get(row, 0.0)
        assert chance.echo[kind] == pytest.approx(again / all_)
    assert chance.echo[ECHO_NONE] == 0.0
    mine = chance.echo[echo[rows]]
    assert chance.base == pytest.approx(chance.plain + (1 - chance.plain) * mine)


def test_an_echo_is_no_trial_of_the_baseline() -> None:
    """Retries that all failed leave the rate of first plug-ins alone."""
    seen = fleet()
    extra = event_rows(seen)[:100]
    retried = replace(seen, echo=seen.echo.copy())
    retried.echo[extra] = ECHO_SAME
    counts = np.ones(len(seen.failed))
    counts[extra] = 0.0
    assert fitted(retried).typical == pytest.approx(fitted(seen, counts).typical)


def test_an_unnamed_vehicle_may_be_a_faulty_one() -> None:
    """Where nobody knows who plugged in, a failure is likelier without the EVSE's doing."""
    rows = [tried("v", "e", minutes(-300 * k)) for k in range(1, 4)]
    rows += [tried(None, "e", minutes(-5000 - 300 * k), vehicle_model=None) for k in range(3)]
    seen = evidence(rows)
    chance = fit_chance(seen, event_rows(seen), None, SETTINGS)
    unnamed = seen.vehicle == seen.sizes[0] - 1
    assert unnamed.sum() == 3
    gap = chance.plain[unnamed].mean() - chance.plain[~unnamed].mean()
    assert gap == pytest.approx(UNNAMED_LOUD, abs=0.01)


def test_a_small_fleet_teaches_no_spread_that_excuses_everything() -> None:
    """Few failures among twenty vehicles of a model each: chance stays well below certainty."""
    solution = solve(big_fleet(Size(20, 8, 300)), SETTINGS)
    assert max(solution.chance.failures.spreads) < 1.0
    assert solution.chance.base.max() < 0.6
    assert np.isfinite(solution.judged.blame).all()


def test_a_failure_does_not_excuse_itself() -> None:
    """What is expected of each attempt by those before it multiplies to the likelihood averaged over
    the factors a sound unit may have (derived: the chain rule).

    The factor by all attempts, the failures' own included, promises more than that.
    """
    settings = SETTINGS.model_copy(update={"excess_share": 1e-9})
    tried, missed = np.ones(80), np.zeros(80)
    missed[[20, 33, 34, 41, 56, 70]] = 1.0
    unit, spread, rate = np.zeros(80, dtype=np.int64), 0.5, 0.02
    rates = NormalRates(rate, (np.ones(1),), (spread,))
    at = np.arange(80)
    due = rates_before(rates, [unit], tried, missed, at, settings)
    assert due[0] == pytest.approx(rate * np.exp(spread**2 / 2), rel=0.01)
    assert (np.diff(due)[missed[:-1] > 0] > 0).all()
    effects = np.linspace(-5, 5, 4001) * spread
    normal = np.exp(-0.5 * (effects / spread) ** 2)
    told = rate * np.exp(effects)
    each = told**6 * (1 - told) ** 74
    whole = np.log((each * normal).sum() / normal.sum())
    step_by_step = np.log(np.where(missed > 0, due, 1 - due)).sum()
    assert step_by_step == pytest.approx(whole, abs=0.1)
    at_best = np.log(each.max())
    assert at_best > whole + 0.5
