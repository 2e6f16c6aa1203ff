"""Whether equipment looks for the diode: listed, unknown, learnt; and votes worked by hand."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.attribute.diode_checks import (
    LEAST_SUSPICION,
    TYPICAL_CHANCE,
    check_chances,
    learn_checks,
)
from pipeline.settings.attribute import AttributeSettings
from tests.attribute.test_evidence import evidence, minutes, tried

SETTINGS = AttributeSettings()
SEEN, BLIND, PRIOR = SETTINGS.diode_seen, SETTINGS.diode_seen_without, SETTINGS.diode_check_prior


def test_what_is_listed_counts_and_what_is_not_by_what_was_learnt() -> None:
    """Listed yes and no keep their chances.

    Unknown is 'not looking' at first, then between the two by its probability.
    """
    words = ("yes", "no", "unknown")
    seen = evidence(
        [
            tried("v", "e", minutes(200 * k), diode_check=w, evse_model=w)
            for k, w in enumerate(words)
        ]
    )
    assert seen.models["evse_model"].to_list() == ["no", "unknown", "yes"]
    assert check_chances(seen, None, SETTINGS).tolist() == [SEEN, BLIND, 0.0]
    learnt = check_chances(seen, np.array([np.nan, 0.25, np.nan]), SETTINGS)
    assert learnt == pytest.approx([SEEN, BLIND, 0.25 * SEEN + 0.75 * BLIND])


def vote(missed: float, charged: float) -> float:
    """Log odds that equipment looks, from one suspect's failures and charges there (derived)."""
    bite = max(f.loud for f in SETTINGS.vehicle.faults if f.where == "diode") * SEEN
    return missed * np.log(
        (bite + (1 - bite) * TYPICAL_CHANCE) / TYPICAL_CHANCE
    ) + charged * np.log(1 - bite)


def test_one_suspect_votes_by_its_failures_and_charges() -> None:
    """Two failures at one model and three charges at another.

    The diode tells both, by Bayes' theorem, each vote capped.
    """
    rows = [
        tried("v", "e", minutes(200 * k), diode_check="unknown", evse_model="looks")
        for k in range(2)
    ]
    rows += [
        tried(
            "v",
            "f",
            minutes(1000 + 200 * k),
            outcome="charged",
            diode_check="unknown",
            evse_model="x",
        )
        for k in range(3)
    ]
    rows += [tried("w", "g", minutes(9), diode_check="yes", evse_model="known")]
    seen = evidence(rows)
    on = np.zeros((seen.sizes[0], seen.days))
    on[0] = 0.9
    on[1] = LEAST_SUSPICION
    learned = learn_checks(seen, on, SETTINGS)
    missed, charged = 2 * 0.9, 3 * 0.9
    votes = np.array([vote(missed, 0), vote(0, charged)])
    diode = np.logaddexp(np.log(PRIOR) + votes, np.log(1 - PRIOR)).sum()
    rate = (missed + 0.5) / (missed + charged + 1.0)
    same = missed * np.log(rate / TYPICAL_CHANCE) + charged * np.log(
        (1 - rate) / (1 - TYPICAL_CHANCE)
    )
    share = 1 / (1 + np.exp(same - diode))
    odds = np.log(PRIOR / (1 - PRIOR)) + share * np.clip(
        votes, -SETTINGS.diode_vote_cap, SETTINGS.diode_vote_cap
    )
    assert seen.models["evse_model"].to_list() == ["known", "looks", "x"]
    assert np.isnan(learned[0])
    assert learned[1:] == pytest.approx(1 / (1 + np.exp(-odds)))
    assert learned[1] > 0.9 > PRIOR > 0.2 > learned[2]


def test_a_vehicle_barely_suspect_and_an_attempt_that_is_distrusted_have_no_say() -> None:
    """Without a suspect an unknown habit stays as the prior has it."""
    rows = [tried("v", "e", minutes(200 * k), diode_check="unknown") for k in range(3)]
    seen = evidence(rows)
    on = np.full((seen.sizes[0], seen.days), LEAST_SUSPICION)
    assert learn_checks(seen, on, SETTINGS) == pytest.approx([PRIOR])
    doubted = evidence([row | {"weight": 0.0} for row in rows])
    assert learn_checks(doubted, np.ones_like(on), SETTINGS) == pytest.approx([PRIOR])


def test_suspicion_counts_on_the_day_of_the_attempt() -> None:
    """A vehicle at fault on other days only says nothing."""
    seen = evidence([tried("v", "e", minutes(0), diode_check="unknown")])
    on = np.ones((seen.sizes[0], seen.days))
    on[0, seen.day[0]] = 0.0
    assert learn_checks(seen, on, SETTINGS) == pytest.approx([PRIOR])


def test_nothing_is_learnt_where_all_is_listed() -> None:
    """A habit that is given is not put to the vote."""
    seen = evidence([tried("v", "e", minutes(0))])
    assert np.isnan(learn_checks(seen, np.ones((seen.sizes[0], seen.days)), SETTINGS)).all()
