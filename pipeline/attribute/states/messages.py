"""Kinds of units, the events that tie them, and what messages tell a unit's chain (`exchange` passes them)."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.sparse import csr_array

from pipeline.attribute.states.model import Bools, Floats, Ints, StateModel
from pipeline.attribute.states.smoothing import Smoothed, smooth

NEVER = -1e9
"""Log evidence of a state that is ruled out: the unit that stands for none or for unsuspected ones is never on.

It gathers the events of all of them, so this must outweigh any sum of messages (ten million events of five nats).
"""


@dataclass(frozen=True)
class Kind:
    """One kind of unit: evidence of its successes, its states, and which unit each event touched.

    `success_loglik` (units, days, states): log-likelihood of the successes; `escape` (events,
    states): 1 - q of each state at that event; `trust` (events,): weight of that event in this
    unit's evidence (distrust, and likeness of one day's attempts).
    """

    name: str
    success_loglik: Floats
    unit: Ints
    escape: Floats
    trust: Floats
    model: StateModel

    @property
    def bites(self) -> Bools:
        """True for events at which some state bites; the others tell the unit nothing (events,)."""
        return np.asarray(self.escape.min(axis=1) < 1.0)


@dataclass(frozen=True)
class Events:
    """The attempts that failed or were silent, one by one.

    Day, probability that chance alone fails it, row in the evidence.
    """

    day: Ints
    base: Floats
    row: Ints

    def only(self, keep: Ints) -> Events:
        """The events at these positions."""
        return Events(self.day[keep], self.base[keep], self.row[keep])


@dataclass(frozen=True)
class Beliefs:
    """Result of message passing, by kind.

    State probabilities (units, days, states), last messages (events, states), mean escape (events,)
    without the event itself.
    """

    belief: tuple[Floats, ...]
    messages: tuple[Floats, ...]
    escapes: tuple[Floats, ...]
    moved: float


def state_escape(
    model: StateModel, reach: Floats, silent: Bools, wish: Floats | None = None
) -> Floats:
    """1 - q for each attempt and state (attempts, states).

    A silent attempt meets the share of silence, any other that of failure.  States bite in
    proportion to their column of `reach` (attempts, circumstances).  What speaks for a fault
    against the driver's wish (`wish`, log odds) lowers the odds of a habit, as those of chance.
    """
    loud = model.loud[None, :] * reach[:, model.where]
    quiet = model.silent[None, :]
    if wish is not None:
        odds = quiet / (1.0 - quiet) * np.exp(-wish)[:, None]
        quiet = np.where(model.fault_mask > 0, quiet, odds / (1.0 + odds))
    return np.asarray(1.0 - np.where(silent[:, None], quiet, loud))


def believe(kind: Kind, events: Events, messages: Floats, units: Ints) -> Smoothed:
    """Some units smoothed with the messages they get."""
    return smooth(*told_of(kind, events, messages, units), kind.model.transition)


def told_of(kind: Kind, events: Events, messages: Floats, units: Ints) -> tuple[Floats, Floats]:
    """Of some units: log evidence with the messages they get (units, days, states), and where their chains begin."""
    place = np.full(len(kind.success_loglik), -1, dtype=np.int64)
    place[units] = np.arange(len(units))
    rows = np.flatnonzero(place[kind.unit] >= 0)
    part = replace(
        kind,
        success_loglik=kind.success_loglik[units],
        unit=place[kind.unit[rows]],
        escape=kind.escape[rows],
        trust=kind.trust[rows],
    )
    evidence = told_by_day(part, events.only(rows), messages[rows])
    initial = kind.model.initial
    return evidence, initial[units] if initial.ndim > 1 else initial


def told_by_day(kind: Kind, events: Events, messages: Floats) -> Floats:
    """Log evidence of a kind's units by day (units, days, states): their successes, and the messages of their events."""
    evidence = kind.success_loglik.copy()
    if len(events.day):
        days, states = evidence.shape[1:]
        slot, of_event = np.unique(kind.unit * days + events.day, return_inverse=True)
        many = np.arange(len(of_event))
        adding = csr_array((np.ones(len(many)), (of_event, many)), shape=(len(slot), len(many)))
        evidence.reshape(-1, states)[slot] += adding @ messages
    return np.asarray(evidence)


def narrowed(kind: Kind, units: Ints, keep: Ints) -> Kind:
    """The kind with some units only (the last one stands in for all others) and some events."""
    place = np.full(len(kind.success_loglik), len(units), dtype=np.int64)
    place[units] = np.arange(len(units))
    stand_in = np.zeros((1, *kind.success_loglik.shape[1:]))
    stand_in[:, :, 1:] = NEVER
    model, initial = kind.model, kind.model.initial
    if initial.ndim > 1:
        model = replace(model, initial=initial[np.append(units, 0)])
    return replace(
        kind,
        success_loglik=np.concatenate([kind.success_loglik[units], stand_in]),
        unit=place[kind.unit[keep]],
        escape=kind.escape[keep],
        trust=kind.trust[keep],
        model=model,
    )
