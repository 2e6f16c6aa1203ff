"""Baseline and states in turn, for one supply.

From evidence to state probabilities of every unit and day.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipeline.attribute.baseline.fit import Chance, Trials, event_rows, fit_chance
from pipeline.attribute.diode_checks import learn_checks, reach_of
from pipeline.attribute.evidence import Evidence
from pipeline.attribute.states.blame import Shares, chance_bit, shares
from pipeline.attribute.states.joint import refine
from pipeline.attribute.states.kinds import AT_FAULT, EVSE, KINDS, VEHICLE
from pipeline.attribute.states.messages import (
    NEVER,
    Beliefs,
    Events,
    Kind,
    narrowed,
    scatter,
    state_escape,
)
from pipeline.attribute.states.model import (
    Bools,
    Floats,
    Ints,
    StateModel,
    add_repairs,
    learnt_prior,
    state_model,
)
from pipeline.attribute.states.smoothing import smooth
from pipeline.attribute.states.stories import best_story
from pipeline.attribute.states.successes import Successes
from pipeline.attribute.states.unknown_models import Thought, recognised
from pipeline.attribute.stays import left_weights, stay_weights
from pipeline.attribute.timers import Timers, learn_timers
from pipeline.settings.attribute import AttributeSettings, StatePrior

UNITS_AT_ONCE = 1000
"""Units screened together; bounds the working memory and stays in the processor's cache."""


@dataclass(frozen=True)
class UnitStates:
    """One kind of unit: `belief` (units, days, states), and the model learnt."""

    belief: Floats
    model: StateModel

    @property
    def probability(self) -> Floats:
        """Probability that a fault state is on (units, days)."""
        return np.asarray(self.belief @ self.model.fault_mask)

    def lately(self, days: int) -> Floats:
        """Highest daily probability in the last days of the look-back (units,)."""
        return np.asarray((self.belief[:, -days:] @ self.model.fault_mask).max(axis=1))

    def state_now(self, days: int) -> Floats:
        """State probabilities on the likeliest of the last days (units, states)."""
        late = self.belief[:, -days:]
        best = (late @ self.model.fault_mask).argmax(axis=1)
        return np.asarray(late[np.arange(len(late)), best])


@dataclass(frozen=True)
class Solution:
    """One supply solved.

    Rows of events (failed or silent attempts), chance, units of each kind, who is to blame, how far
    faults of a circumstance reach each attempt (attempts, circumstances of `WHERE`), and the
    probability that each EVSE model looks for the diode (models,).
    """

    evidence: Evidence
    rows: Ints
    chance: Chance
    units: tuple[UnitStates, ...]
    judged: Shares
    reach: Floats
    checks: Floats

    def held(self, kind: int) -> Floats:
        """Chance that nothing else than this kind's unit bites, at attempts that did not charge.

        0 at the others (attempts,).
        """
        held = np.zeros(len(self.evidence.failed))
        others = [self.judged.escapes[j] for j in range(len(KINDS)) if j != kind]
        held[self.rows] = (1.0 - self.chance.base) * np.prod(others, axis=0)
        return held


@dataclass(frozen=True)
class _Given:
    """What a round starts from: evidence, rows of events, counts of successes by kind, how timers show."""

    evidence: Evidence
    rows: Ints
    successes: tuple[Successes, ...]
    settings: AttributeSettings
    timers: Timers


@dataclass(frozen=True)
class _Search:
    """A pass over all units: those that events cannot make suspect are screened out, the rest
    exchange messages.
    """

    kinds: tuple[Kind, ...]
    events: Events
    screened: tuple[Floats, ...]
    suspects: tuple[Ints, ...]
    near: tuple[Kind, ...]
    near_events: Events
    beliefs: Beliefs


def solve(evidence: Evidence, settings: AttributeSettings) -> Solution:
    """Fit baseline and states in turn."""
    rows, plain = event_rows(evidence), evidence
    evidence = _weighed(plain, None)
    given = _Given(evidence, rows, _successes(evidence, settings), settings, Timers())
    assumed = _priors(settings, told=evidence.told)
    priors = assumed
    chance = fit_chance(evidence, rows, None, settings)
    checks = np.full(evidence.models.height, np.nan)
    reach = reach_of(evidence, None, settings)
    for _ in range(settings.rounds):
        search = _search(given, chance, priors, reach, settings.early_passes)
        beliefs = tuple(_everywhere(search, k, search.beliefs.belief[k]) for k in range(len(KINDS)))
        bit = chance_bit(search.kinds, search.events, beliefs)
        models = [kind.model for kind in search.kinds]
        checks = learn_checks(evidence, beliefs[VEHICLE] @ models[VEHICLE].fault_mask, settings)
        reach = reach_of(evidence, checks, settings)
        evidence = _weighed(plain, _no_fault(plain, beliefs, models))
        given = replace(
            given, evidence=evidence, timers=_timers(given, beliefs[VEHICLE], models[VEHICLE])
        )
        chance = fit_chance(
            evidence, rows, Trials(_as_usual(evidence, beliefs, models), bit), settings
        )
        priors = tuple(
            learnt_prior(prior, belief.mean(axis=1).sum(axis=0), met)
            for prior, belief, met in zip(assumed, beliefs, evidence.met, strict=True)
        )
    given = _recognised(given, search, beliefs, reach)
    evidence = given.evidence
    search = _search(given, chance, priors, reach, settings.passes)
    units = tuple(_finished(search, kind) for kind in range(len(KINDS)))
    judged = shares(search.kinds, search.events, tuple(u.belief for u in units), evidence, chance)
    return Solution(evidence, rows, chance, units, judged, reach, checks)


def _recognised(
    given: _Given, search: _Search, beliefs: tuple[Floats, ...], reach: Floats
) -> _Given:
    """The same with units of unknown model known by how they behave, where that explains their failures."""
    thought = Thought(search.kinds, search.events, beliefs, reach)
    seen = recognised(given.evidence, thought, given.settings)
    if seen is given.evidence:
        return given
    return replace(given, evidence=seen, successes=_successes(seen, given.settings))


def _weighed(plain: Evidence, no_fault: Floats | None) -> Evidence:
    """Evidence with what silent stays tell, by what is known of the fleet's silences."""
    return plain.with_told(
        stay_weights(plain.stay, plain.silent, ~plain.event, no_fault),
        left_weights(plain.left, plain.silent, no_fault),
    )


def _no_fault(evidence: Evidence, beliefs: tuple[Floats, ...], models: list[StateModel]) -> Floats:
    """Probability that no unit of an attempt was in a fault state that keeps silent that day (attempts,)."""
    free = np.ones(len(evidence.failed))
    for unit, belief, model in zip(evidence.columns, beliefs, models, strict=True):
        quiet = belief @ (model.fault_mask * (model.silent > 0))
        if quiet.any():
            free *= 1.0 - quiet[unit, evidence.day]
    return free


def _priors(settings: AttributeSettings, *, told: bool) -> tuple[StatePrior, ...]:
    """Priors by kind; where repairs of vehicles are told (`told`), a fault seldom goes away untold."""
    vehicle, place = settings.vehicle, settings.place
    if told:
        faults = tuple(
            f.model_copy(update={"days_on": f.days_on / settings.repairs_untold})
            for f in vehicle.faults
        )
        vehicle = vehicle.model_copy(update={"faults": faults})
    return vehicle, settings.evse, settings.pairing, settings.site, place, place


def _as_usual(evidence: Evidence, beliefs: tuple[Floats, ...], models: list[StateModel]) -> Floats:
    """Probability that none of an attempt's units was at fault or had a rate of its own that day
    (attempts,).
    """
    free = np.ones(len(evidence.failed))
    for unit, belief, model in zip(evidence.columns, beliefs, models, strict=True):
        usual = belief @ model.usual
        if (usual < 1.0).any():
            free *= usual[unit, evidence.day]
    return free


def _search(
    given: _Given, chance: Chance, priors: tuple[StatePrior, ...], reach: Floats, passes: int
) -> _Search:
    rows, settings = given.rows, given.settings
    events = Events(given.evidence.day[rows], chance.base, rows)
    kinds = tuple(
        _kind(given, k, state_model(prior, settings, chance.typical), reach)
        for k, prior in enumerate(priors)
    )
    screened = tuple(_alone(kind, events) for kind in kinds)
    suspects = tuple(
        np.flatnonzero(_met(kind) & (_worst(k, kind, s) > settings.suspect_floor))
        for k, (kind, s) in enumerate(zip(kinds, screened, strict=True))
    )
    marked = np.zeros(len(rows), dtype=bool)
    for kind, units in zip(kinds, suspects, strict=True):
        flag = np.zeros(len(kind.success_loglik), dtype=bool)
        flag[units] = True
        marked |= flag[kind.unit]
    keep = np.flatnonzero(marked)
    near = tuple(narrowed(kind, units, keep) for kind, units in zip(kinds, suspects, strict=True))
    near_events = events.only(keep)
    beliefs = best_story(near, near_events, passes=passes, damping=settings.damping)
    return _Search(kinds, events, screened, suspects, near, near_events, beliefs)


def _met(kind: Kind) -> Bools:
    """True for units with an event at which they may bite; the belief of others is settled without messages (units,)."""
    return np.bincount(kind.unit[kind.bites], minlength=len(kind.success_loglik)) > 0


def _worst(which: int, kind: Kind, screened: Floats) -> Floats:
    """The most a unit may be at fault, or of those that explain by chance, be unusual, on any day (units,)."""
    most = screened @ kind.model.fault_mask if which < AT_FAULT else 1.0 - screened[:, :, 0]
    return np.asarray(most.max(axis=1))


def _kind(given: _Given, kind: int, model: StateModel, reach: Floats) -> Kind:
    """Successes by unit and day as log-likelihood, and the escape of each state at each event."""
    evidence, rows, successes = given.evidence, given.rows, given.successes[kind]
    unit, size = evidence.columns[kind], evidence.sizes[kind]
    by_day = successes.loglik(model, reach).reshape(size, evidence.days, -1)
    if kind == VEHICLE:
        mended = evidence.repairs
        add_repairs(by_day, mended.vehicle, mended.day, mended.day > 0, model.repaired)
        model = _with_habits(model, given.timers.habit(evidence.starts))
    if kind != EVSE:
        by_day[-1, :, 1:] = NEVER
    trust = evidence.weight[rows] * successes.calm[unit[rows] * evidence.days + evidence.day[rows]]
    escape = state_escape(model, reach[rows], evidence.silent[rows], evidence.wish[rows])
    return Kind(KINDS[kind], by_day, unit[rows], escape, trust, model)


def _timers(given: _Given, belief: Floats, model: StateModel) -> Timers:
    """How timers show in this fleet, by the vehicles that are found to have the habit."""
    quiet = (1.0 - model.fault_mask) * (model.silent > 0)
    return learn_timers(given.evidence.starts, (belief @ quiet).mean(axis=1), given.timers)


def _with_habits(model: StateModel, habit: Floats) -> StateModel:
    """The model with each vehicle's own chance of a habit of silence (`habit` (units,): how many times likelier than usual)."""
    quiet = (1.0 - model.fault_mask) * (model.silent > 0)
    initial = model.initial * np.where(quiet > 0, habit[:, None], 1.0)
    return replace(model, initial=initial / initial.sum(axis=1, keepdims=True))


def _successes(evidence: Evidence, settings: AttributeSettings) -> tuple[Successes, ...]:
    """Counts of each kind, once for all rounds."""
    return tuple(
        Successes.of(
            evidence,
            unit,
            size,
            settings.day_likeness,
            placed=any(fault.where != "anywhere" for fault in prior.faults),
        )
        for unit, size, prior in zip(
            evidence.columns, evidence.sizes, _priors(settings, told=False), strict=True
        )
    )


def _alone(kind: Kind, events: Events) -> Floats:
    """Beliefs were every unit blamed for all its events that chance did not cause.

    The most it could be at fault.
    """
    fail = np.log(1.0 - (1.0 - events.base)[:, None] * kind.escape)
    evidence = kind.success_loglik + scatter(
        kind, events, kind.trust[:, None] * (fail - fail[:, :1])
    )
    initial = kind.model.initial
    for low in range(0, len(evidence), UNITS_AT_ONCE):
        part = slice(low, low + UNITS_AT_ONCE)
        start = initial[part] if initial.ndim > 1 else initial
        evidence[part] = smooth(evidence[part], start, kind.model.transition).belief
    return evidence


def _everywhere(search: _Search, kind: int, belief: Floats) -> Floats:
    """Beliefs of all units: the suspects' given, the others' from screening."""
    full = search.screened[kind].copy()
    full[search.suspects[kind]] = belief[: len(search.suspects[kind])]
    return full


def _finished(search: _Search, kind: int) -> UnitStates:
    """Solve each suspect that may be at fault with its closest rivals; spread the result over all units."""
    belief = search.beliefs.belief[kind]
    if kind < AT_FAULT:
        bounds = tuple(
            np.concatenate([1.0 - s[units][:, :, 0], np.zeros((1, s.shape[1]))])
            for s, units in zip(search.screened, search.suspects, strict=True)
        )
        belief = refine(search.near, search.near_events, search.beliefs, bounds, kind)
    return UnitStates(_everywhere(search, kind, belief), search.kinds[kind].model)
