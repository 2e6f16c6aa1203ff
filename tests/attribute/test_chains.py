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
    Habits,
    Strengths,
    habits,
    learn,
    smooth,
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
    habit = habits(prior, SETTINGS)
    assert habit.initial @ habit.on == pytest.approx(prior.prevalence)
    assert habit.initial.sum() == pytest.approx(1.0)
    assert len(habit.initial) == len(habit.on) == prior.states
    assert 1.0 / habit.repair == pytest.approx(prior.days_on)
    assert habit.shares == pytest.approx(np.array(prior.shares) / sum(prior.shares))
    assert habit.habits.sum() == pytest.approx(prior.habit_share if prior.habits else 0.0)
    assert (habit.change, habit.relapse, habit.settle) == (
        SETTINGS.level_change_per_day, SETTINGS.relapse_per_day, SETTINGS.settle_per_day,
    )  # fmt: skip
    on = slice(1, 1 + len(prior.levels))
    assert habit.initial[on] == pytest.approx(prior.prevalence * habit.shares)
    sound = habit.initial[habit.on == 0][:-1]
    assert sound[1:] / sound.sum() == pytest.approx(habit.habits)


@pytest.mark.parametrize("prior", PRIORS)
def test_a_day_moves_no_more_units_in_than_out(prior: StatePrior) -> None:
    """Balance: as many units are mended a day as stop counting as mended, and as many fall faulty
    as are mended (derived).

    Those just mended relapse oftener than the sound fall faulty; they are few, so the balance of
    faults holds within them.
    """
    habit = habits(prior, SETTINGS)
    after = habit.initial @ habit.step
    assert after[-1] == pytest.approx(habit.initial[-1])
    assert after @ habit.on == pytest.approx(
        prior.prevalence, abs=habit.initial[-1] * habit.relapse
    )


@pytest.mark.parametrize("prior", PRIORS)
def test_a_day_of_each_state(prior: StatePrior) -> None:
    """Rows sum to 1; a habit is never taken up and only left for a fault.

    After a fault comes 'mended', never 'off'.
    """
    habit = habits(prior, SETTINGS)
    step, size = habit.step, len(prior.levels)
    on, habitual = slice(1, 1 + size), slice(1 + size, 1 + size + len(prior.habits))
    assert step.sum(axis=1) == pytest.approx(1.0)
    assert step[0, on] == pytest.approx(habit.onset * habit.shares)
    assert step[0, 0] == pytest.approx(1.0 - habit.onset)
    assert step[habitual, on] == pytest.approx(
        np.tile(habit.onset * habit.shares, (len(prior.habits), 1))
    )
    assert np.diag(step)[habitual] == pytest.approx(1.0 - habit.onset)
    assert (step[on, 0] == 0).all()
    assert step[on, -1] == pytest.approx(habit.repair)
    stay = (1 - habit.repair) * (1 - habit.change * (1 - habit.shares))
    assert np.diag(step)[on] == pytest.approx(stay)
    assert step[1, 2] == pytest.approx((1 - habit.repair) * habit.change * habit.shares[1])
    assert step[-1, [0, -1]] == pytest.approx([habit.settle, 1.0 - habit.settle - habit.relapse])
    assert step[-1, on] == pytest.approx(habit.relapse * habit.shares)
    assert habit.on.tolist() == [0.0] + [1.0] * size + [0.0] * (len(prior.habits) + 1)


def test_a_step_of_several_days_leaves_as_many_untouched_as_single_days_do() -> None:
    """Who neither falls ill nor is mended, changes, relapses or settles over three days.

    (1 - rate)^3; one day is itself.
    """
    habit = habits(SETTINGS.vehicle, SETTINGS)
    slow, same = habit.paced(3.0), habit.paced(1.0)
    for name in ("onset", "repair", "change", "relapse", "settle"):
        assert 1.0 - getattr(slow, name) == pytest.approx((1.0 - getattr(habit, name)) ** 3)
        assert getattr(same, name) == pytest.approx(getattr(habit, name))
    assert slow.shares is habit.shares
    assert slow.habits is habit.habits


SMALL = Habits(0.1, 0.3, np.array([0.7, 0.3]), 0.2, np.array([0.05]), 0.06, 0.15)


def test_smoothing_equals_the_sum_over_all_paths() -> None:
    """Beliefs and filtered probabilities of each day against enumeration of all paths.

    A day's constant changes nothing.
    """
    rng = np.random.default_rng(2)
    days, states = 4, 5
    evidence = rng.normal(0, 2, (3, days, states))
    seen = smooth(evidence, SMALL.initial, SMALL.step)
    shifted = smooth(evidence + rng.normal(0, 50, (3, days, 1)), SMALL.initial, SMALL.step)
    assert shifted.belief == pytest.approx(seen.belief)
    for unit in range(3):
        belief, ahead = np.zeros((days, states)), np.zeros((days, states))
        for path in product(range(states), repeat=days):
            mass = SMALL.initial[path[0]]
            for day, state in enumerate(path):
                mass *= np.exp(evidence[unit, day, state]) * (
                    SMALL.step[path[day - 1], state] if day else 1.0
                )
            for day, state in enumerate(path):
                belief[day, state] += mass
        for end in range(1, days + 1):
            for path in product(range(states), repeat=end):
                mass = SMALL.initial[path[0]]
                for day, state in enumerate(path):
                    mass *= np.exp(evidence[unit, day, state]) * (
                        SMALL.step[path[day - 1], state] if day else 1.0
                    )
                ahead[end - 1, path[-1]] += mass
        assert seen.belief[unit] == pytest.approx(belief / belief.sum(axis=1, keepdims=True))
        assert seen.ahead[unit] == pytest.approx(ahead / ahead.sum(axis=1, keepdims=True))


def test_each_unit_may_begin_in_its_own_way() -> None:
    """Initial probabilities given unit by unit."""
    initial = np.array([[0, 1.0, 0, 0, 0], [0, 0, 1.0, 0, 0]])
    seen = smooth(np.zeros((2, 2, 5)), initial, SMALL.step)
    assert seen.belief[:, 0] == pytest.approx(initial)
    assert seen.belief[:, 1] == pytest.approx(initial @ SMALL.step)


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
    seen = smooth(certain(paths, 5), SMALL.initial, SMALL.step)
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
    seen = smooth(certain(paths, 5), SMALL.initial, SMALL.step)
    learnt = learn(SMALL, seen, SMALL, slice(0, 1), 1, Strengths(1.0, 1.0, 1.0))
    assert learnt.onset == pytest.approx(SMALL.onset * 10 / (9 + 10))
    assert learnt.repair == pytest.approx(SMALL.repair)
    assert learnt.shares == pytest.approx(SMALL.shares)


def test_the_rate_of_new_faults_moves_only_so_far() -> None:
    """All units falling ill at once is an epidemic nobody believes.

    None for long is no proof that none ever will.
    """
    rare = Habits(0.001, 0.05, np.array([0.7, 0.3]), 0.02, np.array([0.05]), 0.03, 0.1)
    ill = smooth(certain([[0] * 5 + [1] * 5] * 50, 5), rare.initial, rare.step)
    assert learn(
        rare, ill, rare, slice(0, 50), 50, Strengths(1.0, 1.0, 1.0)
    ).onset == pytest.approx(rare.onset * LEARN_UP)
    sound = smooth(certain([[0] * 10] * 2, 5), rare.initial, rare.step)
    assert learn(
        rare, sound, rare, slice(0, 2), 10_000, Strengths(1.0, 1.0, 1.0)
    ).onset == pytest.approx(rare.onset / LEARN_DOWN)
