"""The loops of chains and messages, compiled: unit by unit, from day to day, or from one day with events to the next, and back."""

from __future__ import annotations

import numpy as np

from pipeline.attribute.states.model import Bools, Floats, Ints
from pipeline.core.compiled import compiled

Steps = tuple[Floats, Floats, Floats, Floats]
"""Of `EventChains`: `ahead`, `between`, `behind` and `likely`."""
Ties = tuple[Floats, Floats, Floats]
"""Of the events of a kind: chance, trust (events,), and escape of each state (events, states)."""
Places = tuple[Ints, Ints]
"""Of `Slots`: `block`, and `begins` or `day`."""


@compiled
def lowered(logs: Floats, out: Floats) -> None:
    """Set `out` to `logs` (rows, states), each row's highest at 0."""
    for row in range(len(logs)):
        highest = logs[row, 0]
        for s in range(1, logs.shape[1]):
            highest = max(highest, logs[row, s])
        for s in range(logs.shape[1]):
            out[row, s] = logs[row, s] - highest


@compiled
def smooth_days(
    likelihood: Floats, initial: Floats, transition: Floats, forward: Floats, belief: Floats
) -> None:
    """Set state probabilities given the evidence up to each day, and given all (units, days, states), as `smoothing.smooth`."""
    days, states = likelihood.shape[1:]
    now, reached = np.empty(states), np.empty(states)
    for unit in range(len(likelihood)):
        _copied(initial[unit], now)
        for day in range(days):
            if day:
                _led(forward[unit, day - 1], transition, now)
            _times(now, likelihood[unit, day])
            _shared(now, forward[unit, day])
        now[:] = 1.0
        for day in range(days - 1, -1, -1):
            for s in range(states):
                reached[s] = forward[unit, day, s] * now[s]
            _shared(reached, belief[unit, day])
            _times(now, likelihood[unit, day])
            _copied(now, reached)
            _led_back(reached, transition, now)


@compiled
def chain_steps(
    likelihood: Floats,
    initial: Floats,
    transition: Floats,
    places: Places,
    steps: tuple[Floats, Floats, Floats],
) -> None:
    """Set `ahead`, `between` and `behind` of `EventChains`, by the likelihood of each day (ranks, days, states) but for its events."""
    ahead, between, behind = steps
    block, day = places
    days, states = likelihood.shape[1:]
    links, now, before = _links(transition), np.empty(states), np.empty(states)
    for rank in range(len(likelihood)):
        seen = likelihood[rank]
        _copied(initial[rank], now)
        for at in range(day[rank]):
            _times(now, seen[at])
            _shared(now, before)
            _led(before, transition, now)
        _copied(now, ahead[rank])
        position, last = 1, day[rank]
        while position < len(block) - 1 and block[position] + rank < block[position + 1]:
            slot = block[position] + rank
            _through(seen[last + 1 : day[slot]], transition, links, between[slot - block[1]])
            position, last = position + 1, day[slot]
        now[:] = 1.0
        for at in range(days - 1, last, -1):
            _times(now, seen[at])
            _copied(now, before)
            _led_back(before, transition, now)
        _copied(now, behind[rank])


@compiled
def _links(transition: Floats) -> tuple[Ints, Ints]:
    """Where the transitions of each state begin that can be, and the states they lead to."""
    states = len(transition)
    begins, to = np.zeros(states + 1, dtype=np.int64), np.empty(states * states, dtype=np.int64)
    for i in range(states):
        begins[i + 1] = begins[i]
        for j in range(states):
            if transition[i, j] != 0.0:
                to[begins[i + 1]] = j
                begins[i + 1] += 1
    return begins, to


@compiled
def _through(seen: Floats, transition: Floats, links: tuple[Ints, Ints], step: Floats) -> None:
    """Set `step` (states, states) to the transition over days (days, states) between, their evidence weighed; it sums to 1."""
    begins, to = links
    states = len(transition)
    after = transition.copy()
    for at in range(len(seen) - 1, -1, -1):
        for i in range(states):
            for s in range(states):
                step[i, s] = 0.0
            for link in range(begins[i], begins[i + 1]):
                weight = transition[i, to[link]] * seen[at, to[link]]
                for s in range(states):
                    step[i, s] += weight * after[to[link], s]
        _shared(step.reshape(-1), after.reshape(-1))
    _shared(after.reshape(-1), step.reshape(-1))


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


@compiled
def move_messages(message: Floats, ties: Ties, others: Floats, told: Ints, share: float) -> Floats:
    """Move the messages (events, states) of the `told` events a `share` of the way; how far each moved, summed over states (told,).

    A message is the log-likelihood of the event by the unit's state, relative to off; `others` (told,): mean escape of all other
    units at it.
    """
    base, trust, escape = ties
    moved = np.zeros(len(told))
    for place in range(len(told)):
        event = told[place]
        free = (1.0 - base[event]) * others[place]
        off = np.log(1.0 - free * escape[event, 0])
        for s in range(1, escape.shape[1]):
            new = 0.0
            if escape[event, s] != escape[event, 0]:
                new = trust[event] * (np.log(1.0 - free * escape[event, s]) - off)
            change = share * (new - message[event, s])
            message[event, s] += change
            moved[place] += abs(change)
    return moved
