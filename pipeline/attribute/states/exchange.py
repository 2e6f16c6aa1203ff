"""Messages between the states of all kinds of units, tied by the attempts that did not charge.

Noisy-OR: an attempt charges only if no cause bites, P(charged) = (1 - base) Π (1 - q_unit). Seen
from one unit, an event's likelihood is 1 - (1 - base) (1 - q_unit) x the others' expected escape,
so a message needs only the others' mean escape without that very event (loopy sum-product;
Kschischang, Frey & Loeliger 2001, cited from memory).  A silence is such an event too, with its
own q and base: it comes before a failure can, so an attempt that failed after asking, or charged,
speaks against silence.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import reduce

import numpy as np

from pipeline.attribute.states.event_chains import EVERY, EventChains, Rows, Slots
from pipeline.attribute.states.messages import Beliefs, Events, Kind, believe
from pipeline.attribute.states.model import Bools, Floats, Ints

AT_REST = 1e-4
"""A message that moves less than this, over its states, is at rest: no probability moves by more than its tenth."""
LAST_DAMPING, SLOWING_PASSES = 0.7, 30
"""Damping reached, and after how many passes: see-sawing (slope below -2.3) was seen at 0.4 and needs more."""
MOST_NUMBERS = 20_000_000
"""Numbers in the matrices of a kind's chains at most (160 MB); beyond, its units are smoothed over all days."""
UNITS_AT_ONCE = 1000
"""Units smoothed over all days together; bounds the working memory."""
LATE, JOIN = ("pairing", "place", "hour"), 8
"""Kinds that join when vehicles and EVSEs have mostly settled between them, and after how many passes."""


def exchange(
    kinds: tuple[Kind, ...],
    events: Events,
    *,
    passes: int,
    damping: float,
    late: tuple[str, ...] = LATE,
    start: tuple[Floats, ...] | None = None,
    parts: tuple[Part, ...] | None = None,
) -> Beliefs:
    """Pass messages until they rest or `passes` are done.

    Kinds that are `late` join after some passes.  Pairings do by default: one faulty EVSE touches a
    pairing for each vehicle model it serves, and were all of them suspected from the start they
    would explain it away together, dear as that story is (`stories` asks the other way round too).
    From messages given (`start`) all kinds go on at once.  Only units whose messages still move are
    smoothed again.  Damping grows with the passes, which ends see-sawing between two stories. `parts`: what
    `suspected_parts` makes, where it is at hand.
    """
    parts = parts or suspected_parts(kinds, events)
    join = JOIN if start is None else 0
    if start is None:
        alone = np.ones(len(events.day))
        messages = [
            _message(p.kind, p.events, alone[p.at]) * (p.kind.name not in late) for p in parts
        ]
    else:
        messages = [given[p.at] for p, given in zip(parts, start, strict=True)]
    escapes = [np.ones(len(events.day)) for _ in kinds]
    stirred = [
        np.full(len(kind.success_loglik), part.at.size > 0)
        for kind, part in zip(kinds, parts, strict=True)
    ]
    moved = np.inf
    for turn in range(passes):
        near = np.zeros(len(events.day), dtype=bool)
        for k, part in enumerate(parts):
            if not stirred[k].any():
                continue
            touched, belief = part.believe(messages[k], stirred[k])
            at = part.at[touched]
            escapes[k][at] = _mean_escape(part.kind, belief, messages[k], touched)
            near[at] = True
        if turn == join:
            stirred = [
                np.full(len(flags), p.at.size > 0) for flags, p in zip(stirred, parts, strict=True)
            ]
            near[:] = True
        keep = damping + (LAST_DAMPING - damping) * min(turn / SLOWING_PASSES, 1.0)
        moved, together = 0.0, reduce(np.multiply, escapes)
        for k, part in enumerate(parts):
            if not part.at.size or (part.kind.name in late and turn < join):
                continue
            told = EVERY if near.all() else np.flatnonzero(near[part.at])
            at = part.at[told]
            change = _message(part.kind, part.events, together[at] / escapes[k][at], told)
            change -= messages[k][told]
            change *= 1.0 - keep
            messages[k][told] += change
            size = np.abs(change, out=change) @ np.ones(change.shape[1])
            moved = max(moved, float(size.max(initial=0.0)))
            stirred[k][:] = False
            stirred[k][part.kind.unit[told][size > AT_REST]] = True
        if moved <= AT_REST and turn >= join:
            break
    final = tuple(
        believe(p.kind, p.events, message, np.arange(len(p.kind.success_loglik))).belief
        for p, message in zip(parts, messages, strict=True)
    )
    whole = tuple(p.spread(m, len(events.day)) for p, m in zip(parts, messages, strict=True))
    return Beliefs(final, whole, tuple(escapes), moved)


@dataclass(frozen=True)
class Part:
    """The events that touch a suspect of a kind: positions `at` among all, the kind and the events, and its chains, None where they
    would be too large.
    """

    at: Ints
    kind: Kind
    events: Events
    chains: EventChains | None

    def believe(self, messages: Floats, stirred: Bools) -> tuple[Rows, Floats]:
        """As `EventChains.believe`."""
        if self.chains is not None:
            return self.chains.believe(messages, stirred)
        kind, touched = self.kind, np.flatnonzero(stirred[self.kind.unit])
        units, place = np.unique(kind.unit[touched], return_inverse=True)
        belief = np.empty((len(touched), messages.shape[1]))
        for low in range(0, len(units), UNITS_AT_ONCE):
            mine = np.flatnonzero((place >= low) & (place < low + UNITS_AT_ONCE))
            whole = believe(kind, self.events, messages, units[low : low + UNITS_AT_ONCE]).belief
            belief[mine] = whole[place[mine] - low, self.events.day[touched[mine]]]
        return touched, belief

    def spread(self, messages: Floats, events: int) -> Floats:
        """Messages of all events: none to the unit that stands for the unsuspected."""
        whole = np.zeros((events, messages.shape[1]))
        whole[self.at] = messages
        return whole


def suspected_parts(kinds: tuple[Kind, ...], events: Events) -> tuple[Part, ...]:
    """By kind, without the events of the unit that stands for all unsuspected ones (the last): it never changes.

    Nor do events tell anything at which none of the kind's states bites.
    """
    parts = []
    for kind in kinds:
        at = np.flatnonzero((kind.unit < len(kind.success_loglik) - 1) & kind.bites)
        slots = Slots.of(kind.unit[at], events.day[at], kind.success_loglik.shape[1])
        at, model = at[slots.order], kind.model
        mine = replace(kind, unit=kind.unit[at], escape=kind.escape[at], trust=kind.trust[at])
        loglik, chains = kind.success_loglik, None
        if len(slots.day) * model.states**2 <= MOST_NUMBERS:
            chains = EventChains.of(loglik, model.initial, model.transition, slots)
        parts.append(Part(at, mine, events.only(at), chains))
    return tuple(parts)


def _message(kind: Kind, events: Events, others: Floats, at: Rows = EVERY) -> Floats:
    """Log-likelihood of each event by the unit's state, relative to off (events, states)."""
    fail = ((1.0 - events.base[at]) * others)[:, None] * kind.escape[at]
    logs = np.log(np.subtract(1.0, fail, out=fail), out=fail)
    logs -= logs[:, :1].copy()
    logs *= kind.trust[at][:, None]
    return np.asarray(logs)


def _mean_escape(kind: Kind, belief: Floats, messages: Floats, at: Rows) -> Floats:
    """Expected escape of the unit at each of some events, that event's own message taken out of its belief (events,)."""
    without = np.exp(-messages[at])
    without *= belief
    total = without @ np.ones(without.shape[1])
    return np.asarray(np.einsum("ij,ij->i", without, kind.escape[at]) / total)
