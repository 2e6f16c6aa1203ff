"""How timers show, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.attribute.timers import (
    ASSUMED_CHARGES,
    ASSUMED_DRIVERS,
    LATE_BY_TIMER,
    MOST_BY_TIMER,
    TIMERS,
    Starts,
    Timers,
    learn_timers,
)


def starts(*counts: tuple[float, float]) -> Starts:
    """Vehicles by (late, charged)."""
    late, charged = np.array(counts).T
    return Starts(charged, late)


def test_late_starts_make_a_habit_likelier_and_their_absence_halves_it() -> None:
    """Half of the habits are timers': 0.5 + 0.5 · 25 for one late start alone, 0.5 at last for none (derived)."""
    factor = Timers().habit(starts((0, 0), (1, 1), (0, 100), (9, 9)))
    assert factor == pytest.approx([1.0, 13.0, 0.5, 0.5 + 0.5 * MOST_BY_TIMER])


def test_where_all_with_the_habit_start_late_now_and_then_who_never_does_has_it_hardly() -> None:
    """Derived: 90 drivers with the habit, each with many late starts: (10 · 0.5 + 90) / 100 of the habits are timers'."""
    fleet = starts(*[(25, 100)] * 90, (0, 40))
    learnt = learn_timers(fleet, np.append(np.ones(90), 0.0), Timers())
    assert learnt.share == pytest.approx(
        (ASSUMED_DRIVERS * TIMERS + 90) / (ASSUMED_DRIVERS + 90), abs=1e-3
    )
    assert learnt.late == pytest.approx(0.25, abs=1e-3)
    assert learnt.habit(fleet)[-1] == pytest.approx(1 - learnt.share, abs=1e-3)


def test_where_nobody_starts_late_the_habit_is_no_timers() -> None:
    """Derived: 90 drivers with the habit and a hundred prompt charges each leave 5 of 100 to timers."""
    learnt = learn_timers(starts(*[(0, 100)] * 90), np.ones(90), Timers())
    assert learnt.share == pytest.approx(0.05, abs=1e-3)
    assert learnt.habit(starts((0, 40)))[0] > 0.94


def test_late_and_prompt_starts_weigh_by_hand() -> None:
    """One late of three: 0.25 / 0.01 for it, 0.75 / 0.99 for each of the others; of 90 such drivers half of whose charges begin late
    (20 · 0.25 + 90 · 50) / (20 + 90 · 100) are late by a timer (derived).
    """
    assert Timers().likelier(starts((1, 3))) == pytest.approx([25 * (0.75 / 0.99) ** 2])
    learnt = learn_timers(starts(*[(50, 100)] * 90), np.ones(90), Timers())
    assert learnt.late == pytest.approx((20 * 0.25 + 90 * 50) / (20 + 90 * 100), abs=1e-3)


def test_a_fleet_without_the_habit_teaches_nothing() -> None:
    """What is assumed stands."""
    learnt = learn_timers(starts((0, 30), (2, 8)), np.zeros(2), Timers())
    assert (learnt.share, learnt.late) == (TIMERS, LATE_BY_TIMER)
    assert ASSUMED_CHARGES > 0
