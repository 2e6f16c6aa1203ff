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
    MOST_TOLD,
    UNTOLD,
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
