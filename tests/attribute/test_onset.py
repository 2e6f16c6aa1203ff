"""When a fault began: quantiles by hand, and a fault whose beginning leaves no doubt."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from pipeline.attribute.evidence import Evidence, Repairs
from pipeline.attribute.states.likelihood import Solved
from pipeline.attribute.states.model import state_model
from pipeline.attribute.states.onset import _quantile, onset_days
from pipeline.settings.attribute import AttributeSettings, FaultState, StatePrior
from tests.attribute.planted import END
from tests.attribute.test_evidence import evidence, tried

PRIOR = StatePrior(
    faults=(FaultState(loud=0.98, share=1.0, days_on=50),), prevalence=0.09, prior_units=10
)
MODEL = state_model(PRIOR, AttributeSettings(relapse_per_day=0.0, settle_per_day=0.1), 0.03)


@pytest.mark.parametrize(
    ("level", "day"),
    [(0.1, 1 + 60 * np.log(0.5)), (0.2, 1.0), (0.3, 2.0), (0.4, 3.0), (0.7, 5.0), (1.0, 7.0)],
)
def test_a_gap_holds_its_mass_evenly(level: float, day: float) -> None:
    """Mass 0.2 before day 1, 0.2 between days 1 and 3, 0.6 between days 3 and 7.

    Quantiles by straight lines, before the first attempt by an exponential law of 60 days (derived).
    """
    whole, at = np.array([[0.0, 0.2, 0.6]]), np.array([[1.0, 3.0, 7.0]])
    first = np.array([0])
    assert _quantile(whole, np.array([0.2]), at, first, level) == pytest.approx([day])


def test_padding_before_the_first_attempt_is_no_gap() -> None:
    """A unit of fewer attempts has empty columns first.

    What lies before its first attempt is 'before': it ends there, and its median and upper end no
    earlier than the logs begin.
    """
    whole, at = np.array([[0.0, 0.0, 1.0]]), np.array([[0.0, 4.0, 8.0]])
    first = np.array([1])
    assert _quantile(whole, np.array([0.0]), at, first, 0.5) == pytest.approx([6.0])
    early, none = np.array([1.0]), 0.0 * whole
    assert _quantile(none, early, at, first, 0.5) == pytest.approx([0.0])
    assert _quantile(none, early, at, first, 0.95) == pytest.approx([4 + 60 * np.log(0.95)])


def logged(outcomes: dict[str, list[tuple[float, bool]]]) -> Evidence:
    """Attempts of vehicles at the days given; True failed."""
    begin = END - timedelta(days=84)
    ends = {True: "failed", False: "charged"}
    plugged = [
        (vehicle, begin + timedelta(days=day), bad)
        for vehicle, told in outcomes.items()
        for day, bad in told
    ]
    return evidence([tried(vehicle, "e", at, outcome=ends[bad]) for vehicle, at, bad in plugged])


def test_a_fault_that_begins_between_a_charge_and_a_failure_began_there() -> None:
    """Charges to day 40, failures from day 44: the median lies in the middle of the gap and the
    interval in it.

    One that failed from its first attempt began before it; who is not asked for has no row.
    """
    times = np.arange(2.0, 80.0, 2.0)
    plan = {
        "a": [(float(t), bool(t >= 44)) for t in times if t != 42],
        "b": [(float(t), True) for t in times[5:]],
        "c": [(float(t), False) for t in times],
    }
    seen = logged(plan)
    others = np.full(len(seen.failed), 0.97)
    looks = np.ones((len(seen.failed), 3))
    found = onset_days(
        seen, seen.vehicle, Solved(looks, others), MODEL, np.array([0, 1]), (0.5, 0.05, 0.95)
    )
    assert found.units.tolist() == [0, 1]
    assert found.days.shape == (3, 2)
    assert found.days[0, 0] == pytest.approx(42.0, abs=0.3)
    assert 40.0 <= found.days[1, 0] <= 40.5
    assert 43.5 <= found.days[2, 0] <= 44.0
    assert found.days[:, 1] == pytest.approx(
        [0.0, 12 + 60 * np.log(0.05), 12 + 60 * np.log(0.95)], rel=0.02
    )


def test_an_attempt_of_no_weight_dates_nothing() -> None:
    """With the failures of days 44 to 48 distrusted the fault may have begun any time before the
    next.
    """
    times = np.arange(2.0, 80.0, 2.0)
    seen = logged({"a": [(float(t), bool(t >= 44)) for t in times]})
    doubted = replace(seen, weight=np.where((seen.at_days >= 44) & (seen.at_days < 50), 0.0, 1.0))
    others, looks = np.full(len(seen.failed), 0.97), np.ones((len(seen.failed), 3))
    sure = onset_days(
        seen, seen.vehicle, Solved(looks, others), MODEL, np.array([0]), (0.05, 0.95)
    ).days[:, 0]
    wide = onset_days(
        doubted, seen.vehicle, Solved(looks, others), MODEL, np.array([0]), (0.05, 0.95)
    ).days[:, 0]
    assert sure[1] - sure[0] < 2.0
    assert wide[0] == pytest.approx(42.4, abs=0.3)
    assert wide[1] == pytest.approx(49.6, abs=0.3)


def test_nobody_asked_for_is_an_empty_answer() -> None:
    """No unit: a level each, no columns."""
    seen = logged({"a": [(1.0, True)]})
    found = onset_days(
        seen,
        seen.vehicle,
        Solved(np.ones((1, 3)), np.ones(1)),
        MODEL,
        np.zeros(0, dtype=np.int64),
        (0.5, 0.1),
    )
    assert found.days.shape == (2, 0)


def test_a_repair_between_two_failures_parts_their_onsets() -> None:
    """Failed to day 40, charged once on day 46, failed from 48 on: one fault and one lucky charge, unless a repair is told between."""
    days = [t for t in range(2, 80, 2) if t not in {42, 44}]
    seen = logged({"a": [(float(t), t != 46) for t in days]})
    solved = Solved(np.ones((len(seen.failed), 3)), np.full(len(seen.failed), 0.97))
    only, half = np.array([0]), (0.5,)
    model = state_model(PRIOR, AttributeSettings(relapse_per_day=0.01, settle_per_day=0.1), 0.03)
    untold = onset_days(seen, seen.vehicle, solved, model, only, half).days.item()
    repair = Repairs(only, np.array([45.5]), np.array([45]))
    told = onset_days(seen, seen.vehicle, solved, model, only, half, repair).days.item()
    assert untold < 2.0
    assert 46.0 < told < 48.0
