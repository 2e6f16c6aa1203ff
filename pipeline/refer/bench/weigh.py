"""Readings to a posterior: weights of the drawn circuits in each condition, probabilities of the suspects."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from pipeline.refer.bench.case import DRIED, Case, Reading
from pipeline.refer.bench.declared import bench_declared
from pipeline.refer.bench.particles import SIZES, condition_of
from pipeline.refer.bench.predict import (
    OHM_PAIR,
    PROXIMITY,
    STRAY,
    log_likelihood,
    proximity_likelihood,
    says_something,
)  # fmt: skip

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Weighed:
    """`suspects`: posterior in the declared order. `within`: of each condition, the weights of its draws, summing to 1.

    `log_evidence`: of all readings. `answered`: the answers each question got so far.
    """

    suspects: Floats
    within: Mapping[str, Floats]
    log_evidence: float
    answered: Mapping[str, tuple[str, ...]]

    @property
    def named(self) -> dict[str, float]:
        """The suspects by name, most probable first."""
        pairs = zip(bench_declared().names, self.suspects, strict=True)
        return dict(sorted(((n, float(p)) for n, p in pairs), key=lambda item: -item[1]))

    def conditions(self) -> dict[str, float]:
        """Posterior of the pilot's conditions."""
        out = dict.fromkeys(SIZES, 0.0)
        for name, p in zip(bench_declared().names, self.suspects, strict=True):
            out[condition_of(name)] += float(p)
        return out


@dataclass(frozen=True)
class Placed:
    """A reading of the vehicle in its circumstances: after drying or not, with which of the instruments."""

    reading: Reading
    dried: bool
    instrument: int

    @property
    def by_suspect(self) -> Floats | None:
        """Log likelihood by suspect of an answer or a proximity reading; None where the pilot's circuit decides."""
        reading, names = self.reading, bench_declared().names
        if reading.answer is not None:
            return bench_declared().log_row(reading.kind, (reading.answer,))
        if reading.kind in PROXIMITY:
            return np.array([proximity_likelihood(reading, name) for name in names])
        return None if says_something(reading) else np.zeros(len(names))

    def stray_share(self, weighed: Weighed) -> float:
        """Probability that this reading means nothing, by all readings together; 0 for answers and proximity."""
        if self.by_suspect is not None:
            return 0.0
        share = 0.0
        for condition, p in weighed.conditions().items():
            meant, stray = log_likelihood(
                self.reading, condition, dried=self.dried, instrument=self.instrument
            )
            odds = np.log(STRAY) + stray - np.log1p(-STRAY) - meant
            share += p * float(
                (weighed.within[condition] / (1 + np.exp(np.clip(-odds, -700, 700)))).sum()
            )
        return share


@lru_cache(maxsize=256)
def log_weight(reading: Placed, condition: str) -> Floats:
    """Log likelihood by draw of a condition, stray readings included."""
    meant, stray = log_likelihood(
        reading.reading, condition, dried=reading.dried, instrument=reading.instrument
    )
    return np.asarray(np.logaddexp(np.log1p(-STRAY) + meant, np.log(STRAY) + stray))


def placed(case: Case, *, without_pair: bool = False) -> tuple[Placed, ...]:
    """The vehicle's readings in their circumstances; those on a known-good vehicle are left out, and the ohm pair if told."""
    out, instruments, dried = [], [""], False
    for reading in case.readings:
        if reading.kind == DRIED:
            dried = True
            continue
        if reading.known_good or (without_pair and reading.kind in OHM_PAIR):
            continue
        if reading.instrument not in instruments:
            instruments.append(reading.instrument)
        # one that is not named is the first one
        out.append(Placed(reading, dried, max(0, instruments.index(reading.instrument) - 1)))
    return tuple(out)


def weigh(prior: Mapping[str, float], readings: tuple[Placed, ...]) -> Weighed:
    """Posterior of suspects and circuits by Bayes' rule; readings are independent given circuit and instruments."""
    declared, answered = bench_declared(), _answered(readings)
    figures = [one for one in readings if one.reading.answer is None]
    rows = [one.by_suspect for one in figures]
    circuit = [one for one, row in zip(figures, rows, strict=True) if row is None]
    within, evidence = {}, {}
    for condition, size in SIZES.items():
        total = (
            np.sum([log_weight(one, condition) for one in circuit], axis=0)
            if circuit
            else np.zeros(size)
        )
        top = float(total.max())
        mass = np.exp(total - top)
        within[condition], evidence[condition] = mass / mass.sum(), top + float(np.log(mass.mean()))
    with np.errstate(divide="ignore"):
        log = np.log([prior[name] for name in declared.names])
    log = log + np.array([evidence[condition_of(name)] for name in declared.names])
    said = [declared.log_row(kind, answers) for kind, answers in answered.items()]
    log = sum((row for row in (*rows, *said) if row is not None), log)
    top = float(log.max())
    mass = np.exp(log - top)
    return Weighed(mass / mass.sum(), within, top + float(np.log(mass.sum())), answered)


def _answered(readings: tuple[Placed, ...]) -> dict[str, tuple[str, ...]]:
    out: dict[str, tuple[str, ...]] = {}
    for one in readings:
        if one.reading.answer is not None:
            out[one.reading.kind] = (*out.get(one.reading.kind, ()), one.reading.answer)
    return out


def replaced(readings: tuple[Placed, ...], number: int, reading: Reading) -> tuple[Placed, ...]:
    """The readings with one of them read otherwise."""
    return (*readings[:number], replace(readings[number], reading=reading), *readings[number + 1 :])
