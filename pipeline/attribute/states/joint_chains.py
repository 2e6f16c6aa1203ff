"""A chain and its closest rivals smoothed together, tied only on the days of their common events.

On all other days they move apart from each other, so the joint states, a few thousand, are walked from one event to the
next alone (`event_chains`), one chain's axis after the other: a step grows with the sum of their states, not with the
product squared. The days between follow from where the chain stood at both ends.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.attribute.states.event_chains import EventChains, Slots
from pipeline.attribute.states.model import Floats, Ints
from pipeline.attribute.states.smoothing import scaled_likelihood, smooth

SEGMENTS_AT_ONCE = 64
"""Stretches between two events filled together; their matrices stay in the processor's cache."""
SCALE_DAYS = 4
"""Days between two rescalings of a pass: a day's evidence is worth 100 nats at most (`day_likeness`), and doubles reach 700."""
LEAST = 1e-300


def smooth_tied(
    loglik: Floats,
    initial: Floats,
    transition: Floats,
    chains: Sequence[EventChains],
    tied: Floats,
) -> Floats:
    """State probabilities (units, days, states) of chains with evidence `loglik` (units, days, states) of their own.

    `chains`: theirs, then each rival's, all at the same slots; every unit has one. `tied` (slots, states of the chain, states of
    the first rival ...): log-likelihood of the day of each slot, with all evidence.
    """
    slots, first = chains[0].slots, chains[0].slots.block[1]
    flat = tied.reshape(len(tied), tied.shape[1], -1)
    told = np.exp(flat - flat.max(axis=(1, 2), keepdims=True))
    forward, carried = _forward(chains, told)
    back, at_slots, ends = _backward(chains, told, forward, carried)
    started, ended = (
        _outer(parts) for parts in ([r.ahead for r in chains[1:]], [r.behind for r in chains[1:]])
    )
    until = np.einsum("usr,ur,usr->us", told[:first], started, back)
    since = np.einsum("usr,ur->us", forward[slots.last], ended)
    belief = _outside(slots, loglik, initial, transition, until, since)
    _fill(slots, loglik, transition, ends, belief)
    belief[slots.unit[slots.rank], slots.day] = at_slots
    belief /= belief.sum(axis=2, keepdims=True)
    return belief


def _positions(slots: Slots) -> list[tuple[slice, slice, slice]]:
    """Of each position but the first: its slots, the slots before them, and its place among those not of the first."""
    first = slots.block[1]
    return [
        (slice(low, high), slice(before, before + high - low), slice(low - first, high - first))
        for before, low, high in zip(
            slots.block[:-2], slots.block[1:-1], slots.block[2:], strict=True
        )
    ]


def _forward(chains: Sequence[EventChains], told: Floats) -> tuple[Floats, Floats]:
    """Joint weights of each slot (slots, own states, rivals' states) by all evidence up to it, and those of the slot before with the
    rivals a step on, the chain not yet (slots after the first position, own states, rivals' states).
    """
    own, rivals, first = chains[0], chains[1:], chains[0].slots.block[1]
    forward, carried = np.empty_like(told), np.empty_like(told[first:])
    started = _outer([rival.ahead for rival in rivals])
    forward[:first] = own.ahead[:, :, None] * started[:, None] * told[:first]
    for here, before, step in _positions(own.slots):
        now = forward[before]
        now /= now.sum(axis=(1, 2), keepdims=True)
        carried[step] = _through(now, [rival.between[step] for rival in rivals])
        moved = np.matmul(own.between[step].swapaxes(1, 2), carried[step])
        np.multiply(moved, told[here], out=forward[here])
    return forward, carried


def _backward(
    chains: Sequence[EventChains], told: Floats, forward: Floats, carried: Floats
) -> tuple[Floats, Floats, Floats]:
    """Likelihood of all after the first slot of each rank (ranks, own states, rivals' states), state weights of the chain at each slot
    (slots, states), and together at both ends of the stretch before it (slots after the first position, states, states).
    """
    own, rivals, first = chains[0], chains[1:], chains[0].slots.block[1]
    back = own.behind[:, :, None] * _outer([rival.behind for rival in rivals])[:, None]
    at_slots = np.empty(told.shape[:2])
    ends = np.empty((len(carried), told.shape[1], told.shape[1]))
    for here, _, step in reversed(_positions(own.slots)):
        behind = back[: here.stop - here.start]
        at_slots[here] = (forward[here] * behind).sum(axis=2)
        reached = told[here] * behind
        ends[step] = np.matmul(carried[step], reached.swapaxes(1, 2))
        reached = _through(reached, [rival.between[step].swapaxes(1, 2) for rival in rivals])
        np.matmul(own.between[step], reached, out=behind)
        behind /= behind.sum(axis=(1, 2), keepdims=True)
    at_slots[:first] = (forward[:first] * back).sum(axis=2)
    return back, at_slots, ends


def _outer(parts: Sequence[Floats]) -> Floats:
    """Joint weights (rows, product of states) of independent parts (rows, states)."""
    whole = np.ones((len(parts[0]), 1))
    for part in parts:
        whole = (whole[:, :, None] * part[:, None, :]).reshape(len(whole), -1)
    return whole


def _through(now: Floats, steps: Sequence[Floats]) -> Floats:
    """Weights (rows, own states, rivals' states) with each rival a step (rows, states, states) on."""
    rows, own = now.shape[:2]
    before, after = 1, now.shape[2]
    for step in steps:
        size = step.shape[1]
        after //= size
        block = now.reshape(rows, own * before, size, after)
        now = np.matmul(step.swapaxes(1, 2)[:, None], block)
        before *= size
    return now.reshape(rows, own, -1)


def _outside(
    slots: Slots, loglik: Floats, initial: Floats, transition: Floats, until: Floats, since: Floats
) -> Floats:
    """Beliefs (units, days, states), right before the first slot of each unit and after its last.

    `until` (ranks, states): likelihood of the first slot's day and all after, by the state that day; `since`: probability of
    the state on the last slot's day by all evidence up to it.
    """
    rank = np.empty(len(loglik), dtype=np.int64)
    rank[slots.unit] = np.arange(len(rank))
    day = np.arange(loglik.shape[1])
    first, last = slots.day[: len(rank)][rank], slots.day[slots.last][rank]
    early = np.where((day < first[:, None])[:, :, None], loglik, 0.0)
    early[np.arange(len(rank)), first] = np.log(np.maximum(until[rank], LEAST))
    belief = smooth(early, initial, transition).belief
    start = np.array(np.broadcast_to(initial, until.shape))
    alone = np.empty((len(day), *start.shape))
    for at in day:
        alone[at] = start
        start = start @ transition
    late = np.where((day > last[:, None])[:, :, None], loglik, 0.0)
    here = alone[last, np.arange(len(rank))]
    late[np.arange(len(rank)), last] = np.log(np.maximum(since[rank], LEAST) / here)
    after = day > last[:, None]
    belief[after] = smooth(late, initial, transition).belief[after]
    return belief


def _fill(slots: Slots, loglik: Floats, transition: Floats, ends: Floats, belief: Floats) -> None:
    """Set the beliefs (units, days, states) of the days between two slots, by the chain's states at both `ends` (slots after the
    first position, states before, states at it), evidence between left out.
    """
    first = int(slots.block[1])
    unit = slots.unit[slots.rank[first:]]
    start, days = slots.day[slots.before], slots.day[first:] - slots.day[slots.before]
    likelihood = scaled_likelihood(loglik)
    order = np.argsort(-days, kind="stable")
    order = order[days[order] > 1]
    for low in range(0, len(order), SEGMENTS_AT_ONCE):
        some = order[low : low + SEGMENTS_AT_ONCE]
        inner = days[some] - 1  # so many days lie between
        behind = _behind(likelihood, start[some], inner, unit[some], transition)
        ahead = np.array(np.broadcast_to(transition, ends[some].shape))
        for step in range(int(inner[0])):
            many = int((inner > step).sum())
            going, now = some[:many], ahead[:many]
            now *= likelihood[unit[going], start[going] + step + 1][:, None]
            if step % SCALE_DAYS == 0:
                now /= now.sum(axis=(1, 2), keepdims=True)
            to_end = np.matmul(ends[going], behind[step, :many].swapaxes(1, 2))
            belief[unit[going], start[going] + step + 1] = (now * to_end).sum(axis=1)
            now[:] = np.matmul(now, transition)


def _behind(likelihood: Floats, start: Ints, inner: Ints, unit: Ints, transition: Floats) -> Floats:
    """Likelihood of what follows each day between two slots (days between, stretches, states that day, states at the end)."""
    behind = np.empty((int(inner[0]), len(inner), *transition.shape))
    behind[inner - 1, np.arange(len(inner))] = transition
    for step in range(int(inner[0]) - 1, 0, -1):
        many = int((inner > step).sum())
        reached = likelihood[unit[:many], start[:many] + step + 1][:, :, None] * behind[step, :many]
        if step % SCALE_DAYS == 0:
            reached /= reached.sum(axis=(1, 2), keepdims=True)
        behind[step - 1, :many] = np.matmul(transition, reached)
    return behind
