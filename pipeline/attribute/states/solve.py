"""Baseline and fault states in turn, for one supply.

From evidence to state probabilities of every unit and day.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.attribute.baseline.fit import Chance, Search, Trials, count_cells, first_guess, refit
from pipeline.attribute.baseline.laplace import CrossedFit, Floats, Ints
from pipeline.attribute.diode_checks import check_chances, learn_checks
from pipeline.attribute.evidence import Evidence
from pipeline.attribute.states.blame import chance_bit, failed_rows, shares
from pipeline.attribute.states.joint import refine
from pipeline.attribute.states.messages import (
    NEVER,
    Beliefs,
    Failures,
    Kind,
    exchange,
    level_escape,
    narrowed,
    scatter,
)
from pipeline.attribute.states.smoothing import StateModel, Strengths, learn, smooth, state_model
from pipeline.settings.attribute import AttributeSettings, StatePrior

VEHICLE, EVSE, PAIRING = range(3)
KINDS = ("vehicle", "evse", "pairing")
NOBODY = -1
UNITS_AT_ONCE = 1000
"""Units screened together; bounds the working memory and stays in the processor's cache."""


@dataclass(frozen=True)
class UnitStates:
    """One kind of unit: `belief` (units, days, states), `rivals` (2, units.

    -1 none), `suspect` units, models learnt.
    """

    belief: Floats
    rivals: Ints
    suspect: Ints
    model: StateModel

    @property
    def probability(self) -> Floats:
        """Probability that a fault state is on (units, days)."""
        return np.asarray(self.belief @ self.model.fault_mask)

    def lately(self, days: int) -> Floats:
        """Highest daily probability in the last days of the look-back (units,)."""
        return np.asarray((self.belief[:, -days:] @ self.model.fault_mask).max(axis=1))

    def chronic(self, days: int) -> Floats:
        """Mean probability in the last days that the unit has a model, a rate it has had all along
        (units,).
        """
        first = 1 + len(self.model.shares)
        return np.asarray(
            self.belief[:, -days:, first : first + len(self.model.chronic)].sum(axis=2).mean(axis=1)
        )


@dataclass(frozen=True)
class Solution:
    """One supply solved.

    Rows of failed attempts, chance, units by kind, `blame` (4, failures), `escapes` (3, failures)
    of each kind, chance the diode was looked for, by attempt and model.
    """

    evidence: Evidence
    failed: Ints
    chance: Chance
    units: tuple[UnitStates, UnitStates, UnitStates]
    blame: Floats
    escapes: Floats
    seen: Floats
    checks: Floats

    def held(self, kind: int) -> Floats:
        """Chance that nothing else than this kind's unit bites, at attempts that failed.

        0 at the others (attempts,).
        """
        held = np.zeros(len(self.evidence.failed))
        held[self.failed] = (1.0 - self.chance.base) * np.prod(
            [self.escapes[j] for j in range(3) if j != kind], axis=0
        )
        return held


@dataclass(frozen=True)
class _Search:
    """A pass over all units.

    Those that failures cannot make suspect are screened out, the rest exchange messages.
    """

    kinds: tuple[Kind, Kind, Kind]
    failures: Failures
    screened: tuple[Floats, ...]
    suspects: tuple[Ints, ...]
    near: tuple[Kind, ...]
    near_failures: Failures
    beliefs: Beliefs


def solve(evidence: Evidence, settings: AttributeSettings, start: CrossedFit | None) -> Solution:
    """Fit baseline and states in turn.

    `start` (last week's baseline) shortens the search and leaves the answer unchanged.
    """
    failed = failed_rows(evidence)
    cells = count_cells(evidence)
    chance = first_guess(evidence, failed, settings)
    model = [
        state_model(prior, settings)
        for prior in (settings.vehicle, settings.evse, settings.pairing)
    ]
    checks, seen = np.full(evidence.models.height, np.nan), check_chances(evidence, None, settings)
    for turn in range(settings.rounds):
        bit, on, own, learnt = _round(evidence, failed, chance, model, seen, settings)
        model = learnt if turn else model
        checks = learn_checks(evidence, on[VEHICLE], settings)
        seen = check_chances(evidence, checks, settings)
        last = turn == settings.rounds - 1
        counts = _as_usual(evidence, own) if last else np.ones(len(evidence.failed))
        trials = Trials(failed, counts, counts[failed] if last else bit, bit)
        how = (
            Search(start, settings.baseline_evaluations)
            if last
            else Search(None, settings.early_evaluations)
        )
        chance = refit(evidence, cells, trials, chance, settings, how)
    search = _search(evidence, failed, chance, model, seen, settings, settings.passes)
    units = _finish(search)
    judged = shares(
        search.kinds, search.failures, tuple(unit.belief for unit in units), evidence, chance
    )
    return Solution(evidence, failed, chance, units, judged.blame, judged.escapes, seen, checks)


def _round(
    evidence: Evidence,
    failed: Ints,
    chance: Chance,
    model: list[StateModel],
    seen: Floats,
    settings: AttributeSettings,
) -> tuple[Floats, list[Floats], list[Floats], list[StateModel]]:
    """States given the baseline so far.

    Probability that chance bit at each failure; by kind that a unit was at fault on a day, and that
    it was that or showed a habit; the models the fleet shows.
    """
    priors = (settings.vehicle, settings.evse, settings.pairing)
    search = _search(evidence, failed, chance, model, seen, settings, settings.early_passes)
    beliefs = tuple(
        _everywhere(search, kind, search.beliefs.smoothed[kind].belief) for kind in range(3)
    )
    learnt = [
        _learnt(search, kind, priors[kind], evidence.sizes[kind] - (kind != EVSE), settings)
        for kind in range(3)
    ]
    on = [belief @ now.fault_mask for belief, now in zip(beliefs, learnt, strict=True)]
    own = [belief @ (1.0 - now.usual) for belief, now in zip(beliefs, learnt, strict=True)]
    return chance_bit(search.kinds, search.failures, beliefs), on, own, learnt


def _as_usual(evidence: Evidence, own: list[Floats]) -> Floats:
    """Probability that none of an attempt's units was at fault or showed its model that day
    (attempts,).
    """
    free = np.ones(len(evidence.failed))
    for unit, probability in zip(_columns(evidence), own, strict=True):
        free *= 1.0 - probability[unit, evidence.day]
    return free


def _search(
    evidence: Evidence,
    failed: Ints,
    chance: Chance,
    model: list[StateModel],
    seen: Floats,
    settings: AttributeSettings,
    passes: int,
) -> _Search:
    failures = Failures(evidence.day[failed], chance.base, evidence.weight[failed], failed)
    kinds = (
        _kind(evidence, failed, VEHICLE, settings, model[VEHICLE], seen),
        _kind(evidence, failed, EVSE, settings, model[EVSE], seen),
        _kind(evidence, failed, PAIRING, settings, model[PAIRING], seen),
    )
    screened = tuple(_alone(kind, failures) for kind in kinds)
    suspects = tuple(
        np.flatnonzero((s @ k.model.fault_mask).max(axis=1) > settings.suspect_floor)
        for s, k in zip(screened, kinds, strict=True)
    )
    marked = np.zeros(len(failed), dtype=bool)
    for kind, units in zip(kinds, suspects, strict=True):
        flag = np.zeros(len(kind.success_loglik), dtype=bool)
        flag[units] = True
        marked |= flag[kind.unit]
    keep = np.flatnonzero(marked)
    near = tuple(narrowed(kind, units, keep) for kind, units in zip(kinds, suspects, strict=True))
    near_failures = failures.only(keep)
    beliefs = exchange(near, near_failures, passes=passes, damping=settings.damping)
    return _Search(kinds, failures, screened, suspects, near, near_failures, beliefs)


def _kind(
    evidence: Evidence,
    failed: Ints,
    kind: int,
    settings: AttributeSettings,
    model: StateModel,
    seen: Floats,
) -> Kind:
    """Successes by unit and day as log-likelihood, and the escape of each state at each failure.

    Attempts of one unit on one day are alike (weather, one driver, one passing cause): n of them
    count as n / (1 + (n - 1) rho), the design effect of a cluster sample (Kish 1965, *Survey
    Sampling*; from memory).
    """
    unit, prior = (
        _columns(evidence)[kind],
        (settings.vehicle, settings.evse, settings.pairing)[kind],
    )
    units, length = evidence.sizes[kind], evidence.sizes[kind] * evidence.days
    slot = unit * evidence.days + evidence.day
    tried = np.bincount(slot, evidence.weight, length)
    calm = 1.0 / (1.0 + np.maximum(tried - 1.0, 0.0) * settings.day_likeness)
    good = np.where(evidence.failed == 0, evidence.weight, 0.0)
    quiet = np.zeros((length, prior.states))
    plain = np.bincount(slot, good, length)
    for k, (level, diode) in enumerate(prior.failure_probability, start=1):
        quiet[:, k] = (
            np.bincount(slot, good * np.log1p(-level * seen), length)
            if diode
            else plain * np.log1p(-level)
        )
    by_day: Floats = (quiet * calm[:, None]).reshape(units, evidence.days, -1)
    if kind != EVSE:
        by_day[-1, :, 1:] = NEVER
    trust = evidence.weight[failed] * calm[slot[failed]]
    return Kind(KINDS[kind], by_day, unit[failed], level_escape(prior, seen[failed]), trust, model)


def _columns(evidence: Evidence) -> tuple[Ints, Ints, Ints]:
    return evidence.vehicle, evidence.evse, evidence.pairing


def _alone(kind: Kind, failures: Failures) -> Floats:
    """Beliefs were every unit blamed for all its failures that chance did not cause.

    The most it could be at fault.
    """
    fail = np.log(1.0 - (1.0 - failures.base)[:, None] * kind.escape)
    evidence = kind.success_loglik + scatter(
        kind, failures, kind.trust[:, None] * (fail - fail[:, :1])
    )
    for low in range(0, len(evidence), UNITS_AT_ONCE):
        part = slice(low, low + UNITS_AT_ONCE)
        evidence[part] = smooth(evidence[part], kind.model.initial, kind.model.transition).belief
    return evidence


def _everywhere(search: _Search, kind: int, belief: Floats) -> Floats:
    """Beliefs of all units: the suspects' given, the others' from screening."""
    full = search.screened[kind].copy()
    full[search.suspects[kind]] = belief[: len(search.suspects[kind])]
    return full


def _learnt(
    search: _Search, kind: int, prior: StatePrior, units: int, settings: AttributeSettings
) -> StateModel:
    seen = search.beliefs.smoothed[kind]
    strengths = Strengths(prior.prior_units, settings.dirichlet_units, settings.repair_units)
    return learn(
        state_model(prior, settings),
        seen,
        search.kinds[kind].model,
        slice(0, len(search.suspects[kind])),
        units,
        strengths,
    )


def _finish(search: _Search) -> tuple[UnitStates, UnitStates, UnitStates]:
    """Solve each suspect with its closest rivals and spread the result over all units."""
    stand_in = [np.zeros((1, s.shape[1])) for s in search.screened]
    bounds = tuple(
        np.concatenate([s[units] @ kind.model.fault_mask, row])
        for s, units, row, kind in zip(
            search.screened, search.suspects, stand_in, search.kinds, strict=True
        )
    )
    result = []
    for kind in range(3):
        refined = refine(search.near, search.near_failures, search.beliefs, bounds, kind)
        units = len(search.screened[kind])
        suspects = search.suspects[kind]
        rivals = np.full((2, units), NOBODY, dtype=np.int64)
        others = [k for k in range(3) if k != kind]
        for axis, other in enumerate(others):
            names = np.append(search.suspects[other], NOBODY)
            rivals[axis, suspects] = names[refined.rivals[axis, :-1]]
        result.append(
            UnitStates(
                _everywhere(search, kind, refined.belief),
                rivals,
                suspects,
                search.kinds[kind].model,
            )
        )
    return result[VEHICLE], result[EVSE], result[PAIRING]
