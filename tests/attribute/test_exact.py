"""Message passing with rivals against the exact answer, on problems small enough to enumerate."""

from __future__ import annotations

from functools import reduce

import numpy as np
import pytest

from pipeline.attribute.states.exchange import exchange
from pipeline.attribute.states.joint import refine
from pipeline.attribute.states.messages import NEVER, Events, Kind
from pipeline.attribute.states.model import StateModel, state_model
from pipeline.attribute.states.smoothing import onset_weights, smooth
from pipeline.settings.attribute import AttributeSettings, FaultState, StatePrior

LEVELS = np.array([0.9, 0.4, 0.0])


def chain(prevalence: float, days_on: float) -> StateModel:
    """Off, two faults that fail nine and four in ten, and 'just repaired'."""
    faults = tuple(FaultState(loud=q, share=0.5, days_on=days_on) for q in LEVELS[:2])
    prior = StatePrior(faults=faults, prevalence=prevalence, prior_units=10)
    return state_model(prior, AttributeSettings(), 0.03)


VEHICLE, EVSE, PAIRING = chain(0.07, 20), chain(0.07, 12), chain(0.05, 50)
BASE = 0.04


def play(
    rng: np.random.Generator, shape: tuple[int, int, int], *, loyal: bool
) -> tuple[np.ndarray, ...]:
    """Vehicle, EVSE, day and outcome of some attempts.

    One vehicle and perhaps one EVSE go faulty halfway.
    """
    vehicles, evses, days = shape
    n = 3 * vehicles * days
    v, t = rng.integers(0, vehicles, n), rng.integers(0, days, n)
    e = np.where(loyal & (v == 0), 0, rng.integers(0, evses, n))
    bad = (v == 0) & (t >= days // 2) if rng.random() < 0.5 else (e == 0) & (t >= days // 2)
    return v, e, t, rng.random(n) < np.where(bad, 0.85, BASE)


def problem(
    v: np.ndarray, e: np.ndarray, t: np.ndarray, failed: np.ndarray, shape: tuple[int, int, int]
) -> tuple[tuple[Kind, ...], Events]:
    """The attempts as kinds and failures, a stand-in unit last in each kind."""
    vehicles, evses, days = shape
    escape = np.append(1.0, 1.0 - LEVELS)
    kinds = []
    for name, unit, count, model in (
        ("vehicle", v, vehicles, VEHICLE),
        ("evse", e, evses, EVSE),
        ("pairing", 0 * v, 1, PAIRING),
    ):
        quiet = np.zeros((count + 1, days, 4))
        np.add.at(quiet, (unit[~failed], t[~failed]), np.log(escape))
        quiet[-1, :, 1:] = NEVER
        count_failed = int(failed.sum())
        kinds.append(
            Kind(
                name,
                quiet,
                unit[failed],
                np.tile(escape, (count_failed, 1)),
                np.ones(count_failed),
                model,
            )
        )
    count = int(failed.sum())
    return tuple(kinds), Events(t[failed], np.full(count, BASE), np.flatnonzero(failed))


def exact(kinds: tuple[Kind, ...], failures: Events, days: int) -> list[np.ndarray]:
    """Smoothed state probabilities of every unit by the one chain of all their joint states."""
    units = [(kind, u) for kind in kinds for u in range(len(kind.success_loglik) - 1)]
    initial = reduce(np.kron, [kind.model.initial for kind, _ in units])
    step = reduce(np.kron, [kind.model.transition for kind, _ in units])
    shape = (4,) * len(units)
    evidence = np.zeros((days, *shape))
    for axis, (kind, u) in enumerate(units):
        view = [1] * len(units)
        view[axis] = 4
        evidence += kind.success_loglik[u].reshape(days, *view)
    for i, day in enumerate(failures.day):
        through = np.full((1,) * len(units), 1.0 - BASE)
        for axis, (kind, u) in enumerate(units):
            if kind.unit[i] == u:
                view = [1] * len(units)
                view[axis] = 4
                through = through * kind.escape[i].reshape(view)
        evidence[day] += np.log(1.0 - through)
    joint = smooth(evidence.reshape(1, days, -1), initial, step).belief.reshape(days, *shape)
    return [
        joint.sum(axis=tuple(1 + k for k in range(len(units)) if k != axis))
        for axis in range(len(units))
    ]


@pytest.mark.parametrize("loyal", [False, True])
def test_every_unit_agrees_with_the_exact_chain(*, loyal: bool) -> None:
    """Two vehicles, two EVSEs, one pairing, 12 days.

    Probabilities of all days within 0.1 of the exact ones, 0.01 on average, loyal or not.
    """
    shape = (2, 2, 12)
    gaps = []
    for seed in range(12):
        v, e, t, failed = play(np.random.default_rng(seed), shape, loyal=loyal)
        kinds, failures = problem(v, e, t, failed, shape)
        beliefs = exchange(kinds, failures, passes=200, damping=0.4)
        bounds = tuple(
            np.append(np.ones((len(k.success_loglik) - 1, 12)), np.zeros((1, 12)), axis=0)
            for k in kinds
        )
        ours = [refine(kinds, failures, beliefs, bounds, which)[:-1] for which in range(3)]
        truth = exact(kinds, failures, shape[2])
        flat = [unit for kind in ours for unit in kind]
        gaps += [
            np.abs(a[:, 1:3].sum(axis=1) - b[:, 1:3].sum(axis=1))
            for a, b in zip(flat, truth, strict=True)
        ]
    assert np.mean(gaps) < 0.01
    assert np.quantile(gaps, 0.99) < 0.1


def test_onset_weights_sum_to_the_probability_of_being_on() -> None:
    """Onset days, 'before' included, add up to P(on at the end), and equal enumeration over all
    paths of a short chain.
    """
    rng = np.random.default_rng(3)
    evidence = rng.normal(0, 1.5, (4, 5, 4))
    seen = smooth(evidence, VEHICLE.initial, VEHICLE.transition)
    weights = onset_weights(seen, VEHICLE.transition, VEHICLE.fault_mask)
    assert weights.sum(axis=1) == pytest.approx(seen.belief[:, -1] @ VEHICLE.fault_mask)
    paths = np.stack(np.meshgrid(*[np.arange(4)] * 5, indexing="ij"), axis=-1).reshape(-1, 5)
    for unit in range(4):
        mass = VEHICLE.initial[paths[:, 0]] * np.exp(evidence[unit, 0, paths[:, 0]])
        for day in range(1, 5):
            mass = (
                mass
                * VEHICLE.transition[paths[:, day - 1], paths[:, day]]
                * np.exp(evidence[unit, day, paths[:, day]])
            )
        mass /= mass.sum()
        began = np.array(
            [
                5 - int(np.argmin(np.append((path[::-1] == 1) | (path[::-1] == 2), False)))
                for path in paths
            ]
        )
        on = (paths[:, -1] == 1) | (paths[:, -1] == 2)
        brute = [mass[on & (began == day)].sum() for day in range(5)]
        assert weights[unit] == pytest.approx(brute)


def test_the_stand_in_is_never_to_blame_however_many_failures_it_gathers() -> None:
    """A big fleet's unsuspected vehicles share one stand-in, which gathers hundreds of failures a
    day.

    It stays off, and an EVSE that begins to fail half of its comers is still found by them.
    """
    days, evses, comers = 12, 40, 60
    rng = np.random.default_rng(5)
    e, t = (
        axis.ravel().repeat(comers)
        for axis in np.meshgrid(np.arange(evses), np.arange(days), indexing="ij")
    )
    failed = rng.random(len(e)) < np.where((e == 0) & (t >= days // 2), 0.5, 4 * BASE)
    kinds, failures = problem(np.full(len(e), 1), e, t, failed, (1, evses, days))
    beliefs = exchange(kinds, failures, passes=100, damping=0.4)
    assert np.bincount(failures.day).min() > 300
    assert (beliefs.belief[0][-1] @ VEHICLE.fault_mask).max() == 0.0
    assert (beliefs.belief[1][0, -1] @ EVSE.fault_mask) > 0.95
