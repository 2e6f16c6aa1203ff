"""Messages between the fault states of vehicles, EVSEs and pairings, tied by the attempts that
failed.

Noisy-OR: an attempt succeeds only if no cause bites, P(success) = (1 - base) (1 - q_vehicle) (1 -
q_evse) (1 - q_pairing). Seen from one unit, a failure's likelihood is 1 - (1 - base) (1 - q_unit) x
the others' expected escape, so a message needs only the others' mean escape without that very
failure (loopy sum-product; Kschischang, Frey & Loeliger 2001, cited from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import reduce

import numpy as np

from pipeline.attribute.baseline.laplace import Floats, Ints
from pipeline.attribute.states.smoothing import Smoothed, StateModel, smooth
from pipeline.settings.attribute import StatePrior

NEVER = -1e9
"""Log evidence of a state that is ruled out: the unit that stands for unknown or unsuspected ones is never on.

It gathers the failures of all of them, so this must outweigh any sum of messages (ten million failures of five nats).
"""
AT_REST = 1e-8
"""A message that moves less than this, over its states, is at rest; two orders below the 1e-6 to which answers must agree."""
LAST_DAMPING, SLOWING_PASSES = 0.7, 30
"""Damping reached, and after how many passes: see-sawing (slope below -2.3) was seen at 0.4 and needs more."""
PAIRINGS_JOIN = 8
"""Passes after which vehicles and EVSEs have mostly settled between them."""
EVERY = slice(None)


@dataclass(frozen=True)
class Kind:
    """One kind of unit in a problem: evidence of its successes by unit and day, its habits, and
    which unit each failure touched.

    `success_loglik` (units, days, states): log-likelihood of the successes; `escape` (failures, states): 1 -
    q of each state at that failure; `trust` (failures,): weight of that failure in this unit's
    evidence (distrust, and likeness of one day's attempts).
    """

    name: str
    success_loglik: Floats
    unit: Ints
    escape: Floats
    trust: Floats
    model: StateModel


@dataclass(frozen=True)
class Failures:
    """The failed attempts, one by one.

    Day, base probability (chance), distrust weight, row in the evidence.
    """

    day: Ints
    base: Floats
    weight: Floats
    row: Ints

    def only(self, keep: Ints) -> Failures:
        """The failures at these positions."""
        return Failures(self.day[keep], self.base[keep], self.weight[keep], self.row[keep])


@dataclass(frozen=True)
class Beliefs:
    """Result of message passing for the three kinds.

    Smoothed states, last messages (failures, states), others' mean escape (failures,).
    """

    smoothed: tuple[Smoothed, ...]
    messages: tuple[Floats, ...]
    escapes: tuple[Floats, ...]
    moved: float


def level_escape(prior: StatePrior, seen: Floats) -> Floats:
    """1 - q for each attempt and state (attempts, states).

    Diode states bite in proportion to `seen`, the chance the EVSE looks.
    """
    levels = np.array([level for level, _ in prior.failure_probability])
    diode = np.array([looked for _, looked in prior.failure_probability])
    bite = np.where(diode[None, :], levels[None, :] * seen[:, None], levels[None, :])
    return np.concatenate([np.ones((len(seen), 1)), 1.0 - bite], axis=1)


def exchange(
    kinds: tuple[Kind, ...], failures: Failures, *, passes: int, damping: float
) -> Beliefs:
    """Pass messages until they rest or `passes` are done; vehicles and EVSEs at once, so neither
    side is favoured.

    Pairings join after `PAIRINGS_JOIN` passes: one faulty EVSE touches a pairing for each vehicle
    model it serves, and were all of them suspected from the start they would explain it away
    together, dear as that story is.  Only units whose messages still move are smoothed again.
    Damping grows with the passes, which ends see-sawing between two stories.
    """
    alone = np.ones(len(failures.day))
    messages = [_message(kind, failures, alone) * (kind.name != "pairing") for kind in kinds]
    beliefs = [np.zeros_like(kind.success_loglik) for kind in kinds]
    escapes = [np.ones(len(failures.day)) for _ in kinds]
    stirred = [np.ones(len(kind.success_loglik), dtype=bool) for kind in kinds]
    moved = np.inf
    for turn in range(passes):
        for k, kind in enumerate(kinds):
            units = np.flatnonzero(stirred[k])
            beliefs[k][units] = _believe(kind, failures, messages[k], units).belief
            touched = np.flatnonzero(stirred[k][kind.unit])
            escapes[k][touched] = _mean_escape(kind, failures, beliefs[k], messages[k], touched)
        if turn == PAIRINGS_JOIN:
            stirred = [np.ones_like(flags) for flags in stirred]
        near = np.flatnonzero(
            np.any([stirred[k][kind.unit] for k, kind in enumerate(kinds)], axis=0)
        )
        keep = damping + (LAST_DAMPING - damping) * min(turn / SLOWING_PASSES, 1.0)
        moved = 0.0
        for k, kind in enumerate(kinds):
            if kind.name == "pairing" and turn < PAIRINGS_JOIN:
                continue
            others = reduce(np.multiply, (escapes[j][near] for j in range(len(kinds)) if j != k))
            change = (1.0 - keep) * (_message(kind, failures, others, near) - messages[k][near])
            messages[k][near] += change
            size = np.abs(change) @ np.ones(change.shape[1])
            moved = max(moved, float(size.max(initial=0.0)))
            stirred[k][:] = False
            stirred[k][kind.unit[near[size > AT_REST]]] = True
        if moved <= AT_REST and turn >= PAIRINGS_JOIN:
            break
    smoothed = tuple(
        _believe(kind, failures, message) for kind, message in zip(kinds, messages, strict=True)
    )
    return Beliefs(smoothed, tuple(messages), tuple(escapes), moved)


def _message(kind: Kind, failures: Failures, others: Floats, at: Ints | slice = EVERY) -> Floats:
    """Log-likelihood of each failure by the unit's state, relative to off (failures, states)."""
    fail = 1.0 - ((1.0 - failures.base[at]) * others)[:, None] * kind.escape[at]
    logs = np.log(fail)
    return np.asarray(kind.trust[at][:, None] * (logs - logs[:, :1]))


def _believe(
    kind: Kind, failures: Failures, messages: Floats, units: Ints | None = None
) -> Smoothed:
    evidence = (
        kind.success_loglik + scatter(kind, failures, messages)
        if units is None
        else _evidence_of(kind, failures, messages, units)
    )
    return smooth(evidence, kind.model.initial, kind.model.transition)


def _evidence_of(kind: Kind, failures: Failures, messages: Floats, units: Ints) -> Floats:
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
    return np.asarray(part.success_loglik + scatter(part, failures.only(rows), messages[rows]))


def scatter(kind: Kind, failures: Failures, messages: Floats) -> Floats:
    """Sum of messages by unit and day (units, days, states)."""
    units, days, states = kind.success_loglik.shape
    slot = kind.unit * days + failures.day
    total = np.zeros((units * days, states))
    for state in range(1, states):
        total[:, state] = np.bincount(slot, messages[:, state], units * days)
    return total.reshape(units, days, states)


def _mean_escape(
    kind: Kind, failures: Failures, belief: Floats, messages: Floats, at: Ints
) -> Floats:
    """Expected escape of the unit at each failure, that failure's own message taken out
    (failures,).
    """
    without = belief[kind.unit[at], failures.day[at]] * np.exp(-messages[at])
    return np.asarray(
        np.einsum("ij,ij->i", without, kind.escape[at]) / (without @ np.ones(without.shape[1]))
    )


def narrowed(kind: Kind, units: Ints, keep: Ints) -> Kind:
    """The kind with only some units (the last one stays, as stand-in for all others) and some
    failures.
    """
    place = np.full(len(kind.success_loglik), len(units), dtype=np.int64)
    place[units] = np.arange(len(units))
    stand_in = np.zeros((1, *kind.success_loglik.shape[1:]))
    stand_in[:, :, 1:] = NEVER
    return replace(
        kind,
        success_loglik=np.concatenate([kind.success_loglik[units], stand_in]),
        unit=place[kind.unit[keep]],
        escape=kind.escape[keep],
        trust=kind.trust[keep],
    )
