"""How the states of one kind of unit come and go from day to day, built from its declared prior.

The order of states: off, the fault states, the usual rates, and last 'just repaired' where the
kind knows it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.settings.attribute import AttributeSettings, Character, StatePrior, Where

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


def tally(unit: Ints, weights: Floats, size: int) -> Floats:
    """Sum of the weights of each unit (size,)."""
    return np.asarray(np.bincount(unit, weights, size), dtype=np.float64)


def add_repairs(evidence: Floats, row: Ints, step: Ints, later: Bools, told: Floats) -> None:
    """Add to log evidence (units, steps, states) what told repairs say (`told` (states,), see `repaired`) from `step` on.

    Whoever was just repaired the step before (`later`: where there is one) had nothing to be mended.
    """
    np.add.at(evidence, (row, step), told)
    np.add.at(evidence[:, :, -1], (row[later], step[later] - 1), told[0])


LEARN_UP, LEARN_DOWN = 4.0, 10.0
"""How far the data may move a prevalence from the assumed one.

Beyond, a wrong baseline is likelier than an epidemic.
"""
MOST_PREVALENT = 0.4
PRIOR_FAULTS = 10.0
"""Weight of the assumed shares of fault states, in faults seen: a rare sort is not unlearnt by not being seen."""
WHERE: tuple[Where, ...] = ("anywhere", "diode", "socket")
MOST_LOUD = 0.98
"""No state fails surely: one success must not rule a fault out."""


@dataclass(frozen=True)
class StateModel:
    """A chain over days, shared by all units of a kind.

    - `initial` (states,) or (units, states): probabilities at a random time;
    - `transition` (states, states): of one day, rows sum to 1;
    - `fault_mask` (states,): 1 for fault states; `usual` (states,): 1 where the unit fails as its
      kind usually does;
    - `loud`, `silent` (states,): share of attempts that fail, and that show nothing; `where` (states,): in what
      circumstances it bites, a column of `reach`;
    - `characters`: what each fault state is like, in order;
    - `in_vain`: share of told repairs after which the fault is there as before.
    """

    initial: Floats
    transition: Floats
    fault_mask: Floats
    usual: Floats
    loud: Floats
    silent: Floats
    where: Ints
    characters: tuple[Character, ...]
    in_vain: float

    @property
    def states(self) -> int:
        """Number of states."""
        return len(self.loud)

    def of_character(self, *characters: Character) -> Floats:
        """1 for the fault states of these characters (states,)."""
        mask = np.zeros(self.states)
        mask[1 : 1 + len(self.characters)] = [c in characters for c in self.characters]
        return mask

    @property
    def repaired(self) -> Floats:
        """Log evidence of a told repair by the state after it (states,).

        Of what was at fault the share `in_vain` still is, the rest is just repaired; of what was not at
        fault it says nothing. The chain itself mends at the rate of repairs nobody tells of: the evidence
        makes up the difference.
        """
        on = self.fault_mask > 0
        rate = float(self.transition[on, -1].mean())
        logs = np.full(self.states, np.log(rate / (1.0 - self.in_vain)))
        logs[on] += np.log(self.in_vain / (1.0 - rate))
        logs[-1] = 0.0
        return logs

    def paced(self, days: float) -> StateModel:
        """The same for steps of so many days; within a day the change is taken as even."""
        whole, part = divmod(days, 1.0)
        even = np.eye(self.states) + part * (self.transition - np.eye(self.states))
        step = np.linalg.matrix_power(self.transition, int(whole)) @ even
        return replace(self, transition=step)


def state_model(prior: StatePrior, settings: AttributeSettings, typical: float) -> StateModel:
    """The chain as assumed; `typical` is a usual unit's chance of failure."""
    faults = prior.faults
    share = np.array([f.share for f in faults])
    on = prior.prevalence * share if len(faults) else np.zeros(0)
    repair = np.array([1.0 / f.days_on for f in faults])
    usual = np.array([u.share for u in prior.usual])
    mended = float(on @ repair) / (settings.relapse_per_day + settings.settle_per_day)
    mended *= prior.mends
    rest = 1.0 - on.sum() - mended
    initial = np.concatenate([[rest * (1.0 - usual.sum())], on, rest * usual])
    loud = [f.loud * (typical if f.relative else 1.0) for f in faults] + [
        u.loud for u in prior.usual
    ]
    silent = [f.silent for f in faults] + [u.silent for u in prior.usual]
    end = [0.0] if prior.mends else []
    size = len(initial) + len(end)
    rest_of = (*prior.usual, *end)
    mask = np.zeros(size)
    mask[1 : 1 + len(faults)] = 1.0
    normal = np.zeros(size)
    normal[0] = 1.0
    if prior.mends:
        normal[-1] = 1.0
    return StateModel(
        initial=np.concatenate([initial, [mended] * prior.mends]),
        transition=_transition(prior, settings, size),
        fault_mask=mask,
        usual=normal,
        loud=np.minimum(np.array([0.0, *loud, *end]), MOST_LOUD),
        silent=np.array([0.0, *silent, *end]),
        where=np.array([0, *(WHERE.index(f.where) for f in faults), *(0 for _ in rest_of)]),
        characters=tuple(f.character for f in faults),
        in_vain=settings.repairs_in_vain,
    )


def _transition(prior: StatePrior, settings: AttributeSettings, size: int) -> Floats:
    """Of one day: a unit falls faulty, changes severity, bites and rests by turns, is repaired."""
    faults = prior.faults
    levels = slice(1, 1 + len(faults))
    matrix = np.eye(size)
    if not faults:
        return matrix
    repair = np.array([1.0 / f.days_on for f in faults])
    share_of_faults = np.array([f.share for f in faults])
    enters = np.array([f.share if f.character != "resting" else 0.0 for f in faults]) * repair
    for bites, rests in _turns(prior):
        enters[bites] += faults[rests].share * repair[rests]
    onset = prior.prevalence / (1.0 - prior.prevalence) * enters
    if prior.onset_days is not None:
        onset *= 1.0 / (prior.onset_days * share_of_faults @ repair)
    matrix[:, levels] = onset
    matrix[np.arange(size), np.arange(size)] = 1.0 - onset.sum()
    gone = size - 1 if prior.mends else 0
    steady = np.array([f.character == "steady" for f in faults])
    where = np.array([f.where for f in faults])
    alike = steady[:, None] & steady[None, :] & (where[:, None] == where[None, :])
    share = alike * share_of_faults  # severity changes, the part at fault does not
    change = np.where(steady, settings.level_change_per_day, 0.0)
    inside = np.diag(1.0 - change) + change[:, None] * share / np.maximum(
        share.sum(axis=1, keepdims=True), 1e-12
    )
    for bites, rests in _turns(prior):
        for one, other, usual_days in (
            (bites, rests, settings.bite_days),
            (rests, bites, settings.rest_days),
        ):
            ends = 1.0 / (faults[one].stretch_days or usual_days)
            inside[one, [one, other]] = 1.0 - ends, ends
    matrix[levels] = 0.0
    matrix[levels, gone] = repair
    matrix[levels, levels] = (1.0 - repair)[:, None] * inside
    if prior.mends:
        matrix[gone] = 0.0
        matrix[gone, 0], matrix[gone, levels] = (
            settings.settle_per_day,
            settings.relapse_per_day * enters / enters.sum(),
        )
        matrix[gone, gone] = 1.0 - settings.settle_per_day - settings.relapse_per_day
    return matrix


def _turns(prior: StatePrior) -> list[tuple[int, int]]:
    """Positions of the biting and the resting state of faults that come and go."""
    bites = [i for i, f in enumerate(prior.faults) if f.character == "intermittent"]
    rests = [i for i, f in enumerate(prior.faults) if f.character == "resting"]
    return list(zip(bites, rests, strict=True))


def learnt_prior(prior: StatePrior, seen: Floats, units: int) -> StatePrior:
    """The prior after the fleet's own data; `seen` (states,): expected unit-looks in each state.

    Seen and assumed shares are averaged by the units they rest on, within bounds.
    """
    weight = prior.prior_units + units
    count = len(prior.faults)
    changes: dict[str, object] = {}
    if count:
        assumed = np.array([f.share for f in prior.faults]) * prior.prevalence
        on = (prior.prior_units * assumed + seen[1 : 1 + count]) / weight
        most = min(prior.prevalence * LEARN_UP, MOST_PREVALENT)
        total = float(np.clip(on.sum(), prior.prevalence / LEARN_DOWN, most))
        faults = PRIOR_FAULTS * assumed / assumed.sum() + seen[1 : 1 + count]
        shares = faults / faults.sum()
        changes["prevalence"] = total
        changes["faults"] = tuple(
            f.model_copy(update={"share": float(s)})
            for f, s in zip(prior.faults, shares, strict=True)
        )
    usual = []
    for position, state in enumerate(prior.usual, start=1 + count):
        share = (prior.prior_units * state.share + float(seen[position])) / weight
        usual.append(
            state.model_copy(update={"share": float(np.clip(share, 0.1 * state.share, 0.2))})
        )
    changes["usual"] = tuple(usual)
    return prior.model_copy(update=changes)
