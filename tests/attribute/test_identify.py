"""Could the data tell a unit from its partners: worked by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.attribute.evidence import Evidence
from pipeline.attribute.states.identify import (
    MIDDLING_LEVEL,
    WINDOW_DAYS,
    Power,
    enough_to_clear,
    power,
)
from pipeline.settings.attribute import AttributeSettings
from tests.attribute.test_evidence import evidence, minutes, tried

SETTINGS = AttributeSettings()
PRIORS = (SETTINGS.vehicle, SETTINGS.evse)
TYPICAL = 0.03
FAILED = np.log2((MIDDLING_LEVEL + (1 - MIDDLING_LEVEL) * TYPICAL) / TYPICAL)
CHARGED = np.log2(1 - MIDDLING_LEVEL)
"""What one attempt of a third party says for and against a partner's fault, where chance fails three in a hundred (derived)."""


def met() -> Evidence:
    """Vehicle v fails twice at e and once at f.

    Another charges twice at e, and w fails twice at g that nobody else uses.
    """
    rows = [
        tried("v", "e", minutes(0)),
        tried("v", "e", minutes(2000)),
        tried("v", "f", minutes(4000)),
    ]
    rows += [tried("o", "e", minutes(200 + 200 * k), outcome="charged") for k in range(2)]
    return evidence([*rows, tried("w", "g", minutes(100)), tried("w", "g", minutes(900))])


def found_in(seen: Evidence, chance: float = TYPICAL) -> Power:
    """Power of the vehicles against the EVSEs, where nothing but chance stands beside the two."""
    held = np.where(seen.failed > 0, 1 - chance, 0.0)
    return power(seen, seen.vehicle, seen.evse, seen.sizes[:2], PRIORS, held, TYPICAL)


def test_bits_are_the_odds_against_every_partner_being_at_fault() -> None:
    """Rival story for v: e is at fault though it served o twice, and f is too; for w only g, as
    likely as the prior says.

    Neither can be surer than its failures against mere chance allow.
    """
    seen = met()
    found = found_in(seen)
    assert seen.vehicles["vehicle_id"].to_list() == ["o", "v", "w"]
    prior, evse = np.log2(PRIORS[0].prevalence), np.log2(PRIORS[1].prevalence)
    per_failure = np.log2(PRIORS[0].levels[0] / TYPICAL)
    rival_v = min(evse + 2 * CHARGED, 0.0) + evse
    assert found.bits[1] == pytest.approx(min(prior - rival_v, prior + 3 * per_failure))
    assert prior - rival_v < prior + 3 * per_failure
    assert found.bits[2] == pytest.approx(prior - evse)
    rival_o = min(evse + 2 * FAILED, 0.0)
    assert rival_o == 0.0
    assert found.bits[0] == pytest.approx(prior)
    assert found.attempts.tolist() == [2.0, 3.0, 2.0, 0.0]
    assert found.partners.tolist() == [1, 2, 1, 0]


def test_one_attempt_is_never_surer_than_chance_allows() -> None:
    """Where others fared well at once at the only partner, the few failures themselves are the
    limit.
    """
    rows = [tried("v", "e", minutes(0))] + [
        tried("o", "e", minutes(200 * k), outcome="charged") for k in range(1, 12)
    ]
    seen = evidence(rows)
    found = found_in(seen)
    assert found.bits[1] == pytest.approx(
        np.log2(PRIORS[0].prevalence) + np.log2(PRIORS[0].levels[0] / TYPICAL)
    )


def test_failures_that_need_no_faulty_partner_leave_a_unit_separable() -> None:
    """Where chance fails a quarter, as many third parties fail at a sound EVSE; they still speak
    against its fault.

    Three of twelve failed: at chance 0.25 they make 0.6 for a fault far less likely than one
    failure at chance 0.03 would.
    """
    rows = [tried("v", "e", minutes(0))]
    rows += [
        tried("o", "e", minutes(200 * k), outcome="failed" if k % 4 == 0 else "charged")
        for k in range(1, 13)
    ]
    seen = evidence(rows)
    vote = np.log2((MIDDLING_LEVEL + (1 - MIDDLING_LEVEL) * 0.25) / 0.25)
    rival = np.log2(PRIORS[1].prevalence) + 3 * vote + 9 * CHARGED
    against_chance = np.log2(PRIORS[0].prevalence) + np.log2(PRIORS[0].levels[0] / TYPICAL)
    assert found_in(seen, 0.25).bits[1] == pytest.approx(
        min(np.log2(PRIORS[0].prevalence) - rival, against_chance)
    )
    assert found_in(seen, 0.25).bits[1] > found_in(seen).bits[1]
    explained = np.where(seen.vehicle == 0, 0.0, 1 - TYPICAL)
    without = power(
        seen, seen.vehicle, seen.evse, seen.sizes[:2], PRIORS, explained * seen.failed, TYPICAL
    )
    rival = np.log2(PRIORS[1].prevalence) + 9 * CHARGED
    assert without.bits[1] == pytest.approx(
        min(np.log2(PRIORS[0].prevalence) - rival, against_chance)
    )


def test_only_the_last_three_weeks_and_only_trusted_attempts_count() -> None:
    """An attempt on the first day of the window counts, one a day before does not.

    Half trust is half an attempt.
    """
    rows = [
        tried("v", "e", minutes(0)),
        tried("v", "f", minutes(10)),
        tried("v", "f", minutes(20), weight=0.5),
    ]
    seen = evidence(rows)
    days = np.array([seen.days - WINDOW_DAYS - 1, seen.days - WINDOW_DAYS, seen.days - 1])
    found = found_in(replace(seen, day=days))
    assert found.attempts[0] == 1.5
    assert found.partners[0] == 1


def test_clearing_needs_four_attempts() -> None:
    """A fault that fails half of the attempts hides from three in a row with 1/8, from four with
    1/16 (setting: 0.9).
    """
    assert enough_to_clear(np.array([0.0, 3.0, 4.0]), SETTINGS).tolist() == [False, False, True]
    sharp = SETTINGS.model_copy(update={"thin_failures_power": 0.875})
    assert enough_to_clear(np.array([3.0]), sharp).tolist() == [True]
