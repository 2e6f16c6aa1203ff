"""The chains of fault states.

Their laws, enumeration over all paths, and counts where the states are certain.
"""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from pipeline.attribute.states.smoothing import (
    LEARN_DOWN,
    LEARN_UP,
    StateModel,
    Strengths,
    learn,
    smooth,
    state_model,
)
from pipeline.settings.attribute import AttributeSettings, StatePrior

SETTINGS = AttributeSettings()
PRIORS = (SETTINGS.vehicle, SETTINGS.evse, SETTINGS.pairing)
CERTAIN = 200.0
"""Log evidence that leaves no doubt."""


@pytest.mark.parametrize("prior", PRIORS)
def test_the_prior_says_what_its_settings_say(prior: StatePrior) -> None:
    """At a random time `prevalence` of the units is on; a fault lasts `days_on` days on average.

    Shares sum to 1.
    """
    model = state_model(prior, SETTINGS)
    assert model.initial @ model.fault_mask == pytest.approx(prior.prevalence)
    assert model.initial.sum() == pytest.approx(1.0)
    assert len(model.initial) == len(model.fault_mask) == prior.states
    assert 1.0 / model.repair == pytest.approx(prior.days_on)
    assert model.shares == pytest.approx(np.array(prior.shares) / sum(prior.shares))
    assert model.chronic.sum() == pytest.approx(prior.chronic_share if prior.chronic_rates else 0.0)
    assert (model.change, model.relapse, model.settle) == (
        SETTINGS.level_change_per_day, SETTINGS.relapse_per_day, SETTINGS.settle_per_day,
    )  # fmt: skip
    on = slice(1, 1 + len(prior.levels))
    assert model.initial[on] == pytest.approx(prior.prevalence * model.shares)
    sound = model.initial[model.fault_mask == 0][:-1]
    assert sound[1:] / sound.sum() == pytest.approx(model.chronic)


@pytest.mark.parametrize("prior", PRIORS)
def test_a_day_moves_no_more_units_in_than_out(prior: StatePrior) -> None:
    """Balance: as many units are mended a day as stop counting as mended, and as many fall faulty
    as are mended (derived).

    Those just mended relapse oftener than the sound fall faulty; they are few, so the balance of
    faults holds within them.
    """
    model = state_model(prior, SETTINGS)
    after = model.initial @ model.transition
    assert after[-1] == pytest.approx(model.initial[-1])
    assert after @ model.fault_mask == pytest.approx(
        prior.prevalence, abs=model.initial[-1] * model.relapse
    )


@pytest.mark.parametrize("prior", PRIORS)
def test_a_day_of_each_state(prior: StatePrior) -> None:
    """Rows sum to 1; a habit is never taken up and only left for a fault.

    After a fault comes 'mended', never 'off'.
    """
    model = state_model(prior, SETTINGS)
    step, size = model.transition, len(prior.levels)
    on, habitual = slice(1, 1 + size), slice(1 + size, 1 + size + len(prior.chronic_rates))
    assert step.sum(axis=1) == pytest.approx(1.0)
    assert step[0, on] == pytest.approx(model.onset * model.shares)
    assert step[0, 0] == pytest.approx(1.0 - model.onset)
    assert step[habitual, on] == pytest.approx(
        np.tile(model.onset * model.shares, (len(prior.chronic_rates), 1))
    )
    assert np.diag(step)[habitual] == pytest.approx(1.0 - model.onset)
    assert (step[on, 0] == 0).all()
    assert step[on, -1] == pytest.approx(model.repair)
    stay = (1 - model.repair) * (1 - model.change * (1 - model.shares))
    assert np.diag(step)[on] == pytest.approx(stay)
    assert step[1, 2] == pytest.approx((1 - model.repair) * model.change * model.shares[1])
    assert step[-1, [0, -1]] == pytest.approx([model.settle, 1.0 - model.settle - model.relapse])
    assert step[-1, on] == pytest.approx(model.relapse * model.shares)
    assert model.fault_mask.tolist() == [0.0] + [1.0] * size + [0.0] * (
        len(prior.chronic_rates) + 1
    )


def test_a_step_of_several_days_leaves_as_many_untouched_as_single_days_do() -> None:
    """Who neither falls ill nor is mended, changes, relapses or settles over three days.

    (1 - rate)^3; one day is itself.
    """
    model = state_model(SETTINGS.vehicle, SETTINGS)
    slow, same = model.paced(3.0), model.paced(1.0)
    for name in ("onset", "repair", "change", "relapse", "settle"):
        assert 1.0 - getattr(slow, name) == pytest.approx((1.0 - getattr(model, name)) ** 3)
        assert getattr(same, name) == pytest.approx(getattr(model, name))
    assert slow.shares is model.shares
    assert slow.chronic is model.chronic


SMALL = StateModel(0.1, 0.3, np.array([0.7, 0.3]), 0.2, np.array([0.05]), 0.06, 0.15)


def test_smoothing_equals_the_sum_over_all_paths() -> None:
    """Beliefs and filtered probabilities of each day against enumeration of all paths.

    A day's constant changes nothing.
    """
    rng = np.random.default_rng(2)
    days, states = 4, 5
    evidence = rng.normal(0, 2, (3, days, states))
    seen = smooth(evidence, SMALL.initial, SMALL.transition)
    shifted = smooth(evidence + rng.normal(0, 50, (3, days, 1)), SMALL.initial, SMALL.transition)
    assert shifted.belief == pytest.approx(seen.belief)
    for unit in range(3):
        belief, ahead = np.zeros((days, states)), np.zeros((days, states))
        for path in product(range(states), repeat=days):
            mass = SMALL.initial[path[0]]
            for day, state in enumerate(path):
                mass *= np.exp(evidence[unit, day, state]) * (
                    SMALL.transition[path[day - 1], state] if day else 1.0
                )
            for day, state in enumerate(path):
                belief[day, state] += mass
        for end in range(1, days + 1):
            for path in product(range(states), repeat=end):
                mass = SMALL.initial[path[0]]
                for day, state in enumerate(path):
                    mass *= np.exp(evidence[unit, day, state]) * (
                        SMALL.transition[path[day - 1], state] if day else 1.0
                    )
                ahead[end - 1, path[-1]] += mass
        assert seen.belief[unit] == pytest.approx(belief / belief.sum(axis=1, keepdims=True))
        assert seen.forward[unit] == pytest.approx(ahead / ahead.sum(axis=1, keepdims=True))


def test_each_unit_may_begin_in_its_own_way() -> None:
    """Initial probabilities given unit by unit."""
    initial = np.array([[0, 1.0, 0, 0, 0], [0, 0, 1.0, 0, 0]])
    seen = smooth(np.zeros((2, 2, 5)), initial, SMALL.transition)
    assert seen.belief[:, 0] == pytest.approx(initial)
    assert seen.belief[:, 1] == pytest.approx(initial @ SMALL.transition)


def certain(paths: list[list[int]], states: int) -> np.ndarray:
    """Evidence that leaves no doubt of each unit's path."""
    evidence = np.zeros((len(paths), len(paths[0]), states))
    for unit, path in enumerate(paths):
        for day, state in enumerate(path):
            evidence[unit, day, state] = CERTAIN
    return evidence


def test_what_is_learnt_from_certain_states_is_counted() -> None:
    """Two onsets, one repair, faults of both severities, and units set aside as sound: counts over
    days, priors added (derived).

    Onsets are counted among sound units only (a relapse of one just mended is none); a fault there
    on day 0 counts for the severities but is no onset.
    """
    days, others = 10, 6
    paths = [
        [0] * 4 + [1] * 6,  # one onset; six days on
        [0] * 2 + [2] * 3 + [4] * 5,  # one onset, one repair after three days
        [2] * 10,  # on from before
        [4] * 3 + [1] * 7,  # a relapse
        [3] * 10,  # a habit
    ]
    seen = smooth(certain(paths, 5), SMALL.initial, SMALL.transition)
    strengths = Strengths(units=4.0, faults=5.0, repairs=6.0)
    rows = slice(0, len(paths))
    learnt = learn(SMALL, seen, SMALL, rows, len(paths) + others, strengths)
    on_days = 5 + 3 + 9 + 6  # the last day has no day after it
    watched = (len(paths) + others) * (days - 1) - on_days
    assert learnt.onset == pytest.approx((2 + SMALL.onset * 4 * days) / (watched + 4 * days))
    assert learnt.repair == pytest.approx((1 + 6) / (on_days + 6 / SMALL.repair))
    counts = np.array([1.0, 1.0 + 1.0]) + 5 * SMALL.shares
    assert learnt.shares == pytest.approx(counts / counts.sum())
    assert (learnt.change, learnt.relapse, learnt.settle) == (
        SMALL.change,
        SMALL.relapse,
        SMALL.settle,
    )


def test_units_beyond_the_rows_say_nothing() -> None:
    """The stand-in behind the real units is not counted."""
    paths = [[0] * 10, [0] * 5 + [1] * 5]
    seen = smooth(certain(paths, 5), SMALL.initial, SMALL.transition)
    learnt = learn(SMALL, seen, SMALL, slice(0, 1), 1, Strengths(1.0, 1.0, 1.0))
    assert learnt.onset == pytest.approx(SMALL.onset * 10 / (9 + 10))
    assert learnt.repair == pytest.approx(SMALL.repair)
    assert learnt.shares == pytest.approx(SMALL.shares)


def test_the_rate_of_new_faults_moves_only_so_far() -> None:
    """All units falling ill at once is an epidemic nobody believes.

    None for long is no proof that none ever will.
    """
    rare = StateModel(0.001, 0.05, np.array([0.7, 0.3]), 0.02, np.array([0.05]), 0.03, 0.1)
    ill = smooth(certain([[0] * 5 + [1] * 5] * 50, 5), rare.initial, rare.transition)
    assert learn(
        rare, ill, rare, slice(0, 50), 50, Strengths(1.0, 1.0, 1.0)
    ).onset == pytest.approx(rare.onset * LEARN_UP)
    sound = smooth(certain([[0] * 10] * 2, 5), rare.initial, rare.transition)
    assert learn(
        rare, sound, rare, slice(0, 2), 10_000, Strengths(1.0, 1.0, 1.0)
    ).onset == pytest.approx(rare.onset / LEARN_DOWN)
