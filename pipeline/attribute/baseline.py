"""Chance failures: a crossed random-effects logit of vehicle, EVSE and pairing, with the fleet's weekly drift, echoes of a failure apart.

It is fitted to the *expected* number of chance failures in each cell, that is failures times the probability that no fault state caused them;
otherwise planted faults would inflate the variances and excuse themselves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.special import expit, logit

from pipeline.attribute.evidence import ECHO_EVSE, ECHO_NONE, ECHO_SAME, ECHO_VEHICLE, Evidence
from pipeline.attribute.laplace import CrossedCells, CrossedFit, Floats, Ints
from pipeline.attribute.marginal import fit_crossed
from pipeline.settings.attribute import AttributeSettings

DRIFT_FAILURES = 20.0
"""Expected failures of pseudo-evidence that a week is like all others; keeps quiet weeks from jumping."""
RATE_LOW, RATE_HIGH = 0.002, 0.25
"""Start of the search lies between these rates: published figures for charging reach from well under 1 % to one visit in five."""


@dataclass(frozen=True)
class Chance:
    """The baseline: base probability of each failed attempt (failures,), `plain` without echoes, echo strengths by class, fit (None before the first), weekly drift (logit)."""

    base: Floats
    plain: Floats
    echo: Floats
    drift: Floats
    fit: CrossedFit | None


@dataclass(frozen=True)
class Cells:
    """First plug-ins (no echoes) counted by vehicle x EVSE x pairing: sorted keys, attempts, and the cell of each attempt row asked for."""

    keys: Ints
    trials: Floats
    levels: tuple[Ints, Ints, Ints]
    sizes: tuple[int, int, int]


def count_cells(evidence: Evidence) -> Cells:
    """Cells of all first attempts, weighted; ordered by vehicle, EVSE, pairing."""
    _, evses, pairings = evidence.sizes
    first = evidence.echo == ECHO_NONE
    key = (evidence.vehicle * evses + evidence.evse) * pairings + evidence.pairing
    table = (
        pl.DataFrame({"key": key, "trials": np.where(first, evidence.weight, 0.0)})
        .group_by("key")
        .agg(pl.col("trials").sum())
        .sort("key")
    )
    keys = table["key"].to_numpy()
    levels = (keys // (evses * pairings), keys // pairings % evses, keys % pairings)
    return Cells(keys, table["trials"].to_numpy(), levels, evidence.sizes)


def cell_of(cells: Cells, evidence: Evidence, rows: Ints) -> Ints:
    """Cell of each of the given attempt rows."""
    _, evses, pairings = cells.sizes
    key = (evidence.vehicle[rows] * evses + evidence.evse[rows]) * pairings + evidence.pairing[rows]
    return np.searchsorted(cells.keys, key)


def first_guess(evidence: Evidence, failed: Ints, settings: AttributeSettings) -> Chance:
    """A single robust rate: the median over EVSEs, since most equipment is sound most of the time."""
    evses = evidence.sizes[1]
    first = (evidence.echo == ECHO_NONE).astype(np.float64)
    tried = np.bincount(evidence.evse, first, evses)
    missed = np.bincount(evidence.evse, first * evidence.failed, evses)
    used = tried >= 20
    rate = float(np.median(missed[used] / tried[used])) if used.any() else float((missed.sum() + 1.0) / (tried.sum() + 20.0))
    rate = float(np.clip(rate, RATE_LOW, RATE_HIGH))
    echo = np.array([0.0, settings.echo_same, settings.echo_vehicle, settings.echo_evse])
    base = rate + (1.0 - rate) * echo[evidence.echo[failed]]
    return Chance(base, np.full(len(failed), rate), echo, np.zeros(evidence.days // 7), None)


def refit(
    evidence: Evidence,
    cells: Cells,
    failed: Ints,
    by_chance: Floats,
    before: Chance,
    settings: AttributeSettings,
    start: CrossedFit | None,
) -> Chance:
    """Baseline given each failed attempt's probability of having had a chance cause (failures,)."""
    first = evidence.echo[failed] == ECHO_NONE
    cell = cell_of(cells, evidence, failed)
    count = np.bincount(cell[first], (evidence.weight[failed] * by_chance)[first], len(cells.keys))
    week = evidence.day // 7
    data = CrossedCells(
        cells.levels,
        cells.sizes,
        np.ones((len(count), 1)),
        np.minimum(count, cells.trials),
        np.maximum(cells.trials, 1e-9),
        np.zeros(len(count)),
    )
    fit = fit_crossed(data, start=start if start is not None else before.fit, tolerance=settings.baseline_tolerance)
    effect = np.concatenate([fit.modes + 0.5 * fit.variances * _lift(fit)])
    starts = data.starts
    eta = fit.beta[0] + effect[cells.levels[0]] + effect[starts[1] + cells.levels[1]] + effect[starts[2] + cells.levels[2]]
    expected = np.bincount(week, _by_row(evidence, cells, expit(eta)), len(before.drift))
    seen = np.bincount(week[failed][first], (evidence.weight[failed] * by_chance)[first], len(before.drift))
    drift = np.log((seen + DRIFT_FAILURES) / (expected + DRIFT_FAILURES))
    echo = _echo_strengths(evidence, failed, by_chance, settings)
    plain = expit(eta[cell] + drift[week[failed]])
    return Chance(plain + (1.0 - plain) * echo[evidence.echo[failed]], plain, echo, drift, fit)


def _lift(fit: CrossedFit) -> Floats:
    """Where rates are small, the mean of expit(u) exceeds expit(mean u) by exp(variance / 2); shrunk as the rate grows."""
    return np.full(len(fit.modes), 1.0 - 2.0 * float(expit(fit.beta[0])))


def _by_row(evidence: Evidence, cells: Cells, rate: Floats) -> Floats:
    """Each attempt's weight times its cell's rate, echoes left out."""
    _, evses, pairings = cells.sizes
    key = (evidence.vehicle * evses + evidence.evse) * pairings + evidence.pairing
    return np.asarray(np.where(evidence.echo == ECHO_NONE, evidence.weight * rate[np.searchsorted(cells.keys, key)], 0.0))


def _echo_strengths(evidence: Evidence, failed: Ints, by_chance: Floats, settings: AttributeSettings) -> Floats:
    """Share of echoes of a chance failure that failed by chance again, by class, shrunk to the start values."""
    chance = np.zeros(len(evidence.failed))
    chance[failed] = by_chance
    follows = evidence.previous >= 0
    weight = np.where(follows, chance[evidence.previous], 0.0)
    starts = {ECHO_SAME: settings.echo_same, ECHO_VEHICLE: settings.echo_vehicle, ECHO_EVSE: settings.echo_evse}
    strengths = np.zeros(4)
    for kind, start in starts.items():
        mine = evidence.echo == kind
        strengths[kind] = ((weight * chance)[mine].sum() + start * settings.echo_units) / (
            weight[mine].sum() + settings.echo_units
        )
    return strengths


def rate_to_logit(rate: Floats) -> Floats:
    """Logit, clipped away from 0 and 1."""
    return np.asarray(logit(np.clip(rate, 1e-9, 1 - 1e-9)))
