"""The events that touch suspects of a kind, with the chains of these; and a story told of all kinds."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from pipeline.attribute.states.event_chains import EventChains, Slots
from pipeline.attribute.states.messages import Beliefs, Events, Kind, believe
from pipeline.attribute.states.model import Bools, Floats, Ints
from pipeline.attribute.states.walk import Ties, mean_escapes
from pipeline.core.side_by_side import side_by_side

MOST_NUMBERS = 20_000_000
"""Numbers in the matrices of a kind's chains at most (160 MB); beyond, its units are smoothed over all days."""
UNITS_AT_ONCE = 1000
"""Units smoothed over all days together; bounds the working memory."""


@dataclass(frozen=True)
class Part:
    """The events that touch a suspect of a kind: positions `at` among all, the kind, the events and their `slots`, and its chains, None
    where they would be too large.
    """

    at: Ints
    kind: Kind
    events: Events
    slots: Slots
    chains: EventChains | None

    @property
    def units(self) -> int:
        """How many units the kind has, the one that stands for the unsuspected among them."""
        return len(self.kind.success_loglik)

    @property
    def ties(self) -> Ties:
        """What ties its units at each event."""
        return self.events.base, self.kind.trust, self.kind.escape

    def mean_escapes(self, messages: Floats, stirred: Bools) -> tuple[Ints, Floats]:
        """Events of the units of a mask, and the unit's mean escape at each without that event's own message."""
        asked, weights = np.flatnonzero(stirred[self.kind.unit]), np.exp(messages)
        belief = (
            self._over_all_days(messages, stirred)
            if self.chains is None
            else self.chains.believe(weights, stirred)
        )
        means = mean_escapes(self.slots.of_event, belief, weights, self.kind.escape, asked)
        return asked, means

    def _over_all_days(self, messages: Floats, stirred: Bools) -> Floats:
        """As `EventChains.believe`."""
        slots, belief = self.slots, np.empty((len(self.slots.day), messages.shape[1]))
        owner = slots.unit[slots.rank]
        units = slots.unit[stirred[slots.unit]]
        for low in range(0, len(units), UNITS_AT_ONCE):
            some = units[low : low + UNITS_AT_ONCE]
            place = np.full(self.units, -1, dtype=np.int64)
            place[some] = np.arange(len(some))
            mine = np.flatnonzero(place[owner] >= 0)
            whole = believe(self.kind, self.events, messages, some).belief
            belief[mine] = whole[place[owner[mine]], slots.day[mine]]
        return belief


def suspected_parts(kinds: tuple[Kind, ...], events: Events) -> tuple[Part, ...]:
    """By kind, without the events of the unit that stands for all unsuspected ones (the last): it never changes.

    Nor do events tell anything at which none of the kind's states bites.
    """
    return tuple(side_by_side(partial(_suspected, events=events), kinds))


def _suspected(kind: Kind, events: Events) -> Part:
    at = np.flatnonzero((kind.unit < len(kind.success_loglik) - 1) & kind.bites)
    slots = Slots.of(kind.unit[at], events.day[at], kind.success_loglik.shape[1])
    at, model = at[slots.order], kind.model
    mine = replace(kind, unit=kind.unit[at], escape=kind.escape[at], trust=kind.trust[at])
    loglik, chains = kind.success_loglik, None
    if len(slots.day) * model.states**2 <= MOST_NUMBERS:
        chains = EventChains.of(loglik, model.initial, model.transition, slots)
    return Part(at, mine, events.only(at), slots, chains)


@dataclass(frozen=True)
class Passed:
    """A story told: by kind the messages of the part's events (events, states), mean escapes of all events (events,), and how far the
    last pass moved a message.
    """

    parts: tuple[Part, ...]
    messages: tuple[Floats, ...]
    escapes: tuple[Floats, ...]
    moved: float

    def whole(self, kind: int) -> Floats:
        """Messages of all events to a kind (events, states): none to the unit that stands for the unsuspected."""
        whole = np.zeros((len(self.escapes[kind]), self.messages[kind].shape[1]))
        whole[self.parts[kind].at] = self.messages[kind]
        return whole

    def belief(self, kind: int, units: Ints) -> Floats:
        """State probabilities of some units of a kind (units, days, states)."""
        part = self.parts[kind]
        return believe(part.kind, part.events, self.messages[kind], units).belief

    def beliefs(self) -> Beliefs:
        """What is believed of all units."""
        kinds = range(len(self.parts))
        return Beliefs(
            tuple(side_by_side(lambda k: self.belief(k, np.arange(self.parts[k].units)), kinds)),
            tuple(self.whole(k) for k in kinds),
            self.escapes,
            self.moved,
        )
