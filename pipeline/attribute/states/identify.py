"""Do the data tell this unit from its partners?  Posterior odds against the best rival story.

The rival story explains every attempt of the unit that did not charge, since its onset, without it:
one other kind of unit at a time (each partner at fault, as likely as third parties leave it), or
chance.  Third parties' evidence is a partner's chain without the unit's own attempts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.attribute.evidence import Evidence
from pipeline.attribute.states.blame import AT_FAULT
from pipeline.attribute.states.likelihood import Solved, summed_loglik
from pipeline.attribute.states.model import Floats, Ints, tally
from pipeline.attribute.states.smoothing import smooth
from pipeline.attribute.states.solve import KINDS, Solution

LEAST_RATE, MOST_RATE = 0.03, 0.97
"""Share of attempts that fail under a fault, as each story may choose it."""
LEAST_REACH = 0.05
"""A fault that bites under a circumstance explains no failure where that hardly holds."""
PAIRS_AT_ONCE = 2000
"""Chains smoothed together; bounds the working memory."""
CHANCE = "chance"


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
    own = np.log((on * model.fault_mask).sum()) + _story(
        evidence, rows, mine, len(units), solution, chance
    )
    stories = {CHANCE: tally(mine, _luck(evidence, rows, chance), len(units))}
    for other in range(AT_FAULT):
        if other != kind:
            stories[KINDS[other]] = _rival(solution, other, rows, mine, len(units), chance)
    names = list(stories)
    values = np.stack([stories[name] for name in names])
    best = values.argmax(axis=0)
    return Odds((own - values.max(axis=0)) / np.log(2.0), [names[i] for i in best])


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


def _story(
    evidence: Evidence, rows: Ints, group: Ints, groups: int, solution: Solution, chance: Floats
) -> Floats:
    """Log-likelihood of each group's attempts under one fault that fails a share of them (groups,).

    One that bites anywhere, or only under a circumstance; what fails elsewhere is then chance.
    """
    weight, event = evidence.weight[rows], evidence.event[rows]
    luck = _luck(evidence, rows, chance)
    best = np.full(groups, -np.inf)
    for place, column in enumerate(solution.reach[rows].T):
        inside = column >= LEAST_REACH
        missed = tally(group, weight * (event & inside), groups)
        tried = tally(group, np.where(event, weight * inside, weight * column), groups)
        told = _binomial(missed, np.maximum(tried, missed))
        told += tally(group, np.where(inside, 0.0, luck), groups)
        best = np.maximum(best, told - np.log(2.0) * (place > 0))
    return np.asarray(best)


def _binomial(missed: Floats, tried: Floats) -> Floats:
    rate = np.clip((missed + 0.5) / (tried + 1.0), LEAST_RATE, MOST_RATE)
    return np.asarray(missed * np.log(rate) + (tried - missed) * np.log1p(-rate))


def _rival(
    solution: Solution, other: int, rows: Ints, mine: Ints, groups: int, chance: Floats
) -> Floats:
    """Log-likelihood of the story that units of kind `other`, or chance, did it all (groups,)."""
    evidence = solution.evidence
    width = evidence.sizes[other]
    pair, where = np.unique(mine * width + evidence.columns[other][rows], return_inverse=True)
    failed = np.bincount(where, evidence.event[rows]) > 0
    at_fault = np.zeros(len(pair))
    at_fault[failed] = _third_parties(
        solution, other, rows, where, np.flatnonzero(failed), pair % width
    )
    luck = tally(where, _luck(evidence, rows, chance), len(pair))
    fault = _story(evidence, rows, where, len(pair), solution, chance)
    with np.errstate(divide="ignore"):
        told = np.logaddexp(np.log1p(-at_fault) + luck, np.log(at_fault) + fault)
    return tally(pair // width, told, groups)


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
