"""Normal rates of units: how often an event comes about by chance, at each unit of several kinds.

    expected events of an attempt = rate x exp(u_first) x exp(u_second) x ...,  u ~ N(0, spread²)

The spread of each kind is set by its many healthy units: a unit may also stand far above it, with a
small stated probability, and then neither widens it nor is excused by it (a mixture, fitted by its
marginal likelihood over a grid of spreads; Poisson counts, normal effects by Gauss-Hermite
quadrature).  A prior on the spread, log-normal, speaks where units are few.  Everything is sums
over units: the same attempts in any order give the same rates.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce

import numpy as np

from pipeline.attribute.states.model import Floats, Ints, tally
from pipeline.settings.attribute import AttributeSettings

NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(15)
SHARES = WEIGHTS / WEIGHTS.sum()
"""Quadrature of a standard normal; 15 nodes are exact to 1e-4 of a log rate for spreads up to 1."""
SPREADS = np.array([0.02, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.75, 0.9, 1.1, 1.3, 1.5])
"""Spreads weighed; at the widest 95 % of the units lie within a factor of nineteen of the median."""
SPREAD_PRIOR_SD = 0.5
"""Of the log spread around the likely one: a factor of 2.7 either way at two standard deviations."""
EXCESS = np.log(np.array([3.0, 4.5, 7.0, 11.0, 17.0, 27.0]))
"""Log rates, relative to the usual, that a unit far above the spread may have."""
SWEEPS, INNER = 6, 2
"""Turns, each half a step of all kinds at once, so that none is favoured; and turns between level and spread within one."""
PULL = 0.5
"""Expected events' worth of the fleet's mean in each unit's ratio, so that the median over units of few is not nought."""
RATE_LOW, RATE_HIGH = 1e-4, 0.5


@dataclass(frozen=True)
class NormalRates:
    """`rate` of a usual unit, `factors` (units,) by kind, and each kind's spread (log scale)."""

    rate: float
    factors: tuple[Floats, ...]
    spreads: tuple[float, ...]

    def at(self, units: Sequence[Ints]) -> Floats:
        """Expected events of attempts with these units, by kind (attempts,); at most one half."""
        expected = np.full(len(units[0]), self.rate)
        for unit, factor in zip(units, self.factors, strict=True):
            expected *= factor[unit]
        return np.asarray(np.minimum(expected, RATE_HIGH))


def rates_before(
    rates: NormalRates,
    units: Sequence[Ints],
    tried: Floats,
    missed: Floats,
    at: Ints,
    settings: AttributeSettings,
) -> Floats:
    """Expected events of the attempts `at`, each unit's factor by its earlier attempts alone.

    Attempts are in order of time; `missed` is nought but at some of `at`, which ascend. A failure that counted in its own unit's
    factor would excuse itself; what is expected of each by those before it multiplies to the likelihood
    averaged over the factors a sound unit may have (the chain rule of probability).
    """
    gathered = [factor[unit] for unit, factor in zip(units, rates.factors, strict=True)]
    usual = reduce(np.multiply, gathered, tried * rates.rate)
    expected = np.full(len(at), rates.rate)
    for unit, own, factor, spread in zip(
        units, gathered, rates.factors, rates.spreads, strict=True
    ):
        seen = _Earlier.of(unit[at], len(factor), np.arange(len(at))).total(missed[at])
        due = _Earlier.of(unit, len(factor), at).total(usual / own)
        expected *= _factors(seen, due, 1.0, spread, settings)[0]
    return np.asarray(np.minimum(expected, RATE_HIGH))


@dataclass(frozen=True)
class _Earlier:
    """Of some attempts those before it of the same unit: `order`, the attempts unit by unit; where in it each stands
    (`place`), and its unit begins (`begins`).
    """

    order: Ints
    place: Ints
    begins: Ints

    @classmethod
    def of(cls, unit: Ints, units: int, at: Ints) -> _Earlier:
        """Of the attempts `at`, in order of time; `unit` (attempts,) of so many units."""
        short = unit.astype(np.min_scalar_type(max(units - 1, 0)))  # sorted by digits where short
        order = np.argsort(short, kind="stable")
        place = np.empty(len(unit), dtype=np.int64)
        place[order] = np.arange(len(unit))
        many = np.bincount(unit, minlength=units)
        return cls(order, place[at], (np.cumsum(many) - many)[unit[at]])

    def total(self, weights: Floats) -> Floats:
        """Sum of the weights (attempts,) of the earlier ones (at,)."""
        sorted_ = weights[self.order]
        heights = np.cumsum(sorted_)
        heights -= sorted_
        return np.maximum(heights[self.place] - heights[self.begins], 0.0)


def normal_rates(
    units: Sequence[Ints],
    sizes: Sequence[int],
    tried: Floats,
    missed: Floats,
    settings: AttributeSettings,
) -> NormalRates:
    """Rates by which attempts (`tried`, weights) have events by chance (`missed`, weights)."""
    factors = [np.ones(size) for size in sizes]
    spreads = [settings.usual_spread] * len(sizes)
    counts = [tally(u, missed, size) for u, size in zip(units, sizes, strict=True)]
    rate = (missed.sum() + 0.5) / (tried.sum() + 20.0)
    for _ in range(SWEEPS):
        product = np.ones(len(tried))
        for unit, factor in zip(units, factors, strict=True):
            product *= factor[unit]
        fits = [
            _one_kind(count, tally(unit, tried * product / factor[unit], size) * rate, settings)
            for count, unit, factor, size in zip(counts, units, factors, sizes, strict=True)
        ]
        factors = [np.sqrt(f * fit.factor) for f, fit in zip(factors, fits, strict=True)]
        spreads = [fit.spread for fit in fits]
        rate *= float(np.exp(np.mean([np.log(fit.level) for fit in fits])))
    return NormalRates(float(np.clip(rate, RATE_LOW, RATE_HIGH)), tuple(factors), tuple(spreads))


def first_rates(
    units: Sequence[Ints],
    sizes: Sequence[int],
    tried: Floats,
    missed: Floats,
    settings: AttributeSettings,
) -> NormalRates:
    """The same before anything is known of faults: the likely spread, and a rate no fault can lift.

    Of a small fleet's EVSEs half may fail with one vehicle model: the many of one kind are then not
    sound, but those of another are.  So the rate is the least of the kinds' medians, and each kind
    is looked at by itself.
    """
    counts = [tally(u, missed, size) for u, size in zip(units, sizes, strict=True)]
    tries = [tally(u, tried, size) for u, size in zip(units, sizes, strict=True)]
    rate = min(_middle(k[n > 0], n[n > 0]) for k, n in zip(counts, tries, strict=True))
    rate = float(np.clip(rate, RATE_LOW, RATE_HIGH))
    spread = settings.usual_spread
    factors = []
    for count, tries_ in zip(counts, tries, strict=True):
        met = tries_ > 0
        factor = np.ones(len(count))
        factor[met] = _factors(count[met], tries_[met] * rate, 1.0, spread, settings)[0]
        factors.append(factor)
    return NormalRates(rate, tuple(factors), (spread,) * len(factors))


@dataclass(frozen=True)
class _Fit:
    """Of one kind: factor of each unit, spread, and the level of the many against what was expected."""

    factor: Floats
    spread: float
    level: float


def _one_kind(count: Floats, expected: Floats, settings: AttributeSettings) -> _Fit:
    """Mixture of one kind's units; those that stand far above set neither level nor spread."""
    met = expected > 0
    k, e = count[met], expected[met]
    if not len(k):
        return _Fit(np.ones(len(count)), settings.usual_spread, 1.0)
    level, spread = _middle(k, e), settings.usual_spread
    healthy = np.log1p(-settings.excess_share)
    prior = -0.5 * (np.log(SPREADS / settings.usual_spread) / SPREAD_PRIOR_SD) ** 2
    for _ in range(INNER):
        values = np.log(level) + SPREADS[:, None] * NODES
        normal = _log_total(_likelihoods(k, e, values) + np.log(SHARES))
        both = np.logaddexp(healthy + normal, _far(k, e, level, settings)[:, None])
        posterior = both.sum(axis=0) + prior
        posterior = np.exp(posterior - posterior.max())
        spread = float(np.exp(posterior @ np.log(SPREADS) / posterior.sum()))
        made, sound, mean = _factors(k, e, level, spread, settings)
        level = float((sound @ k + 0.5) / (sound @ (e * mean) + 0.5 / level))
    factor = np.ones(len(count))
    factor[met] = made
    return _Fit(factor, spread, level)


def _factors(
    count: Floats, expected: Floats, level: float, spread: float, settings: AttributeSettings
) -> tuple[Floats, Floats, Floats]:
    """Of each unit: its factor (1 as far as it stands far above), the probability that it is one of
    the many, and its mean rate if so.
    """
    mine = _likelihoods(count, expected, np.log(level) + spread * NODES[None])[:, 0]
    mine = mine + np.log(SHARES)
    total = _log_total(mine)
    healthy = np.log1p(-settings.excess_share) + total
    sound = np.exp(healthy - np.logaddexp(healthy, _far(count, expected, level, settings)))
    mean = np.exp(mine - total[:, None]) @ np.exp(spread * NODES)
    return sound * mean + (1.0 - sound), sound, mean


def _far(count: Floats, expected: Floats, level: float, settings: AttributeSettings) -> Floats:
    """Log-likelihood with its prior that a unit stands far above the many (units,)."""
    excess = _likelihoods(count, expected, np.log(level) + EXCESS[None])[:, 0]
    share = np.log(settings.excess_share / len(EXCESS))
    return _log_total(excess + share)


def _middle(count: Floats, expected: Floats) -> float:
    """Median over units of events against expected ones, weighted by the latter, each drawn to the mean."""
    mean = (count.sum() + 0.5) / (expected.sum() + 0.5)
    ratio = (count + mean * PULL) / (expected + PULL)
    order = np.argsort(ratio, kind="stable")
    heights = np.cumsum(expected[order])
    return float(ratio[order][np.searchsorted(heights, 0.5 * heights[-1])])


def _likelihoods(count: Floats, expected: Floats, values: Floats) -> Floats:
    """Log-likelihood of Poisson counts at log factors `values` (sets, nodes): (units, sets, nodes)."""
    return np.asarray(count[:, None, None] * values - expected[:, None, None] * np.exp(values))


def _log_total(logs: Floats) -> Floats:
    """Log of the sum of exp(logs) over the last axis; the general function of scipy takes four times as long."""
    highest = logs.max(axis=-1, keepdims=True)
    return np.asarray(np.log(np.exp(logs - highest) @ np.ones(logs.shape[-1])) + highest[..., 0])
