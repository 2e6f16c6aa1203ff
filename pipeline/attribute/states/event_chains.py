"""Chains seen on the days of their events alone.

While messages pass, nothing of a unit changes but what its events tell: the days between two of them are
one matrix, worked out once.  A suspect of a dozen weeks has events on two or three days, so a pass over these
says the same as one over all days for a small part of the work.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from pipeline.attribute.states.model import Bools, Floats, Ints
from pipeline.attribute.states.smoothing import each_start, scaled_likelihood
from pipeline.attribute.states.walk import chain_steps, smooth_slots


@dataclass(frozen=True)
class Slots:
    """Distinct units and days of some events: the first day of every unit that has one, then the second of those that
    have two, and so on; within each, units of more days come first, so that each unit has one rank throughout.

    - `day` (slots,); `block` (positions + 1,): where the slots of each position begin;
    - `order` (events,): the events slot by slot; `begins` (slots + 1,): where those of each slot begin in it;
    - `unit` (ranks,): the unit of each rank.
    """

    day: Ints
    block: Ints
    order: Ints
    begins: Ints
    unit: Ints

    @classmethod
    def of(cls, unit: Ints, day: Ints, days: int) -> Slots:
        """Slots of events of these units and days."""
        key, slot, count = np.unique(unit * days + day, return_inverse=True, return_counts=True)
        units, owner, many = np.unique(key // days, return_inverse=True, return_counts=True)
        by_days = np.argsort(-many, kind="stable")
        rank = np.empty(len(units), dtype=np.int64)
        rank[by_days] = np.arange(len(units))
        position = np.arange(len(key)) - (np.cumsum(many) - many)[owner]
        into = np.lexsort((rank[owner], position))
        place = np.empty(len(key), dtype=np.int64)
        place[into] = np.arange(len(key))
        return cls(
            day=key[into] % days,
            block=np.append(0, np.cumsum(np.bincount(position, minlength=1))),
            order=np.argsort(place[slot], kind="stable"),
            begins=np.append(0, np.cumsum(count[into])),
            unit=units[by_days],
        )

    @cached_property
    def rank(self) -> Ints:
        """Rank of the unit of each slot (slots,)."""
        return np.arange(len(self.day)) - np.repeat(self.block[:-1], np.diff(self.block))

    @cached_property
    def before(self) -> Ints:
        """Slot before each slot of the second position on, of the same unit."""
        wide = np.diff(self.block)
        return np.repeat(self.block[:-2], wide[1:]) + self.rank[self.block[1] :]

    @cached_property
    def last(self) -> Ints:
        """Last slot of each rank (ranks,)."""
        last = np.empty(len(self.unit), dtype=np.int64)
        last[self.rank] = np.arange(len(self.day))  # of several the last stands
        return last

    @cached_property
    def of_event(self) -> Ints:
        """Slot of each event, in the slots' order (events,)."""
        return np.repeat(np.arange(len(self.day)), np.diff(self.begins))


@dataclass(frozen=True)
class EventChains:
    """The chains of some units with events.

    - `ahead` (ranks, states): probabilities on the first day with events, by the evidence of the days before;
    - `between` (slots after the first position, states, states): from the slot before to each, by the evidence of the days
      between;
    - `behind` (ranks, states): likelihood of all days after the last one with events;
    - `own` (slots, states): log evidence of the slot's day but for its events.

    The first three but for a factor of each unit.
    """

    slots: Slots
    ahead: Floats
    between: Floats
    behind: Floats
    own: Floats

    @classmethod
    def of(cls, loglik: Floats, initial: Floats, transition: Floats, slots: Slots) -> EventChains:
        """Chains with other evidence `loglik` (units, days, states)."""
        ranks, first, size = len(slots.unit), int(slots.block[1]), len(transition)
        start = each_start(initial[slots.unit] if initial.ndim > 1 else initial, ranks)
        steps = (
            np.empty((ranks, size)),
            np.empty((len(slots.day) - first, size, size)),
            np.empty((ranks, size)),
        )
        likelihood = scaled_likelihood(loglik[slots.unit])
        chain_steps(likelihood, start, transition, (slots.block, slots.day), steps)
        return cls(slots, *steps, loglik[slots.unit[slots.rank], slots.day])

    @cached_property
    def likely(self) -> Floats:
        """Likelihood of the slot's day but for its events, the highest state at 1 (slots, states)."""
        highest = self.own.max(axis=1, keepdims=True, initial=-np.inf)
        return np.asarray(np.exp(self.own - highest))

    def believe(self, weights: Floats, stirred: Bools) -> Floats:
        """State probabilities (slots, states) of the units of a mask, each free by a factor; of others not set.

        `weights` (events, states): exp of the messages they get, in the slots' order.
        """
        slots, belief = self.slots, np.empty_like(self.own)
        steps = self.ahead, self.between, self.behind, self.likely
        smooth_slots(steps, (slots.block, slots.begins), stirred[slots.unit], weights, belief)
        return belief
