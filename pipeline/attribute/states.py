"""Messages between the fault states of vehicles, EVSEs and pairings, tied by the attempts that failed.

Noisy-OR: an attempt succeeds only if no cause bites, P(success) = (1 - base) (1 - q_vehicle) (1 - q_evse) (1 - q_pairing).
Seen from one unit, a failure's likelihood is 1 - (1 - base) (1 - q_unit) x the others' expected escape, so a message needs
only the others' mean escape without that very failure (loopy sum-product; Kschischang, Frey & Loeliger 2001, cited from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipeline.attribute.chains import Habits, Smoothed, smooth
from pipeline.attribute.laplace import Floats, Ints
from pipeline.settings.attribute import StatePrior

NEVER = -200.0
"""Log evidence of a state that is ruled out (the 'unknown' unit is never on)."""


@dataclass(frozen=True)
class Kind:
    """One kind of unit in a problem: evidence of its successes by unit and day, its habits, and which unit each failure touched.

    `quiet` (units, days, states): log-likelihood of the successes; `escape` (failures, states): 1 - q of each state at that failure.
    """

    name: str
    quiet: Floats
    unit: Ints
    escape: Floats
    habits: Habits


@dataclass(frozen=True)
class Failures:
    """The failed attempts, one by one: day, base probability (chance), distrust weight, row in the evidence."""

    day: Ints
    base: Floats
    weight: Floats
    row: Ints

    def only(self, keep: Ints) -> Failures:
        return Failures(self.day[keep], self.base[keep], self.weight[keep], self.row[keep])


@dataclass(frozen=True)
class Beliefs:
    """Result of message passing for the three kinds: smoothed states, last messages (failures, states), others' mean escape (failures,)."""

    smoothed: tuple[Smoothed, ...]
    messages: tuple[Floats, ...]
    escapes: tuple[Floats, ...]
    moved: float


def level_escape(prior: StatePrior, seen: Floats) -> Floats:
    """1 - q for each attempt and state (attempts, levels + 1); diode states bite in proportion to `seen`, the chance the EVSE looks."""
    levels = np.asarray(prior.levels)
    bite = np.where(np.asarray(prior.diode)[None, :], levels[None, :] * seen[:, None], levels[None, :])
    return np.concatenate([np.ones((len(seen), 1)), 1.0 - bite], axis=1)


def exchange(kinds: tuple[Kind, ...], failures: Failures, *, passes: int, damping: float) -> Beliefs:
    """Pass messages until `passes` are done; all kinds at once, so the order of kinds does not matter."""
    messages = tuple(_message(kind, failures, np.ones(len(failures.day))) for kind in kinds)
    escapes: tuple[Floats, ...] = ()
    moved = np.inf
    for turn in range(passes):
        smoothed = tuple(_believe(kind, failures, message) for kind, message in zip(kinds, messages, strict=True))
        escapes = tuple(
            mean_escape(kind, failures, seen.belief, message)
            for kind, seen, message in zip(kinds, smoothed, messages, strict=True)
        )
        if turn == passes - 1:
            break
        fresh = tuple(
            _message(kind, failures, np.prod([e for j, e in enumerate(escapes) if j != i], axis=0))
            for i, kind in enumerate(kinds)
        )
        moved = max(float(np.abs(new - old).max(initial=0.0)) for new, old in zip(fresh, messages, strict=True))
        if moved < 1e-10:
            break
        messages = tuple(damping * old + (1.0 - damping) * new for old, new in zip(messages, fresh, strict=True))
    return Beliefs(smoothed, messages, escapes, moved)


def _message(kind: Kind, failures: Failures, others: Floats) -> Floats:
    """Log-likelihood of each failure by the unit's state, relative to off (failures, states)."""
    fail = 1.0 - ((1.0 - failures.base) * others)[:, None] * kind.escape
    logs = np.log(fail)
    return np.asarray(failures.weight[:, None] * (logs - logs[:, :1]))


def _believe(kind: Kind, failures: Failures, messages: Floats) -> Smoothed:
    return smooth(kind.quiet + scatter(kind, failures, messages), kind.habits.initial, kind.habits.step)


def scatter(kind: Kind, failures: Failures, messages: Floats) -> Floats:
    """Sum of messages by unit and day (units, days, states)."""
    units, days, states = kind.quiet.shape
    slot = kind.unit * days + failures.day
    total = np.zeros((units * days, states))
    for state in range(1, states):
        total[:, state] = np.bincount(slot, messages[:, state], units * days)
    return total.reshape(units, days, states)


def mean_escape(kind: Kind, failures: Failures, belief: Floats, messages: Floats) -> Floats:
    """Expected escape of the unit at each failure, that failure's own message taken out (failures,)."""
    without = belief[kind.unit, failures.day] * np.exp(-messages)
    return np.asarray((without * kind.escape).sum(axis=1) / without.sum(axis=1))


def narrowed(kind: Kind, units: Ints, keep: Ints) -> Kind:
    """The kind with only some units (the last one stays, as stand-in for all others) and some failures."""
    place = np.full(len(kind.quiet), len(units), dtype=np.int64)
    place[units] = np.arange(len(units))
    stand_in = np.zeros((1, *kind.quiet.shape[1:]))
    stand_in[:, :, 1:] = NEVER
    return replace(
        kind, quiet=np.concatenate([kind.quiet[units], stand_in]), unit=place[kind.unit[keep]], escape=kind.escape[keep]
    )
