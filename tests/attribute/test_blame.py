"""Shares of blame against sums over all joint states."""

from __future__ import annotations

from itertools import product

import numpy as np

from pipeline.attribute.baseline import Chance
from pipeline.attribute.blame import shares
from pipeline.attribute.chains import habits
from pipeline.attribute.evidence import gather
from pipeline.attribute.states import Failures, Kind
from pipeline.settings.attribute import AttributeSettings
from tests.attribute.planted import WEEK, Plan, plant

SETTINGS = AttributeSettings()


def test_shares_equal_the_sum_over_all_joint_states() -> None:
    """Ten vehicle, eight EVSE and seven pairing states, each a cause with a hazard: the race summed state by state (derived).

    Failures with weight 0 keep their units' beliefs as they are, so that the race alone is compared.
    """
    rng = np.random.default_rng(1)
    evidence = gather(plant(Plan(vehicles=6, evses=3, days=28, base=0.4)), SETTINGS, WEEK, "AC", 12)
    row = np.flatnonzero(evidence.failed > 0)[:40]
    evidence = evidence.only(np.isin(np.arange(len(evidence.failed)), row))
    count = len(row)
    assert count == 40
    evidence.previous[:] = -1
    kinds, beliefs = [], []
    for name, prior in (("vehicle", SETTINGS.vehicle), ("evse", SETTINGS.evse), ("pairing", SETTINGS.pairing)):
        escape = np.append(np.ones((count, 1)), 1.0 - rng.uniform(0, 0.97, (count, prior.states - 1)), axis=1)
        kinds.append(
            Kind(name, np.zeros((1, 1, prior.states)), np.arange(count), escape, np.zeros(count), habits(prior, SETTINGS))
        )
        beliefs.append(rng.dirichlet(np.full(prior.states, 0.3), (count, 1)))
    base = rng.uniform(0.002, 0.4, count)
    failures = Failures(np.zeros(count, dtype=np.int64), base, np.ones(count), np.arange(count))
    ours = shares(tuple(kinds), failures, tuple(beliefs), evidence, Chance(base, base, np.zeros(4), np.zeros(1), None))
    expected = np.zeros((4, count))
    for states in product(*(range(k.escape.shape[1]) for k in kinds)):
        hazard = np.array([-np.log(k.escape[:, s]) for k, s in zip(kinds, states, strict=True)])
        fault = hazard * np.array([k.habits.on[s] for k, s in zip(kinds, states, strict=True)])[:, None]
        total = hazard.sum(axis=0) - np.log1p(-base)
        weight = np.prod([b[:, 0, s] for b, s in zip(beliefs, states, strict=True)], axis=0) * -np.expm1(-total) / total
        expected += weight * np.append(fault, (total - fault.sum(axis=0))[None], axis=0)
    assert np.abs(ours.blame - expected / expected.sum(axis=0)).max() < 1e-9
