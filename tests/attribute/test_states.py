"""Messages: exact where no loop is, sums by unit and day, and the kind narrowed to its suspects."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.attribute.states.exchange import AT_REST, exchange
from pipeline.attribute.states.joint import LEAST_SCORE, rivals_of
from pipeline.attribute.states.messages import (
    NEVER,
    Events,
    Kind,
    narrowed,
    state_escape,
    told_by_day,
)
from pipeline.attribute.states.model import StateModel, state_model
from pipeline.settings.attribute import AttributeSettings
from tests.attribute.test_exact import BASE, EVSE, LEVELS, PAIRING, VEHICLE, exact

SETTINGS = AttributeSettings()


def test_a_diode_fault_bites_in_proportion_to_the_chance_that_somebody_looks() -> None:
    """1 - q by state: diode states by level x chance, others by level; a silence meets the share
    of silence instead.
    """
    model = state_model(SETTINGS.vehicle, SETTINGS, 0.03)
    escape = state_escape(
        model, np.array([[1, 0.98, 0], [1, 0, 1], [1, 0.98, 1]]), np.array([False, False, True])
    )
    assert escape[0] == pytest.approx(1 - model.loud * np.array([1, 0.98, 0])[model.where])
    assert escape[1] == pytest.approx(1 - model.loud * np.array([1, 0, 1])[model.where])
    assert escape[2] == pytest.approx(1 - model.silent)
    assert escape[:, [0, -1]].tolist() == [[1.0, 1.0]] * 3


def test_what_speaks_against_the_drivers_wish_speaks_against_a_habit() -> None:
    """Odds of a habit's silence are divided by eight at log 8; a fault's share of silence stays."""
    model = state_model(SETTINGS.vehicle, SETTINGS, 0.03)
    silent, wish = np.array([True, True]), np.array([0.0, np.log(8.0)])
    plain, spoken = 1 - state_escape(model, np.ones((2, 3)), silent, wish)
    assert plain == pytest.approx(model.silent)
    habits = (model.fault_mask == 0) & (model.silent > 0)
    assert habits.any()
    assert spoken[~habits] == pytest.approx(model.silent[~habits])
    odds = plain[habits] / (1 - plain[habits])
    assert spoken[habits] / (1 - spoken[habits]) == pytest.approx(odds / 8)


def kind(
    name: str, unit: list[int], units: int, model: StateModel, days: int, trust: float = 1.0
) -> Kind:
    """A kind whose units had no success; a stand-in last."""
    quiet = np.zeros((units + 1, days, 4))
    quiet[-1, :, 1:] = NEVER
    escape = np.tile(np.append(1.0, 1.0 - LEVELS), (len(unit), 1))
    return Kind(name, quiet, np.array(unit), escape, np.full(len(unit), trust), model)


def failures(day: list[int]) -> Events:
    """Failures with the usual chance."""
    return Events(np.array(day, dtype=np.int64), np.full(len(day), BASE), np.arange(len(day)))


def test_messages_are_exact_where_units_meet_but_once() -> None:
    """One failure ties a vehicle, an EVSE and a pairing: without a loop sum-product is exact
    (Kschischang 2001, from memory).

    Successes of each are in the evidence too.
    """
    days = 3
    kinds = tuple(
        kind(name, [0], 1, model, days)
        for name, model in (("vehicle", VEHICLE), ("evse", EVSE), ("pairing", PAIRING))
    )  # fmt: skip
    for one, charges in zip(kinds, (1, 3, 5), strict=True):
        one.success_loglik[0, 0] = charges * np.log(np.append(1.0, 1.0 - LEVELS))
    failed = failures([1])
    beliefs = exchange(kinds, failed, passes=300, damping=0.0)
    truth = exact(kinds, failed, days)
    for ours, want in zip(beliefs.belief, truth, strict=True):
        assert ours[0] == pytest.approx(want, abs=1e-4)
    assert beliefs.moved <= AT_REST
    # the expected escape of each, its own failure left out, is what it was before the failure was
    # seen
    before = exact(kinds, failures([]), days)
    for escape, belief in zip(beliefs.escapes, before, strict=True):
        assert escape[0] == pytest.approx(belief[1] @ np.append(1.0, 1.0 - LEVELS), abs=1e-4)


def test_a_kind_too_large_for_its_chains_is_smoothed_over_all_days(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The same answer, more slowly; a few units at a time."""
    days, rng = 6, np.random.default_rng(1)
    kinds = tuple(
        kind(name, rng.integers(0, 4, 9).tolist(), 4, model, days)
        for name, model in (("vehicle", VEHICLE), ("evse", EVSE), ("pairing", PAIRING))
    )
    failed = failures(rng.integers(0, days, 9).tolist())
    told = exchange(kinds, failed, passes=30, damping=0.4)
    monkeypatch.setattr("pipeline.attribute.states.parts.MOST_NUMBERS", 0)
    monkeypatch.setattr("pipeline.attribute.states.parts.UNITS_AT_ONCE", 3)
    slowly = exchange(kinds, failed, passes=30, damping=0.4)
    for fast, slow in zip(told.belief, slowly.belief, strict=True):
        assert slow == pytest.approx(fast, abs=1e-12)


def test_messages_of_one_unit_and_day_add_up() -> None:
    """Sums by unit and day; what is said of 'off' is nought by definition."""
    mine = kind("vehicle", [0, 0, 1, 0], 2, VEHICLE, 3)
    messages = np.arange(16.0).reshape(4, 4)
    messages[:, 0] = 0.0
    total = told_by_day(mine, failures([0, 0, 2, 1]), messages) - mine.success_loglik
    assert total.shape == (3, 3, 4)
    assert total[0, 0].tolist() == [0.0, 6.0, 8.0, 10.0]
    assert total[0, 1].tolist() == messages[3].tolist()
    assert total[1, 2].tolist() == messages[2].tolist()
    assert total.sum() == messages.sum()


def test_a_narrowed_kind_keeps_its_suspects_and_gathers_the_rest_in_the_stand_in() -> None:
    """Suspects in their order, all others one unit that is never on; failures as chosen."""
    mine = kind("vehicle", [2, 0, 1, 2], 3, VEHICLE, 2, trust=0.5)
    mine.success_loglik[2, 1] = [0.0, -1.0, -2.0, -3.0]
    part = narrowed(mine, np.array([2]), np.array([0, 2]))
    assert part.unit.tolist() == [0, 1]
    assert part.success_loglik.shape == (2, 2, 4)
    assert part.success_loglik[0].tolist() == mine.success_loglik[2].tolist()
    assert part.success_loglik[1].tolist() == [[0.0, NEVER, NEVER, NEVER]] * 2
    assert part.trust.tolist() == [0.5, 0.5]
    assert part.escape.shape == (2, 4)


def test_a_failure_of_no_trust_says_nothing() -> None:
    """Weight 0: beliefs are those of the prior."""
    kinds = tuple(
        kind(name, [0], 1, model, 2, trust=0.0)
        for name, model in (("vehicle", VEHICLE), ("evse", EVSE), ("pairing", PAIRING))
    )  # fmt: skip
    beliefs = exchange(kinds, failures([0]), passes=50, damping=0.4)
    for ours, model in zip(beliefs.belief, (VEHICLE, EVSE, PAIRING), strict=True):
        assert ours[0, 0] == pytest.approx(model.initial)


def test_the_closest_rival_is_who_could_explain_most() -> None:
    """Per suspect the partner with the highest sum of bound x trust over shared failures.

    None below a fifth of a failure.
    """
    focal = kind("vehicle", [0, 0, 0, 1, 2, 2], 3, VEHICLE, 2)
    other = kind("evse", [0, 1, 1, 0, 1, 2], 2, EVSE, 2)  # the last failure is with the stand-in
    bound = np.array([[0.9, 0.9], [0.5, 0.6], [1.0, 1.0]])
    day = failures([0, 0, 1, 0, 0, 0])

    def closest(mine: Kind, most: np.ndarray) -> list[int]:
        found = rivals_of((mine, other), day, (most, most), 0)
        return np.where(found.score[0] > LEAST_SCORE, found.unit[0], 2).tolist()

    assert closest(focal, bound) == [1, 0, 1, 2]
    assert closest(focal, np.where(bound == 0.9, LEAST_SCORE, bound)) == [1, 2, 1, 2]
    unsure = kind("vehicle", [0, 0, 0, 1, 2, 2], 3, VEHICLE, 2, trust=0.3)
    assert closest(unsure, bound) == [1, 0, 2, 2]


def test_a_suspect_is_solved_with_its_two_closest_rivals_of_any_kind() -> None:
    """Of three other kinds the two that could explain most; one that could explain nothing never."""
    kinds = tuple(
        kind(name, [0, 0, 0], 1, model, 2)
        for name, model in zip("abcd", (VEHICLE, EVSE, PAIRING, EVSE), strict=True)
    )
    bounds = tuple(np.full((2, 2), most) for most in (0.9, 0.3, 0.8, 0.02))
    found = rivals_of(kinds, failures([0, 0, 1]), bounds, 0)
    assert found.kinds == (1, 2, 3)
    assert found.closest()[:, 0].tolist() == [True, True, False]
