"""Chance failures: a crossed random-effects logit of vehicle, EVSE and pairing.

With the fleet's weekly drift, and the echoes of a failure apart.

It is fitted first to the *expected* number of chance failures in each cell, failures times the
probability that chance bit; otherwise planted faults would inflate the variances and excuse
themselves.  At last it is fitted to the attempts at which no unit was at fault or showed a habit,
each by that probability: what a coarse grid of severities leaves over while a fault is on would
else pass for the unit's normal rate, and a fault that was there all along would be half excused.  A
habit is no normal rate either: were it the unit's own effect, nothing would be left to weigh it
against a fault by their priors.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.special import expit

from pipeline.attribute.baseline.laplace import CrossedCells, CrossedFit, Floats, Ints
from pipeline.attribute.baseline.marginal import fit_crossed
from pipeline.attribute.evidence import ECHO_EVSE, ECHO_NONE, ECHO_SAME, ECHO_VEHICLE, Evidence
from pipeline.settings.attribute import AttributeSettings

DRIFT_FAILURES = 20.0
"""Expected failures of pseudo-evidence that a week is like all others; keeps quiet weeks from jumping."""
MEDIAN_PULL = 20.0
"""Attempts' worth of the fleet's mean in each unit's rate, so that a median over units of few attempts is not nought."""
WIDEST_SD = 1.5
"""Most spread of normal rates on the logit scale: 95 % of the units within a factor of nineteen of the median's odds; decided.

Of a few failures in a small fleet any spread can be 'learnt', up to one that leaves nothing to be anybody's fault.
"""
RATE_LOW, RATE_HIGH = 0.002, 0.25
"""Start of the search lies between these rates: published figures for charging reach from well under 1 % to one visit in five."""


@dataclass(frozen=True)
class Chance:
    """The baseline.

    Base probability of each failed attempt (failures,), `plain` without echoes, echo strengths by
    class, fit (None before the first), weekly drift (logit).
    """

    base: Floats
    plain: Floats
    echo: Floats
    drift: Floats
    fit: CrossedFit | None

    @property
    def typical(self) -> float:
        """Chance of failure of a usual unit's first plug-in, by the fit.

        Before the first fit that of a usual failure.
        """
        return float(np.median(self.plain) if self.fit is None else expit(self.fit.beta[0]))


@dataclass(frozen=True)
class Search:
    """How far a baseline fit goes: where it starts (None.

    From the fit before) and the most evaluations of the marginal.
    """

    start: CrossedFit | None
    most: int


@dataclass(frozen=True)
class Trials:
    """What the baseline is fitted to.

    Rows that failed, the share of each attempt that counts (attempts,), the share of each failure
    that counts and the probability that it had a chance cause (failures,).
    """

    failed: Ints
    counts: Floats
    counts_failed: Floats
    by_chance: Floats


@dataclass(frozen=True)
class Cells:
    """Vehicle x EVSE x pairing: sorted keys, the cell of each attempt, the levels of each cell."""

    keys: Ints
    row_cell: Ints
    levels: tuple[Ints, Ints, Ints]
    sizes: tuple[int, int, int]


def count_cells(evidence: Evidence) -> Cells:
    """Cells of all attempts, ordered by vehicle, EVSE, pairing."""
    _, evses, pairings = evidence.sizes
    key = (evidence.vehicle * evses + evidence.evse) * pairings + evidence.pairing
    keys = pl.Series(key).unique().sort().to_numpy()
    cell = np.searchsorted(keys, key)
    levels = (keys // (evses * pairings), keys // pairings % evses, keys % pairings)
    return Cells(keys, cell, levels, evidence.sizes)


def first_guess(evidence: Evidence, failed: Ints, settings: AttributeSettings) -> Chance:
    """A single robust rate, since most units are sound most of the time.

    The mean of the medians over vehicles and over EVSEs.
    """
    medians = [_median_rate(evidence, unit) for unit in (evidence.vehicle, evidence.evse)]
    rate = float(np.clip(np.mean(medians), RATE_LOW, RATE_HIGH))
    echo = np.array([0.0, settings.echo_same, settings.echo_vehicle, settings.echo_evse])
    base = rate + (1.0 - rate) * echo[evidence.echo[failed]]
    return Chance(base, np.full(len(failed), rate), echo, np.zeros(evidence.days // 7), None)


def _median_rate(evidence: Evidence, unit: Ints) -> float:
    """Median failure rate of first plug-ins over the units, weighted by attempts, each drawn to the
    fleet's mean.
    """
    first = (evidence.echo == ECHO_NONE).astype(np.float64)
    tried, missed = np.bincount(unit, first), np.bincount(unit, first * evidence.failed)
    fleet = (missed.sum() + 0.5) / (tried.sum() + 1.0)
    rate = (missed + MEDIAN_PULL * fleet) / (tried + MEDIAN_PULL)
    order = np.argsort(rate, kind="stable")
    heights = np.cumsum(tried[order])
    return float(rate[order][np.searchsorted(heights, 0.5 * heights[-1])])


def refit(
    evidence: Evidence,
    cells: Cells,
    trials: Trials,
    before: Chance,
    settings: AttributeSettings,
    search: Search,
) -> Chance:
    """Baseline given the states, by the first plug-ins (no echoes) that count."""
    failed = trials.failed
    first = evidence.echo[failed] == ECHO_NONE
    cell = cells.row_cell[failed]
    tried = np.where(evidence.echo == ECHO_NONE, evidence.weight * trials.counts, 0.0)
    missed = (evidence.weight[failed] * trials.counts_failed)[first]
    whole = np.bincount(cells.row_cell, tried, len(cells.keys))
    week = evidence.day // 7
    data = CrossedCells(
        cells.levels,
        cells.sizes,
        np.ones((len(cells.keys), 1)),
        np.minimum(np.bincount(cell[first], missed, len(cells.keys)), whole),
        np.maximum(whole, 1e-9),
        np.zeros(len(cells.keys)),
    )
    start, tolerance = search.start or before.fit, settings.baseline_tolerance
    fit = fit_crossed(data, start=start, tolerance=tolerance, most=search.most, widest=WIDEST_SD)
    effect = np.concatenate([fit.modes + 0.5 * fit.variances * _lift(fit)])
    starts = data.starts
    eta = (
        fit.beta[0]
        + effect[cells.levels[0]]
        + effect[starts[1] + cells.levels[1]]
        + effect[starts[2] + cells.levels[2]]
    )
    expected = np.bincount(week, tried * expit(eta)[cells.row_cell], len(before.drift))
    seen = np.bincount(week[failed][first], missed, len(before.drift))
    drift = np.log((seen + DRIFT_FAILURES) / (expected + DRIFT_FAILURES))
    echo = _echo_strengths(evidence, failed, trials.by_chance, settings)
    plain = expit(eta[cell] + drift[week[failed]])
    return Chance(plain + (1.0 - plain) * echo[evidence.echo[failed]], plain, echo, drift, fit)


def _lift(fit: CrossedFit) -> Floats:
    """Where rates are small, the mean of expit(u) exceeds expit(mean u) by exp(variance / 2).

    Shrunk as the rate grows.
    """
    return np.full(len(fit.modes), 1.0 - 2.0 * float(expit(fit.beta[0])))


def _echo_strengths(
    evidence: Evidence, failed: Ints, by_chance: Floats, settings: AttributeSettings
) -> Floats:
    """Share of echoes of a chance failure that failed by chance again, by class, shrunk to the
    start values.
    """
    chance = np.zeros(len(evidence.failed))
    chance[failed] = by_chance
    follows = evidence.previous >= 0
    weight = np.where(follows, chance[evidence.previous], 0.0)
    starts = {
        ECHO_SAME: settings.echo_same,
        ECHO_VEHICLE: settings.echo_vehicle,
        ECHO_EVSE: settings.echo_evse,
    }
    strengths = np.zeros(4)
    for kind, start in starts.items():
        mine = evidence.echo == kind
        strengths[kind] = ((weight * chance)[mine].sum() + start * settings.echo_units) / (
            weight[mine].sum() + settings.echo_units
        )
    return strengths
