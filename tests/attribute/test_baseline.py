"""Chance failures: cells, a robust first guess, echoes, drift, and the unit's own normal rate.

By hand.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import expit

from pipeline.attribute.baseline.fit import (
    DRIFT_FAILURES,
    MEDIAN_PULL,
    RATE_HIGH,
    RATE_LOW,
    WIDEST_SD,
    Chance,
    Search,
    Trials,
    count_cells,
    first_guess,
    refit,
)
from pipeline.attribute.evidence import ECHO_EVSE, ECHO_NONE, ECHO_SAME, ECHO_VEHICLE, Evidence
from pipeline.attribute.states.blame import failed_rows
from pipeline.attribute.states.solve import solve
from pipeline.measure.speed.attribute import Size, big_fleet
from pipeline.settings.attribute import AttributeSettings
from tests.attribute.test_evidence import evidence, minutes, tried

SETTINGS = AttributeSettings()


def days_of(plan: dict[str, list[bool]], evse: str = "e") -> Evidence:
    """Attempts of vehicles at one EVSE, three hours apart; True failed."""
    rows = [(vehicle, bad) for vehicle, told in plan.items() for bad in told]
    ends = {True: "failed", False: "charged"}
    start = -180 * len(rows)
    return evidence(
        [
            tried(v, evse, minutes(start + 180 * k), outcome=ends[bad])
            for k, (v, bad) in enumerate(rows)
        ]
    )


def test_cells_are_the_meetings_in_order() -> None:
    """One cell a vehicle, EVSE and pairing that met, sorted; each attempt knows its own."""
    rows = [("b", "e", "1"), ("a", "f", "1"), ("b", "e", "1"), ("a", "e", "2"), ("a", "e", "1")]
    seen = evidence([tried(v, e, minutes(200 * k), firmware=f) for k, (v, e, f) in enumerate(rows)])
    cells = count_cells(seen)
    assert [level.tolist() for level in cells.levels] == [[0, 0, 0, 1], [0, 0, 1, 0], [0, 1, 0, 0]]
    assert cells.row_cell.tolist() == [3, 2, 3, 1, 0]
    assert cells.sizes == (3, 2, 3)


def test_the_first_guess_is_a_median_that_one_bad_unit_does_not_move() -> None:
    """Medians over vehicles and EVSEs, by attempts, each drawn to the fleet's mean.

    A vehicle that fails always is no median.
    """
    good = [True] + [False] * 19
    seen = days_of({"a": good, "b": good, "c": good, "d": [True] * 6})
    first = seen.echo == ECHO_NONE
    tried_, missed = first.sum(), seen.failed[first].sum()
    fleet = (missed + 0.5) / (tried_ + 1.0)
    rates = []
    for unit in range(4):
        mine = first & (seen.vehicle == unit)
        rates.append(
            (
                (seen.failed[mine].sum() + MEDIAN_PULL * fleet) / (mine.sum() + MEDIAN_PULL),
                mine.sum(),
            )
        )
    rates.sort()
    reached, median = 0, 0.0
    for rate, count in rates:
        reached += count
        if reached >= tried_ / 2:
            median = rate
            break
    evse = (missed + MEDIAN_PULL * fleet) / (tried_ + MEDIAN_PULL)
    guess = first_guess(seen, failed_rows(seen), SETTINGS)
    assert guess.plain == pytest.approx(np.full(9, 0.5 * (median + evse)))
    assert guess.echo.tolist() == [
        0.0,
        SETTINGS.echo_same,
        SETTINGS.echo_vehicle,
        SETTINGS.echo_evse,
    ]
    assert guess.drift.tolist() == [0.0] * (seen.days // 7)
    assert guess.fit is None


def test_the_first_guess_counts_no_echoes() -> None:
    """Retries that failed with the first are the same piece of luck.

    The guess is that of the first plug-ins alone.
    """
    plan = {"a": [True] + [False] * 19, "b": [False] * 20}
    seen = days_of(plan)
    alone = first_guess(seen, failed_rows(seen), SETTINGS).plain[0]
    first = int(failed_rows(seen)[0])
    twice = {
        name: np.append(getattr(seen, name), [getattr(seen, name)[first]] * 9)
        for name in ("vehicle", "evse", "failed")
    }
    retried = replace(
        seen, **twice, echo=np.append(seen.echo, np.full(9, ECHO_SAME, dtype=np.int8))
    )
    assert first_guess(retried, failed_rows(retried), SETTINGS).plain[0] == pytest.approx(alone)


def test_an_echo_of_a_failure_is_likelier_from_the_start() -> None:
    """The base of a retry is chance or the echo: r + (1 - r) echo.

    And the search starts between the published rates.
    """
    rows = [
        tried("v", "e", minutes(0)),
        tried("v", "e", minutes(5)),
        tried("v", "f", minutes(10)),
        tried("w", "e", minutes(20)),
    ]
    seen = evidence(rows)
    assert seen.echo.tolist() == [ECHO_NONE, ECHO_SAME, ECHO_VEHICLE, ECHO_EVSE]
    guess = first_guess(seen, failed_rows(seen), SETTINGS)
    assert guess.plain == pytest.approx(np.full(4, RATE_HIGH))
    echo = np.array([0.0, SETTINGS.echo_same, SETTINGS.echo_vehicle, SETTINGS.echo_evse])
    assert guess.base == pytest.approx(RATE_HIGH + (1 - RATE_HIGH) * echo)
    sound = days_of({"a": [False] * 400})
    rare = first_guess(
        replace(sound, failed=np.eye(1, 400)[0]), np.zeros(1, dtype=np.int64), SETTINGS
    )
    assert rare.plain[0] == pytest.approx(
        max(RATE_LOW, (1 + MEDIAN_PULL * 1.5 / 401) / (400 + MEDIAN_PULL))
    )
    never = days_of({"a": [False] * 400})
    assert (
        first_guess(
            replace(never, failed=np.zeros(400)), np.zeros(1, dtype=np.int64), SETTINGS
        ).plain[0]
        == RATE_LOW
    )


def fleet(seed: int = 0, weeks: int = 4, worse: float = 1.0) -> Evidence:
    """Forty vehicles at eight EVSEs for some weeks, hours apart.

    The last week fails `worse` times as often.
    """
    rng = np.random.default_rng(seed)
    n = 2400
    at = np.sort(rng.uniform(0, weeks * 7, n))
    vehicle = rng.integers(0, 40, n)
    rate = 0.08 * np.where(at >= (weeks - 1) * 7, worse, 1.0)
    seen = evidence([tried("v", "e", minutes(0))] * 2)
    failed = (rng.random(n) < rate).astype(float)
    return replace(
        seen,
        attempt_id=seen.attempt_id[:1].sample(n, with_replacement=True),
        vehicle=vehicle,
        evse=rng.integers(0, 8, n),
        pairing=vehicle % 3,
        model=np.zeros(n, dtype=np.int64),
        day=at.astype(np.int64),
        at_days=at,
        failed=failed,
        weight=np.ones(n),
        echo=np.zeros(n, dtype=np.int8),
        previous=np.full(n, -1),
        check=np.full(n, 2, dtype=np.int8),
        vehicles=seen.vehicles[[0] * 40],
        evses=seen.evses[[0] * 8],
        pairings=seen.pairings[[0] * 3],
        days=weeks * 7,
    )


def fitted(
    seen: Evidence, counts: np.ndarray | None = None, bit: np.ndarray | None = None
) -> Chance:
    """The baseline of all attempts, each failure due to chance unless said otherwise."""
    failed = failed_rows(seen)
    counts = np.ones(len(seen.failed)) if counts is None else counts
    bit = np.ones(len(failed)) if bit is None else bit
    trials = Trials(failed, counts, counts[failed] * bit, bit)
    before = first_guess(seen, failed, SETTINGS)
    return refit(seen, count_cells(seen), trials, before, SETTINGS, Search(None, 60))


def test_a_fleet_alike_has_one_rate() -> None:
    """No spread was planted: every base lies near the fleet's rate, and the weeks do not drift."""
    seen = fleet()
    chance = fitted(seen)
    rate = seen.failed.mean()
    assert chance.fit is not None
    assert expit(chance.fit.beta[0]) == pytest.approx(rate, rel=0.05)
    assert chance.plain == pytest.approx(np.full(len(chance.plain), rate), rel=0.35)
    assert chance.plain.mean() == pytest.approx(rate, rel=0.1)
    assert np.abs(chance.drift).max() < 0.3
    assert (chance.base == chance.plain).all()


def test_a_bad_week_is_drift_and_quiet_ones_are_held() -> None:
    """The log of failures seen over expected, each with twenty failures' worth of a week like all
    others (derived).
    """
    seen = fleet(worse=3.0)
    chance = fitted(seen)
    assert chance.fit is not None
    week = seen.day // 7
    counted = np.bincount(week, seen.failed, 4)
    share = np.bincount(week, minlength=4) / len(week)
    usual = seen.failed.sum() * share
    want = np.log((counted + DRIFT_FAILURES) / (usual + DRIFT_FAILURES))
    assert chance.drift == pytest.approx(want, abs=0.02)
    assert chance.drift[3] > 0.4
    late = week[failed_rows(seen)] == 3
    ratio = chance.plain[late].mean() / chance.plain[~late].mean()
    assert ratio == pytest.approx(np.exp(chance.drift[3] - chance.drift[:3].mean()), rel=0.15)


def test_a_failure_that_chance_did_not_cause_is_not_the_baselines() -> None:
    """With half of each failure due to chance the rate is half.

    Weights and the share that counts enter alike.
    """
    seen = fleet()
    whole = expit(fitted(seen).fit.beta[0])  # type: ignore[union-attr]
    half = expit(fitted(seen, bit=np.full(int(seen.failed.sum()), 0.5)).fit.beta[0])  # type: ignore[union-attr]
    assert half == pytest.approx(0.5 * whole, rel=0.06)
    counts = np.where(seen.vehicle < 20, 1.0, 0.0)
    part = fitted(seen, counts)
    weighed = fitted(replace(seen, weight=counts))
    assert part.fit is not None
    assert weighed.fit is not None
    assert part.fit.beta == pytest.approx(weighed.fit.beta)
    assert expit(part.fit.beta[0]) == pytest.approx(seen.failed[seen.vehicle < 20].mean(), rel=0.1)
    assert np.abs(part.fit.mode_of(0)[20:]).max() < 1e-6


def test_echoes_are_counted_and_drawn_to_their_start_values() -> None:
    """Of the plug-ins that follow a chance failure, the share that failed by chance again, by class
    (derived).
    """
    seen = fleet()
    failed = failed_rows(seen)
    previous = np.full(len(seen.failed), -1)
    echo = np.zeros(len(seen.failed), dtype=np.int8)
    follows = failed[:-1] + 1
    follows = follows[follows < len(seen.failed)]
    previous[follows] = follows - 1
    echo[follows] = np.arange(len(follows)) % 3 + 1
    seen = replace(seen, previous=previous, echo=echo)
    bit = np.linspace(0.2, 1.0, len(failed))
    chance = fitted(seen, bit=bit)
    by_row = dict(zip(failed.tolist(), bit.tolist(), strict=True))
    starts = (SETTINGS.echo_same, SETTINGS.echo_vehicle, SETTINGS.echo_evse)
    for kind, start in zip((ECHO_SAME, ECHO_VEHICLE, ECHO_EVSE), starts, strict=True):
        again, all_ = start * SETTINGS.echo_units, SETTINGS.echo_units
        for row in np.flatnonzero(echo == kind).tolist():
            due = by_row[row - 1]
            all_ += due
            again += due * by_row.get(row, 0.0)
        assert chance.echo[kind] == pytest.approx(again / all_)
    assert chance.echo[ECHO_NONE] == 0.0
    mine = echo[failed]
    assert chance.base == pytest.approx(chance.plain + (1 - chance.plain) * chance.echo[mine])


def test_an_echo_is_no_trial_of_the_baseline() -> None:
    """Retries that all failed leave the rate of first plug-ins alone."""
    seen = fleet()
    plain = fitted(seen)
    extra = failed_rows(seen)[:100]
    columns = ("vehicle", "evse", "pairing", "day", "failed", "weight")
    doubled = replace(
        seen,
        **{name: np.append(getattr(seen, name), getattr(seen, name)[extra]) for name in columns},
        echo=np.append(seen.echo, np.ones(100, dtype=np.int8)),
        previous=np.append(seen.previous, extra),
    )  # fmt: skip
    again = fitted(doubled)
    assert again.fit is not None
    assert plain.fit is not None
    assert again.fit.beta == pytest.approx(plain.fit.beta, abs=1e-6)
    assert again.drift == pytest.approx(plain.drift, abs=1e-6)


def test_a_few_failures_of_a_small_fleet_teach_no_spread_that_excuses_everything() -> None:
    """Seven failures among twenty vehicles of a model each: every share is a number, and chance
    stays well below certainty.

    Unbounded, the pairings' deviation ran to 14.6 and every base to 1, so that shares were not
    numbers.
    """
    solution = solve(big_fleet(Size(20, 8, 300)), SETTINGS, None)
    assert solution.chance.fit is not None
    assert solution.chance.fit.sd.max() <= WIDEST_SD * (1 + 1e-9)
    assert solution.chance.base.max() < 0.6
    assert np.isfinite(solution.blame).all()
