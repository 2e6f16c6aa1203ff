"""What the length of a silent stay tells, by counts done by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.attribute.stays import (
    ASSUMED_SILENCES,
    CLASSES,
    EVEN,
    GIVEN_UP,
    LEFT_LIKELIER,
    MOST_TOLD,
    UNTOLD,
    left_weights,
    stay_weights,
)

CHARGES = np.repeat(np.arange(CLASSES, dtype=np.int8), 100)  # a hundred of each class


def weights(silent: list[int], no_fault: list[float] | None) -> np.ndarray:
    """Of silences of these classes beside five hundred charges, evenly long."""
    stay = np.append(np.array(silent, dtype=np.int8), CHARGES)
    is_silent = np.arange(len(stay)) < len(silent)
    told = None if no_fault is None else np.append(no_fault, np.zeros(len(CHARGES)))
    return stay_weights(stay, is_silent, ~is_silent, told)


def test_before_anything_is_known_who_leaves_at_once_saw_that_nothing_happened() -> None:
    """Derived: with stays of charges even over the classes, 1/5 each, a fault has GIVEN_UP in the first and the rest as they are."""
    first = GIVEN_UP + (1 - GIVEN_UP) / CLASSES
    assert weights([], None) == pytest.approx(
        np.log([first * CLASSES, *[1 - GIVEN_UP] * (CLASSES - 1)])
    )


def test_a_class_that_no_charge_has_is_not_unheard_of() -> None:
    """Derived: charges all of an hour or two leave EVEN over the classes to the others."""
    stay = np.full(1000, 2, dtype=np.int8)
    told = stay_weights(stay, np.zeros(1000, dtype=bool), np.ones(1000, dtype=bool), None)
    rare = EVEN / CLASSES + (1 - EVEN) * (1 / CLASSES) / 1001
    assert told[0] == pytest.approx(
        min(np.log((GIVEN_UP + (1 - GIVEN_UP) * rare) / rare), MOST_TOLD)
    )


def test_a_fleet_whose_sound_drivers_leave_at_once_takes_nothing_from_it() -> None:
    """Derived: 1,000 silences under no fault, all of the first class: leaving at once speaks against a fault."""
    told = weights([0] * 1000, [1.0] * 1000)
    usual = (ASSUMED_SILENCES / CLASSES + 1000) / (ASSUMED_SILENCES + 1000)
    assert told[0] == pytest.approx(np.log((GIVEN_UP + (1 - GIVEN_UP) / CLASSES) / usual))
    assert told[0] < 0


def test_silences_laid_on_faults_teach_how_long_such_drivers_stay() -> None:
    """Derived: of 80 silences at nights 40 are faults': those stay the night, who has no wish then does not."""
    told = weights([4] * 40 + [1] * 40, [0.0] * 40 + [1.0] * 40)
    fault = (ASSUMED_SILENCES * (1 - GIVEN_UP) / CLASSES + 40) / (ASSUMED_SILENCES + 40)
    usual = ASSUMED_SILENCES / CLASSES / (ASSUMED_SILENCES + 40)
    assert told[4] == pytest.approx(min(np.log(fault / usual), MOST_TOLD))
    assert told[1] < 0 < told[4]


@given(
    st.lists(st.tuples(st.integers(UNTOLD, CLASSES - 1), st.floats(0, 1)), min_size=1, max_size=60)
)
def test_no_stay_tells_more_than_the_bound_and_one_without_an_end_teaches_nothing(
    seen: list[tuple[int, float]],
) -> None:
    """A law: bounded whatever was seen; stays that are not known change nothing."""
    classes, shares = [c for c, _ in seen], [s for _, s in seen]
    told = weights(classes, shares)
    assert np.all(np.abs(told) <= MOST_TOLD)
    known = [(c, s) for c, s in seen if c != UNTOLD]
    alone = weights([c for c, _ in known], [s for _, s in known])
    assert told == pytest.approx(alone)


def left(classes: list[int], no_fault: list[float] | None) -> np.ndarray:
    """Of silences that left with these classes of charge."""
    told = None if no_fault is None else np.array(no_fault)
    return left_weights(np.array(classes, dtype=np.int8), np.ones(len(classes), dtype=bool), told)


def test_a_low_battery_on_leaving_speaks_for_a_fault_and_a_high_one_against_it() -> None:
    """Before anything is known: nobody leaves nearly empty on purpose; with much in it he may have wanted no more (judgement)."""
    assert left([], None) == pytest.approx(np.log(LEFT_LIKELIER))


def test_where_all_leave_alike_the_charge_at_leaving_tells_nothing() -> None:
    """Derived: of 2,000 silences a half is low on either side; what was assumed of twenty is left of it, under a fiftieth."""
    told = left([0, 1] * 1000, [1.0, 1.0, 0.0, 0.0] * 500)
    assert np.abs(told[:2]).max() < 0.02


def test_where_those_without_a_wish_leave_full_the_charge_at_leaving_tells_much() -> None:
    """Derived: 300 silences under no fault all high, 100 under one all low, against twenty assumed on either side."""
    told = left([2] * 300 + [0] * 100, [1.0] * 300 + [0.0] * 100)
    usual = np.array([20 / 3, 20 / 3, 20 / 3 + 300]) / 320
    assumed = usual * LEFT_LIKELIER / (usual @ LEFT_LIKELIER)
    fault = (20 * assumed + np.array([100, 0, 0])) / 120
    assert told == pytest.approx(np.clip(np.log(fault / usual), -MOST_TOLD, MOST_TOLD))
    assert told[0] == MOST_TOLD


def test_a_battery_half_full_at_leaving_says_nothing_before_the_fleet_has() -> None:
    """Low speaks for a fault, nearly full for a wish, between for neither (judgement; derived from even shares)."""
    nobody = np.zeros(0, dtype=np.int8)
    told = left_weights(nobody, np.zeros(0, dtype=bool), None)
    assert told[1] == pytest.approx(0.0)
    assert told[0] > 0 > told[2]
