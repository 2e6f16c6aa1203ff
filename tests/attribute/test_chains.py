"""The chains of states: their laws, and enumeration over all paths."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from pipeline.attribute.states.event_chains import EventChains, Slots
from pipeline.attribute.states.joint_chains import smooth_tied
from pipeline.attribute.states.model import (
    LEARN_DOWN,
    LEARN_UP,
    PRIOR_FAULTS,
    learnt_prior,
    state_model,
)
from pipeline.attribute.states.smoothing import smooth
from pipeline.settings.attribute import AttributeSettings, FaultState, StatePrior, UsualState

SETTINGS = AttributeSettings()
PRIORS = (SETTINGS.vehicle, SETTINGS.evse, SETTINGS.pairing, SETTINGS.site, SETTINGS.place)
NAMES = ("vehicle", "evse", "pairing", "site", "place")
TYPICAL = 0.02
SMALL = state_model(
    StatePrior(
        faults=(
            FaultState(loud=0.9, share=0.7, days_on=5),
            FaultState(loud=0.4, share=0.3, days_on=4),
        ),
        usual=(UsualState(loud=0.1, share=0.05),),
        prevalence=0.2,
        prior_units=10,
    ),
    SETTINGS,
    TYPICAL,
)


@pytest.mark.parametrize("prior", PRIORS, ids=NAMES)
def test_the_chain_says_what_its_settings_say(prior: StatePrior) -> None:
    """At a random time the declared share is in each fault; a relative fault is in multiples of
    the usual chance; rows and beginnings sum to 1.
    """
    model = state_model(prior, SETTINGS, TYPICAL)
    count = len(prior.faults)
    assert model.initial.sum() == pytest.approx(1.0)
    assert model.transition.sum(axis=1) == pytest.approx(1.0)
    assert (model.transition >= 0).all()
    assert model.initial[1 : 1 + count] == pytest.approx(
        [prior.prevalence * f.share for f in prior.faults]
    )
    want = [f.loud * (TYPICAL if f.relative else 1.0) for f in prior.faults]
    assert model.loud[1 : 1 + count] == pytest.approx(want)
    assert model.silent[1 : 1 + count] == pytest.approx([f.silent for f in prior.faults])
    assert model.fault_mask.sum() == count
    assert model.states == 1 + count + len(prior.usual) + prior.mends


@pytest.mark.parametrize("prior", PRIORS, ids=NAMES)
def test_the_share_at_fault_hardly_moves_in_a_day(prior: StatePrior) -> None:
    """Balance: about as many units fall faulty a day as are repaired (derived), unless more are
    declared to.
    """
    model = state_model(prior.model_copy(update={"onset_days": None}), SETTINGS, TYPICAL)
    after = model.initial @ model.transition
    before = model.initial @ model.fault_mask
    assert after @ model.fault_mask == pytest.approx(before, rel=0.05, abs=1e-9)


def test_faults_may_begin_oftener_than_they_go_away_by_themselves() -> None:
    """With `onset_days` the prevalence is reached again in so many days (derived)."""
    prior = SETTINGS.vehicle.model_copy(update={"onset_days": 60.0})
    model = state_model(prior, SETTINGS, TYPICAL)
    begins = model.transition[0] @ model.fault_mask
    assert begins == pytest.approx(prior.prevalence / (1 - prior.prevalence) / 60.0)


def test_what_comes_and_goes_has_a_rhythm_of_its_own() -> None:
    """Settings: equipment bites and rests by the day, or by the week; the mean of a stretch is one over the chance that it ends."""
    prior = SETTINGS.evse
    model = state_model(prior, SETTINGS, 0.02)
    bites = np.flatnonzero(model.of_character("intermittent"))
    rests = np.flatnonzero(model.of_character("resting"))
    assert len(bites) == len(rests) == 2
    stays = 1.0 - 1.0 / 120  # of a day, not mended
    ends = [
        (model.transition[b, r] / stays, model.transition[r, b] / stays)
        for b, r in zip(bites, rests, strict=True)
    ]
    assert ends[0] == pytest.approx((1 / SETTINGS.bite_days, 1 / SETTINGS.rest_days))
    assert ends[1] == pytest.approx((1 / 6, 1 / 6))
    assert model.transition[bites[0], rests[1]] == model.transition[bites[1], rests[0]] == 0.0


def test_what_comes_and_goes_rests_between_two_bites_and_is_never_taken_up_resting() -> None:
    """An intermittent fault begins biting, rests, bites again; both count as at fault."""
    model = state_model(SETTINGS.vehicle, SETTINGS, TYPICAL)
    bites = int(np.flatnonzero(model.of_character("intermittent"))[0])
    rests = int(np.flatnonzero(model.of_character("resting"))[0])
    assert model.transition[0, rests] == 0.0
    assert model.transition[0, bites] > 0.0
    assert model.transition[bites, rests] > model.transition[bites, 0]
    assert model.transition[rests, bites] > 0.1
    assert model.fault_mask[[bites, rests]].tolist() == [1.0, 1.0]


def test_severity_changes_but_not_what_is_broken() -> None:
    """A fault seen only by a diode check, or only at sockets, becomes no fault of another sort."""
    model = state_model(SETTINGS.vehicle, SETTINGS, TYPICAL)
    faults = slice(1, 1 + len(SETTINGS.vehicle.faults))
    step, where = model.transition[faults, faults], model.where[faults]
    assert (step[where[:, None] != where[None, :]] == 0).all()
    assert step[0, 1] > 0


def test_a_usual_rate_is_never_taken_up() -> None:
    """A rate a unit has all along is there from the first day, and only left for a fault."""
    model = state_model(SETTINGS.vehicle, SETTINGS, TYPICAL)
    own = np.flatnonzero((model.fault_mask == 0) & (model.usual == 0))
    others = np.setdiff1d(np.arange(model.states), own)
    assert len(own) == len(SETTINGS.vehicle.usual)
    assert (model.transition[np.ix_(others, own)] == 0).all()
    assert (model.transition[np.ix_(own, np.flatnonzero(model.usual))] == 0).all()


def test_a_step_of_days_is_as_many_days() -> None:
    """Two days are a day twice; half a day twice is nearly a day."""
    assert SMALL.paced(2.0).transition == pytest.approx(SMALL.transition @ SMALL.transition)
    half = SMALL.paced(0.5).transition
    assert half @ half == pytest.approx(SMALL.transition, abs=0.02)
    assert half.sum(axis=1) == pytest.approx(1.0)


def test_smoothing_equals_the_sum_over_all_paths() -> None:
    """Beliefs and filtered probabilities of each day against enumeration of all paths.

    A day's constant changes nothing.
    """
    rng = np.random.default_rng(2)
    days, states = 4, SMALL.states
    evidence = rng.normal(0, 2, (3, days, states))
    seen = smooth(evidence, SMALL.initial, SMALL.transition)
    shifted = smooth(evidence + rng.normal(0, 50, (3, days, 1)), SMALL.initial, SMALL.transition)
    assert shifted.belief == pytest.approx(seen.belief)
    for unit in range(3):
        belief = np.zeros((days, states))
        for path in product(range(states), repeat=days):
            mass = SMALL.initial[path[0]]
            for day, state in enumerate(path):
                step = SMALL.transition[path[day - 1], state] if day else 1.0
                mass *= np.exp(evidence[unit, day, state]) * step
            for day, state in enumerate(path):
                belief[day, state] += mass
        assert seen.belief[unit] == pytest.approx(belief / belief.sum(axis=1, keepdims=True))


@pytest.mark.parametrize("rivals", [1, 2])
def test_tied_chains_equal_one_chain_of_their_product(rivals: int) -> None:
    """Walked from one common event to the next, each by itself between them: the Kronecker product of all over all days."""
    rng = np.random.default_rng(rivals)
    units, days, sizes = 5, 12, (SMALL.states, 3, 2)[: rivals + 1]
    starts = [SMALL.initial, rng.dirichlet(np.ones(3), units), np.array([0.9, 0.1])][: rivals + 1]
    steps = [SMALL.transition, *(rng.dirichlet(np.ones(n), n) for n in sizes[1:])]
    alone = [rng.normal(0, 2, (units, days, size)) for size in sizes]
    unit = np.array(
        [0, 1, 1, 1, 2, 2, 3, 3, 3, 3, 4]
    )  # one event, several, two a day, on the first and last
    day = np.array([3, 0, 4, 11, 7, 7, 2, 3, 4, 10, 11])
    events = rng.normal(0, 2, (len(unit), *sizes))
    slots = Slots.of(unit, day, days)
    chains = [
        EventChains.of(logs, start, step, slots)
        for logs, start, step in zip(alone, starts, steps, strict=True)
    ]
    whole = np.zeros((units, days, *sizes))
    for axis, logs in enumerate(alone):
        whole += logs.reshape(units, days, *(n if a == axis else 1 for a, n in enumerate(sizes)))
    np.add.at(whole, (unit, day), events)
    tied = whole[slots.unit[slots.rank], slots.day]
    ours = smooth_tied(alone[0], starts[0], steps[0], chains, tied)
    initial, step = np.ones((units, 1)), np.ones((1, 1))
    for start, own in zip(starts, steps, strict=True):
        part = np.broadcast_to(start, (units, len(own)))
        initial = (initial[:, :, None] * part[:, None]).reshape(units, -1)
        step = np.kron(step, own)
    belief = smooth(whole.reshape(units, days, -1), initial, step).belief
    assert ours == pytest.approx(belief.reshape(units, days, sizes[0], -1).sum(axis=3), abs=1e-12)


def test_each_unit_may_begin_in_its_own_way() -> None:
    """Initial probabilities given unit by unit."""
    initial = np.eye(SMALL.states)[[1, 2]]
    seen = smooth(np.zeros((2, 2, SMALL.states)), initial, SMALL.transition)
    assert seen.belief[:, 0] == pytest.approx(initial)
    assert seen.belief[:, 1] == pytest.approx(initial @ SMALL.transition)


def test_the_fleet_moves_the_prior_by_the_units_it_rests_on() -> None:
    """Seen and assumed prevalence averaged by units; shares by faults seen (derived)."""
    prior = SETTINGS.evse
    count = len(prior.faults)
    seen = np.zeros(2 + count)
    seen[1], seen[2] = 6.0, 3.0
    units = 150
    learnt = learnt_prior(prior, seen, units)
    want = (prior.prior_units * prior.prevalence + 9.0) / (prior.prior_units + units)
    assert learnt.prevalence == pytest.approx(want)
    share = (PRIOR_FAULTS * prior.faults[0].share + 6.0) / (PRIOR_FAULTS + 9.0)
    assert learnt.faults[0].share == pytest.approx(share)
    assert sum(f.share for f in learnt.faults) == pytest.approx(1.0)


def test_a_prevalence_moves_only_so_far() -> None:
    """All units at fault at once is an epidemic nobody believes; none is no proof that none is."""
    prior = SETTINGS.vehicle
    everyone = np.zeros(2 + len(prior.faults) + len(prior.usual))
    everyone[1] = 1e6
    assert learnt_prior(prior, everyone, 10**6).prevalence == pytest.approx(
        prior.prevalence * LEARN_UP
    )
    assert learnt_prior(prior, 0 * everyone, 10**6).prevalence == pytest.approx(
        prior.prevalence / LEARN_DOWN
    )
