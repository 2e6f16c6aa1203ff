"""Chance: how often a first plug-in fails, or is silent, though nobody is at fault.

Normal rates of vehicle, EVSE and pairing, with the fleet's weeks and days (season, weather), and
the echoes of a failure apart.  Silence has rates of its own, by vehicle, place and time of day.

Fitted at first to all attempts, where units far above the usual spread set nothing; then to those
at which no unit was at fault or showed a chronic rate, each by that probability: else a fault that was there all
along would be half excused.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from pipeline.attribute.baseline.normal_rates import (
    NormalRates,
    first_rates,
    normal_rates,
    rates_before,
)
from pipeline.attribute.echoes import ECHO_EVSE, ECHO_NONE, ECHO_SAME, ECHO_VEHICLE
from pipeline.attribute.evidence import Evidence
from pipeline.attribute.states.model import Floats, Ints
from pipeline.settings.attribute import AttributeSettings

DRIFT_EVENTS = 20.0
"""Expected failures of pseudo-evidence that a week or a day is like all others; keeps quiet ones from jumping."""
UNNAMED_LOUD = 0.02
"""Share of failures added where the vehicle is not known at all: it may be a faulty one (prevalence of the prior)."""
MOST_CHANCE = 0.95


@dataclass(frozen=True)
class Chance:
    """The baseline.

    `base`: chance that each event (failure or silence) came about by chance alone (events,);
    `plain`: the same without echoes; echo strengths by class; rates of failure and, where there
    was any, of silence.
    """

    base: Floats
    plain: Floats
    echo: Floats
    failures: NormalRates
    silences: NormalRates | None

    @property
    def typical(self) -> float:
        """Chance of failure of a usual unit's first plug-in."""
        return self.failures.rate


@dataclass(frozen=True)
class Trials:
    """What the baseline is fitted to.

    The share of each attempt that counts (attempts,), and the probability that each event had a
    chance cause (events,), for the echoes.
    """

    counts: Floats
    by_chance: Floats


def event_rows(evidence: Evidence) -> Ints:
    """Rows of the evidence that failed or were silent."""
    return np.flatnonzero(evidence.event)


def fit_chance(
    evidence: Evidence, rows: Ints, trials: Trials | None, settings: AttributeSettings
) -> Chance:
    """Baseline of the events `rows`, given what the states explain (nothing yet: None)."""
    counts = np.ones(len(evidence.weight)) if trials is None else trials.counts
    first = np.where(evidence.echo == ECHO_NONE, evidence.weight * counts, 0.0)
    loud = np.where(evidence.silent, 0.0, first)
    cells, sizes = evidence.cells, evidence.sizes[:3]
    columns = cells.columns
    rates = first_rates if trials is None else normal_rates
    tried, missed = cells.total(loud), cells.total(loud * evidence.failed)
    failures = rates(columns, sizes, tried, missed, settings)
    usual = failures.at(columns)[cells.of_attempt]
    drift = _drift(evidence, loud, usual)
    missed_each = loud * evidence.failed
    plain = rates_before(failures, evidence.columns[:3], loud, missed_each, rows, settings)
    plain *= drift[evidence.day[rows]]
    plain += np.where(evidence.vehicle[rows] == sizes[0] - 1, UNNAMED_LOUD, 0.0)
    echo = _echo_strengths(evidence, rows, trials, settings)
    silences, silent = None, evidence.silent[rows]
    if silent.any():
        silences, own = _silences(evidence, rows, first, rates, settings)
        plain = np.where(silent, own, plain)
    plain = np.minimum(plain, MOST_CHANCE)
    heard = np.where(silent, 0.0, echo[evidence.echo[rows]])
    return Chance(plain + (1.0 - plain) * heard, plain, echo, failures, silences)


def _silences(
    evidence: Evidence,
    rows: Ints,
    first: Floats,
    fit: Callable[..., NormalRates],
    settings: AttributeSettings,
) -> tuple[NormalRates, Floats]:
    """Rates of silence, and the chance of each event's: what speaks for a fault lowers its odds."""
    cells, sizes = evidence.cells, (evidence.sizes[0], evidence.sizes[3])
    columns = (cells.vehicle, cells.site)
    tried = np.where(evidence.silent | evidence.asked, first, 0.0)
    missed = cells.total(tried * evidence.silent)
    rates = fit(columns, sizes, cells.total(tried), missed, settings)
    plain = rates.at(columns)[cells.of_attempt[rows]]
    odds = plain / (1.0 - plain) * np.exp(-evidence.wish[rows])
    return rates, np.asarray(odds / (1.0 + odds))


def _drift(evidence: Evidence, tried: Floats, rate: Floats) -> Floats:
    """How much likelier than usual chance failures are on each day (days,): of its week, and its own."""
    expected = np.bincount(evidence.day, tried * rate, evidence.days)
    seen = np.bincount(evidence.day, tried * evidence.failed, evidence.days)
    weeks = (seen.reshape(-1, 7).sum(axis=1) + DRIFT_EVENTS) / (
        expected.reshape(-1, 7).sum(axis=1) + DRIFT_EVENTS
    )
    expected = expected * np.repeat(weeks, 7)
    return np.asarray(np.repeat(weeks, 7) * (seen + DRIFT_EVENTS) / (expected + DRIFT_EVENTS))


def _echo_strengths(
    evidence: Evidence, rows: Ints, trials: Trials | None, settings: AttributeSettings
) -> Floats:
    """Share of echoes of a chance failure that failed by chance again, by class, shrunk to the start values."""
    starts = {
        ECHO_SAME: settings.echo_same,
        ECHO_VEHICLE: settings.echo_vehicle,
        ECHO_EVSE: settings.echo_evse,
    }
    strengths = np.array([0.0, *(starts[kind] for kind in sorted(starts))])
    if trials is None:
        return strengths
    chance = np.zeros(len(evidence.failed))
    chance[rows] = trials.by_chance * evidence.failed[rows]
    weight = np.where(evidence.previous >= 0, chance[evidence.previous], 0.0)
    for kind, start in starts.items():
        mine = (evidence.echo == kind) & ~evidence.silent
        again = (weight * chance)[mine].sum() + start * settings.echo_units
        strengths[kind] = again / (weight[mine].sum() + settings.echo_units)
    return strengths
