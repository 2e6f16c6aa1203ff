"""Do the data tell this unit from its partners?  Posterior odds against the best rival story.

The rival story explains every attempt of the unit that did not charge, since its onset, without it:
one other kind of unit at a time (each partner at fault, as likely as third parties leave it), or
chance.  In the unit's own story the same partners may be at fault besides: what others prove of a bad
pairing takes nothing from an EVSE that fails with other models too.  Third parties' evidence is a
partner's chain without the unit's own attempts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.attribute.evidence import Evidence
from pipeline.attribute.states.kinds import AT_FAULT, KINDS
from pipeline.attribute.states.likelihood import Solved, summed_loglik
from pipeline.attribute.states.model import Floats, Ints, tally
from pipeline.attribute.states.smoothing import smooth
from pipeline.attribute.states.solution import Solution

LEAST_RATE, MOST_RATE = 0.03, 0.97
"""Share of attempts that fail under a fault, as each story may choose it."""
LEAST_REACH = 0.05
"""A fault that bites under a circumstance explains no failure where that hardly holds."""
PAIRS_AT_ONCE = 2000
"""Chains smoothed together; bounds the working memory."""
CHANCE = "chance"
TIE_DIGITS = 9
"""Stories equally good to so many decimals of a nat: the last ones of a sum depend on its order."""


@dataclass(frozen=True)
class Odds:
    """Of each asked unit: log2 odds against its best rival story, and the kind that story blames."""

    bits: Floats
    rival: list[str]


def posterior_odds(solution: Solution, kind: int, units: Ints, since: Floats) -> Odds:
    """Odds of `units` of a kind; `since` (units,): day from which their attempts count."""
    evidence = solution.evidence
    column = evidence.columns[kind]
    place = np.full(evidence.sizes[kind], -1, dtype=np.int64)
    place[units] = np.arange(len(units))
    rows = np.flatnonzero(place[column] >= 0)
    mine = place[column[rows]]
    kept = evidence.at_days[rows] >= since[mine]
    rows, mine = rows[kept], mine[kept]
    chance = _chance(solution)
    model = solution.units[kind].model
    on = model.initial if model.initial.ndim == 1 else model.initial.mean(axis=0)
    prior = np.log((on * model.fault_mask).sum())
    luck = tally(mine, _luck(evidence, rows, chance), len(units))
    alone = _tallies(solution, rows, mine, len(units), chance)
    names, margins = [CHANCE], [prior + alone.best() - luck]
    for other in range(AT_FAULT):
        if other != kind:
            names.append(KINDS[other])
            pairs = _pairs(solution, other, rows, mine, chance)
            margins.append(prior + pairs.with_unit(len(units)) - pairs.without_unit(len(units)))
    values = np.stack(margins)
    worst = values.round(TIE_DIGITS).argmin(axis=0)
    return Odds(values.min(axis=0) / np.log(2.0), [names[i] for i in worst])


def _chance(solution: Solution) -> Floats:
    """Chance that each attempt fails by chance or a passing event of its site or habit (attempts,)."""
    base = np.zeros(len(solution.evidence.failed))
    others = np.prod(solution.judged.escapes[AT_FAULT:], axis=0)
    base[solution.rows] = 1.0 - (1.0 - solution.chance.base) * others
    return base


def _luck(evidence: Evidence, rows: Ints, chance: Floats) -> Floats:
    """Log-likelihood of attempts under chance alone (rows,); those that charged say nothing."""
    event = evidence.event[rows]
    return evidence.weight[rows] * np.where(event, np.log(np.maximum(chance[rows], 1e-12)), 0.0)


@dataclass(frozen=True)
class _Tallies:
    """Of some groups, by circumstance (circumstances, groups): what failed and was tried where a fault
    could bite, and the log-likelihood of chance for what failed elsewhere.
    """

    missed: Floats
    tried: Floats
    luck: Floats

    def at(self, rate: Floats) -> Floats:
        """Log-likelihood under a fault that fails this share (circumstances, groups)."""
        good = np.maximum(self.tried - self.missed, 0.0)
        return np.asarray(self.missed * np.log(rate) + good * np.log1p(-rate) + self.luck)

    def best(self) -> Floats:
        """The same under the likeliest fault of each group, one that bites anywhere or under a circumstance (groups,)."""
        return np.asarray((self.at(_rate(self.missed, self.tried)) - self.places).max(axis=0))

    @property
    def places(self) -> Floats:
        """Prior cost of a circumstance (circumstances, 1)."""
        return np.asarray(np.log(2.0) * (np.arange(len(self.missed)) > 0)[:, None])


def _rate(missed: Floats, tried: Floats) -> Floats:
    return np.clip((missed + 0.5) / (np.maximum(tried, missed) + 1.0), LEAST_RATE, MOST_RATE)


def _tallies(solution: Solution, rows: Ints, group: Ints, groups: int, chance: Floats) -> _Tallies:
    evidence = solution.evidence
    weight, event = evidence.weight[rows], evidence.event[rows]
    luck = _luck(evidence, rows, chance)
    missed, tried, apart = [], [], []
    for column in solution.reach[rows].T:
        inside = column >= LEAST_REACH
        missed.append(tally(group, weight * (event & inside), groups))
        tried.append(tally(group, np.where(event, weight * inside, weight * column), groups))
        apart.append(tally(group, np.where(inside, 0.0, luck), groups))
    return _Tallies(np.stack(missed), np.stack(tried), np.stack(apart))


@dataclass(frozen=True)
class _Pairs:
    """Each unit with each partner of a kind: `group` (pairs,) the unit, `at_fault` the partner's
    probability by third parties, `luck` the log-likelihood of chance, `told` the tallies.
    """

    group: Ints
    at_fault: Floats
    luck: Floats
    told: _Tallies

    def without_unit(self, units: int) -> Floats:
        """Log-likelihood that partners at fault, or chance, did it all (units,)."""
        with np.errstate(divide="ignore"):
            told = np.logaddexp(
                np.log1p(-self.at_fault) + self.luck, np.log(self.at_fault) + self.told.best()
            )
        return tally(self.group, told, units)

    def with_unit(self, units: int) -> Floats:
        """The same where the unit is at fault besides, failing one share of all, or of what partners do not explain."""
        both = (np.ones(len(self.group)), 1.0 - self.at_fault)
        return np.maximum(*(self._beside(units, counts) for counts in both))

    def _beside(self, units: int, counts: Floats) -> Floats:
        """The same, its share that of the pairs as far as they count (pairs,)."""
        missed, tried = (
            np.stack([tally(self.group, counts * each, units) for each in values])
            for values in (self.told.missed, self.told.tried)
        )
        own = self.told.at(_rate(missed, tried)[:, self.group])
        theirs = np.maximum(self.told.best(), own)  # both at fault fit no worse than one
        with np.errstate(divide="ignore"):
            told = np.logaddexp(np.log1p(-self.at_fault) + own, np.log(self.at_fault) + theirs)
        by_unit = np.stack([tally(self.group, each, units) for each in told])
        return np.asarray((by_unit - self.told.places).max(axis=0))


def _pairs(solution: Solution, other: int, rows: Ints, mine: Ints, chance: Floats) -> _Pairs:
    evidence = solution.evidence
    width = evidence.sizes[other]
    pair, where = np.unique(mine * width + evidence.columns[other][rows], return_inverse=True)
    failed = np.bincount(where, evidence.event[rows]) > 0
    at_fault = np.zeros(len(pair))
    at_fault[failed] = _third_parties(
        solution, other, rows, where, np.flatnonzero(failed), pair % width
    )
    return _Pairs(
        group=pair // width,
        at_fault=at_fault,
        luck=tally(where, _luck(evidence, rows, chance), len(pair)),
        told=_tallies(solution, rows, where, len(pair), chance),
    )


def _third_parties(
    solution: Solution, other: int, rows: Ints, where: Ints, pairs: Ints, partner: Ints
) -> Floats:
    """Probability, by third parties' attempts, that the partner was at fault when the unit failed.

    One for each of `pairs`; `where` (rows,): the pair of each attempt of the units; the highest of
    the days on which the unit failed there.
    """
    evidence, states = solution.evidence, solution.units[other]
    days, column = evidence.days, evidence.columns[other]
    wanted = np.zeros(evidence.sizes[other], dtype=bool)
    wanted[partner[pairs]] = True
    met = np.flatnonzero(wanted[column])
    solved = Solved(solution.reach, solution.held(other))
    slot = column[met] * days + evidence.day[met]
    marked = np.zeros(len(wanted) * days, dtype=bool)
    marked[slot] = True
    used, number = np.flatnonzero(marked), np.cumsum(marked) - 1
    total = summed_loglik(evidence, met, number[slot], len(used), states.model, solved)
    result = np.zeros(len(pairs))
    for low in range(0, len(pairs), PAIRS_AT_ONCE):
        part = pairs[low : low + PAIRS_AT_ONCE]
        place = np.full(len(partner), -1, dtype=np.int64)
        place[part] = np.arange(len(part))
        keys = partner[part][:, None] * days + np.arange(days)
        hit = marked[keys]
        chain = np.zeros((len(part), days, states.model.states))
        chain[hit] = total[number[keys[hit]]]
        own = np.flatnonzero(place[where] >= 0)
        own_slot = place[where[own]] * days + evidence.day[rows[own]]
        mine = summed_loglik(evidence, rows[own], own_slot, len(part) * days, states.model, solved)
        chain -= mine.reshape(chain.shape)
        initial = states.model.initial
        start = initial[partner[part]] if initial.ndim > 1 else initial
        on = smooth(chain, start, states.model.transition).belief @ states.model.fault_mask
        missed = own[evidence.event[rows[own]]]
        highest = np.zeros(len(part))
        np.maximum.at(
            highest, place[where[missed]], on[place[where[missed]], evidence.day[rows[missed]]]
        )
        result[low : low + PAIRS_AT_ONCE] = np.minimum(highest, 1.0)
    return result


def enough_to_clear(attempts: Floats, least_power: float) -> Floats:
    """True where a state that fails half the attempts would have shown itself with this chance."""
    return np.asarray(1.0 - 0.5**attempts >= least_power)
