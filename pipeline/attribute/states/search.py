"""A pass over all units: screened, then messages among those that may be at fault."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipeline.attribute.baseline.fit import Chance
from pipeline.attribute.evidence import Evidence
from pipeline.attribute.states.joint import refine
from pipeline.attribute.states.kinds import AT_FAULT, EVSE, KINDS, VEHICLE
from pipeline.attribute.states.messages import (
    NEVER,
    Beliefs,
    Events,
    Kind,
    narrowed,
    state_escape,
    told_by_day,
)
from pipeline.attribute.states.model import (
    Bools,
    Floats,
    Ints,
    StateModel,
    add_repairs,
    state_model,
)
from pipeline.attribute.states.smoothing import smooth
from pipeline.attribute.states.solution import UnitStates
from pipeline.attribute.states.stories import best_story
from pipeline.attribute.states.successes import Successes
from pipeline.attribute.timers import Timers
from pipeline.core.side_by_side import side_by_side
from pipeline.settings.attribute import AttributeSettings, StatePrior

SCREENED_AT_ONCE = 1000
"""Units screened together; bounds the working memory and stays in the processor's cache."""


@dataclass(frozen=True)
class Given:
    """What a round starts from: evidence, rows of events, counts of successes by kind, how timers show."""

    evidence: Evidence
    rows: Ints
    successes: tuple[Successes, ...]
    settings: AttributeSettings
    timers: Timers


@dataclass(frozen=True)
class Search:
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


def search_units(
    given: Given, chance: Chance, priors: tuple[StatePrior, ...], reach: Floats, passes: int
) -> Search:
    """Screen all units, and let those events may make suspect exchange messages until they rest or `passes` are done."""
    rows, settings = given.rows, given.settings
    events = Events(given.evidence.day[rows], chance.base, rows)

    def looked_at(which: int) -> tuple[Kind, Floats, Ints]:
        model = state_model(priors[which], settings, chance.typical)
        kind = _kind(given, which, model, reach)
        alone = _alone(kind, events)
        worst = _worst(which, kind, alone)
        return kind, alone, np.flatnonzero(_met(kind) & (worst > settings.suspect_floor))

    kinds, screened, suspects = zip(*side_by_side(looked_at, range(len(priors))), strict=True)
    marked = np.zeros(len(rows), dtype=bool)
    for kind, units in zip(kinds, suspects, strict=True):
        flag = np.zeros(len(kind.success_loglik), dtype=bool)
        flag[units] = True
        marked |= flag[kind.unit]
    keep = np.flatnonzero(marked)
    near = tuple(narrowed(kind, units, keep) for kind, units in zip(kinds, suspects, strict=True))
    near_events = events.only(keep)
    beliefs = best_story(near, near_events, passes=passes, damping=settings.damping)
    return Search(kinds, events, screened, suspects, near, near_events, beliefs)


def _met(kind: Kind) -> Bools:
    """True for units with an event at which they may bite; the belief of others is settled without messages (units,)."""
    return np.bincount(kind.unit[kind.bites], minlength=len(kind.success_loglik)) > 0


def _worst(which: int, kind: Kind, screened: Floats) -> Floats:
    """The most a unit may be at fault, or of those that explain by chance, be unusual, on any day (units,)."""
    most = screened @ kind.model.fault_mask if which < AT_FAULT else 1.0 - screened[:, :, 0]
    return np.asarray(most.max(axis=1))


def _kind(given: Given, kind: int, model: StateModel, reach: Floats) -> Kind:
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


def _with_habits(model: StateModel, habit: Floats) -> StateModel:
    """The model with each vehicle's own chance of a habit of silence (`habit` (units,): how many times likelier than usual)."""
    quiet = (1.0 - model.fault_mask) * (model.silent > 0)
    initial = model.initial * np.where(quiet > 0, habit[:, None], 1.0)
    return replace(model, initial=initial / initial.sum(axis=1, keepdims=True))


def _alone(kind: Kind, events: Events) -> Floats:
    """Beliefs were every unit blamed for all its events that chance did not cause.

    The most it could be at fault.
    """
    fail = np.log(1.0 - (1.0 - events.base)[:, None] * kind.escape)
    evidence = told_by_day(kind, events, kind.trust[:, None] * (fail - fail[:, :1]))
    initial = kind.model.initial
    for low in range(0, len(evidence), SCREENED_AT_ONCE):
        part = slice(low, low + SCREENED_AT_ONCE)
        start = initial[part] if initial.ndim > 1 else initial
        evidence[part] = smooth(evidence[part], start, kind.model.transition).belief
    return evidence


def everywhere(search: Search, kind: int, belief: Floats) -> Floats:
    """Beliefs of all units: the suspects' given, the others' from screening."""
    full = search.screened[kind].copy()
    full[search.suspects[kind]] = belief[: len(search.suspects[kind])]
    return full


def finished(search: Search, kind: int) -> UnitStates:
    """Solve each suspect that may be at fault with its closest rivals; spread the result over all units."""
    belief = search.beliefs.belief[kind]
    if kind < AT_FAULT:
        bounds = tuple(
            np.concatenate([1.0 - s[units][:, :, 0], np.zeros((1, s.shape[1]))])
            for s, units in zip(search.screened, search.suspects, strict=True)
        )
        belief = refine(search.near, search.near_events, search.beliefs, bounds, kind)
    return UnitStates(everywhere(search, kind, belief), search.kinds[kind].model)
