"""The loops of message passing, compiled: unit by unit, from one day with events to the next and back."""

from __future__ import annotations

import numpy as np

from pipeline.attribute.states.model import Bools, Floats, Ints
from pipeline.core.compiled import compiled

Steps = tuple[Floats, Floats, Floats, Floats]
"""Of `EventChains`: `ahead`, `between`, `behind` and `likely`."""
Places = tuple[Ints, Ints]
"""Of `Slots`: `block` and `begins`."""


@compiled
def smooth_slots(
    steps: Steps, places: Places, stirred: Bools, weights: Floats, belief: Floats
) -> None:
    """Set `belief` (slots, states), free by a factor, at the slots of the `stirred` (ranks,).

    `weights` (events, states): exp of the messages, in the slots' order.
    """
    ahead, between, behind, likely = steps
    block, begins = places
    first, most, states = block[1], len(block) - 1, belief.shape[1]
    told, now = np.empty((most, states)), np.empty(states)
    for rank in range(len(stirred)):
        if not stirred[rank]:
            continue
        _copied(ahead[rank], now)
        length = 0
        while length < most and block[length] + rank < block[length + 1]:
            slot = block[length] + rank
            if length:
                _led(belief[block[length - 1] + rank], between[slot - first], now)
            _copied(likely[slot], told[length])
            for event in range(begins[slot], begins[slot + 1]):
                _times(told[length], weights[event])
            _times(now, told[length])
            _shared(now, belief[slot])
            length += 1
        _copied(behind[rank], now)
        for position in range(length - 1, -1, -1):
            slot = block[position] + rank
            _times(belief[slot], now)
            if position:
                _times(told[position], now)
                _led_back(told[position], between[slot - first], now)


@compiled
def _copied(of: Floats, to: Floats) -> None:
    for s in range(len(of)):
        to[s] = of[s]


@compiled
def _times(product: Floats, factor: Floats) -> None:
    for s in range(len(product)):
        product[s] *= factor[s]


@compiled
def _shared(weight: Floats, share: Floats) -> None:
    """Set `share` to the weights, by a factor so that they sum to 1."""
    total = 0.0
    for s in range(len(weight)):
        total += weight[s]
    total = 1.0 / total
    for s in range(len(weight)):
        share[s] = weight[s] * total


@compiled
def _led(before: Floats, step: Floats, now: Floats) -> None:
    """Set `now` to `before` a step on."""
    for s in range(len(now)):
        now[s] = 0.0
    for i in range(len(now)):
        weight = before[i]
        for s in range(len(now)):
            now[s] += weight * step[i, s]


@compiled
def _led_back(after: Floats, step: Floats, now: Floats) -> None:
    """Set `now` to the likelihood of what comes `after` the step, but for a factor."""
    total = 0.0
    for s in range(len(now)):
        total += after[s]
    total = 1.0 / total
    for i in range(len(now)):
        reached = 0.0
        for s in range(len(now)):
            reached += step[i, s] * after[s]
        now[i] = reached * total


@compiled
def mean_escapes(
    slot: Ints, belief: Floats, weights: Floats, escape: Floats, asked: Ints
) -> Floats:
    """Expected escape of the unit at each of the `asked` events, that event's own message taken out of its belief (asked,).

    `slot` (events,), `belief` (slots, states), free by a factor; `weights`: exp of the messages, `escape` (events, states).
    """
    mean = np.empty(len(asked))
    for place in range(len(asked)):
        event = asked[place]
        free, whole = 0.0, 0.0
        for s in range(escape.shape[1]):
            without = belief[slot[event], s] / weights[event, s]
            free += without * escape[event, s]
            whole += without
        mean[place] = free / whole
    return mean
