"""Messages between the states of all kinds of units, tied by the attempts that did not charge.

Noisy-OR: an attempt charges only if no cause bites, P(charged) = (1 - base) Π (1 - q_unit). Seen
from one unit, an event's likelihood is 1 - (1 - base) (1 - q_unit) x the others' expected escape,
so a message needs only the others' mean escape without that very event (loopy sum-product;
Kschischang, Frey & Loeliger 2001, cited from memory).  A silence is such an event too, with its
own q and base: it comes before a failure can, so an attempt that failed after asking, or charged,
speaks against silence.
"""

from __future__ import annotations

from functools import reduce

import numpy as np

from pipeline.attribute.states.messages import Beliefs, Events, Kind
from pipeline.attribute.states.model import Bools, Floats, Ints
from pipeline.attribute.states.parts import Part, Passed, suspected_parts
from pipeline.attribute.states.walk import move_messages

AT_REST = 1e-4
"""A message that moves less than this, over its states, is at rest: no probability moves by more than its tenth."""
LAST_DAMPING, SLOWING_PASSES = 0.7, 30
"""Damping reached, and after how many passes: see-sawing (slope below -2.3) was seen at 0.4 and needs more."""
LATE, JOIN = ("pairing", "place", "hour"), 8
"""Kinds that join when vehicles and EVSEs have mostly settled between them, and after how many passes."""


def exchange(
    kinds: tuple[Kind, ...],
    events: Events,
    *,
    passes: int,
    damping: float,
    late: tuple[str, ...] = LATE,
) -> Beliefs:
    """What is believed of all units when messages rest or `passes` are done; see `fresh_story`."""
    parts = suspected_parts(kinds, events)
    return fresh_story(parts, events, late, passes=passes, damping=damping).beliefs()


def fresh_story(
    parts: tuple[Part, ...],
    events: Events,
    late: tuple[str, ...] = LATE,
    *,
    passes: int,
    damping: float,
) -> Passed:
    """A story told from the start; kinds that are `late` join after some passes.

    Pairings do by default: one faulty EVSE touches a pairing for each vehicle model it serves, and
    were all of them suspected from the start they would explain it away together, dear as that
    story is (`stories` asks the other way round too).
    """
    messages = []
    for part in parts:
        message = np.zeros(part.kind.escape.shape)
        if part.kind.name not in late:
            every = np.arange(len(part.at))
            move_messages(message, part.ties, np.ones(len(every)), every, 1.0)
        messages.append(message)
    return pass_messages(parts, events, messages, late, passes=passes, damping=damping, join=JOIN)


def pass_messages(
    parts: tuple[Part, ...],
    events: Events,
    messages: list[Floats],
    late: tuple[str, ...] = (),
    *,
    passes: int,
    damping: float,
    join: int = 0,
) -> Passed:
    """Pass messages (events of the part, states), by kind, until they rest or `passes` are done; `late` kinds join after `join` passes.

    Only units whose messages still move are smoothed again. Damping grows with the passes, which ends
    see-sawing between two stories.
    """
    escapes = [np.ones(len(events.day)) for _ in parts]
    stirred = [np.full(part.units, part.at.size > 0) for part in parts]
    moved = np.inf
    for turn in range(passes):
        near = np.full(len(events.day), turn == join)
        waits = [part.kind.name in late and turn < join for part in parts]
        whole = list(zip(parts, messages, escapes, stirred, waits, strict=True))
        for part, message, escape, units, wait in whole:
            if units.any():
                near[_hear(part, message, units, escape)] = True
            elif wait:
                near[part.at] = True  # heard once: nothing is told before they join
        keep = damping + (LAST_DAMPING - damping) * min(turn / SLOWING_PASSES, 1.0)
        moved, together = 0.0, reduce(np.multiply, escapes)
        for part, message, escape, units, wait in whole:
            units[:] = False
            if part.at.size and not wait:
                told = np.flatnonzero(near[part.at])
                far = _tell(part, message, units, (together, escape), told, 1.0 - keep)
                moved = max(moved, far)
        if moved <= AT_REST and turn >= join:
            break
    return Passed(parts, tuple(messages), tuple(escapes), moved)


def _hear(part: Part, message: Floats, stirred: Bools, escape: Floats) -> Ints:
    """Smooth the stirred units of a kind and put their mean `escape` (all events,) at each of their events, which are returned."""
    asked, means = part.mean_escapes(message, stirred)
    at = part.at[asked]
    escape[at] = means
    return at


def _tell(
    part: Part,
    message: Floats,
    stirred: Bools,
    escapes: tuple[Floats, Floats],
    told: Ints,
    share: float,
) -> float:
    """Move the messages of some of a part's events a `share` of the way, and mark units that are `stirred` by it.

    `escapes`: mean escape of all kinds together and of this one, at all events. Returns the farthest move.
    """
    together, own = escapes
    at = part.at[told]
    size = move_messages(message, part.ties, together[at] / own[at], told, share)
    stirred[part.kind.unit[told[size > AT_REST]]] = True
    return float(size.max(initial=0.0))
