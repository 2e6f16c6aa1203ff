"""A case assessed: probabilities, what each reading means, contradictions, what next, and when to stop."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.core.wording import OVER_RANGE, ohms, percent, probability
from pipeline.refer.bench.case import DRIED, KNOWN_GOOD, UNITS, Case, Reading
from pipeline.refer.bench.contradictions import Contradiction, contradictions, pair_useless
from pipeline.refer.bench.declared import bench_declared
from pipeline.refer.bench.next_reading import Proposal, proposals
from pipeline.refer.bench.outcomes import figure, reading_name
from pipeline.refer.bench.particles import VARIANT_WORDS, condition_of, particles
from pipeline.refer.bench.weigh import Placed, Weighed, log_weight, placed, weigh

Floats = NDArray[np.float64]

SURE = 0.97
"""From here a part is named and measuring stops (decided; what it costs is measured by `pipeline.measure.quality.bench`)."""
FITS = 0.2
"""A reading fits a suspect that makes it at least this share as probable as the best one does (decided)."""
AGAINST = 0.02
"""It speaks against a suspect that makes it less than this share as probable (decided)."""
RULED_OUT = 0.01
"""Below this a suspect counts as ruled out (decided)."""


@dataclass(frozen=True)
class Meaning:
    """A reading, how it is written, and what it means in words."""

    reading: Reading
    shown: str
    means: str


@dataclass(frozen=True)
class Assessment:
    """`posterior`: suspect to probability, most probable first. `stop`: a sentence once there is no need to go on, else None.

    `detail`: what more is known of the leading suspect (which resistor, how large a leak, whether it goes when dry).
    """

    posterior: dict[str, float]
    meanings: tuple[Meaning, ...]
    contradictions: tuple[str, ...]
    next: tuple[Proposal, ...]
    stop: str | None
    detail: str
    finding: str | None

    @property
    def leader(self) -> str:
        """The most probable suspect."""
        return next(iter(self.posterior))


def assess(case: Case, *, setup: str = "any") -> Assessment:
    """Weigh a case's readings in their order. `setup`: how the vehicle stands now (schemas/bench/steps.yaml)."""
    useless = pair_useless(case)
    readings = placed(case, without_pair=useless)
    weighed = weigh(case.prior, readings)
    told = contradictions(case, readings, weighed)
    after = proposals(case, weighed, setup, _again(case, told))
    named = weighed.named
    leader, p = next(iter(named.items()))
    stop = _stop(leader, p, after)
    return Assessment(
        posterior=named,
        meanings=_meanings(case, readings),
        contradictions=tuple(one.text for one in told),
        next=() if stop else after,
        stop=stop,
        detail=_detail(leader, weighed, readings),
        finding=bench_declared().suspects[leader].finding if p >= SURE else None,
    )


def _again(case: Case, told: tuple[Contradiction, ...]) -> frozenset[tuple[str, str | None]]:
    """Contradicting readings not repeated yet."""
    seen = Counter((r.kind, r.state) for r in case.readings if not r.known_good)
    return frozenset(key for one in told for key in one.repeat if seen[key] < 2)


def _stop(leader: str, p: float, after: tuple[Proposal, ...]) -> str | None:
    part = bench_declared().suspects[leader].part
    if any(proposal.because for proposal in after):
        return None
    if p >= SURE:
        return f"Stop: {part}, {probability(p)}. Nothing more needs measuring."
    if not after:
        return f"Stop: no step here tells more. The most probable is {part}, {probability(p)}; go on by the maker's procedure."
    return None


def _meanings(case: Case, readings: tuple[Placed, ...]) -> tuple[Meaning, ...]:
    by_reading = {id(one.reading): one for one in readings}
    out = []
    for reading in case.readings:
        one = by_reading.get(id(reading))
        if reading.kind == DRIED:
            words = "What follows is of the dry inlet."
        elif reading.known_good:
            words = f"On a {KNOWN_GOOD} vehicle: for comparison, not weighed for this one."
        elif one is None:
            words = "Left out: on this model the pair of resistances tells nothing."
        else:
            words = meaning(one)
        out.append(Meaning(reading, written(reading), words))
    return tuple(out)


def written(reading: Reading) -> str:
    """A reading as it is read aloud."""
    answers = bench_declared().answers
    if reading.kind == DRIED:
        return "inlet cleaned and dried"
    if reading.answer is not None:
        known = answers[reading.kind]
        colon = "" if known.question.endswith("?") else ":"
        return f"{known.question}{colon} {known.words[known.answers.index(reading.answer)]}"
    quantity = reading.quantity
    name = reading_name(reading)
    if quantity is None or quantity.value is None:
        above = f" (above {ohms(quantity.above)})" if quantity and quantity.above else ""
        return f"{name}: {OVER_RANGE}{above}"
    return f"{name}: {figure(quantity.value, UNITS[reading.kind])}"


def meaning(one: Placed) -> str:
    """Which suspects a reading by itself fits and which it speaks against."""
    declared = bench_declared()
    row = one.by_suspect
    if row is None:
        row = np.log(
            [np.exp(log_weight(one, condition_of(name))).mean() for name in declared.names]
        )
    likelihood = np.exp(row - row.max())
    share = likelihood / likelihood.max()
    fits = [n for n, s in zip(declared.names, share, strict=True) if s >= FITS]
    against = [n for n, s in zip(declared.names, share, strict=True) if s < AGAINST]
    if not against:
        return "Decides nothing by itself."
    few = len(declared.names) // 2
    if len(fits) > few:
        return f"Speaks against: {_parts(against)}. Fits the others."
    all_others = len(fits) + len(against) == len(declared.names)
    fitting = f"Fits: {_parts(fits)}."
    if all_others:
        return f"{fitting} Speaks against all others."
    return f"{fitting} Speaks against: {_parts(against)}." if len(against) <= few else fitting


def _parts(names: list[str]) -> str:
    # parts have commas of their own
    return "; ".join(bench_declared().suspects[name].part for name in names)


def _detail(leader: str, weighed: Weighed, readings: tuple[Placed, ...]) -> str:
    condition = condition_of(leader)
    p, mine = particles(condition), weighed.within[condition]
    if leader == "pilot_resistor":
        shares = [float(mine[p.drawn["variant"] == v].sum()) for v in range(len(VARIANT_WORDS))]
        best = int(np.argmax(shares))
        return f"Most probably {VARIANT_WORDS[best]} ({percent(shares[best])})."
    if leader == "pilot_diode_leaky":
        return f"The diode leaks {_between(p.circuit.leak_ohm, mine)} (90 % interval)."
    if leader == "pilot_leakage":
        words = (
            f"The path beside the diode has {_between(p.circuit.beside_ohm, mine)} (90 % interval)."
        )
        return words + (
            _dried(float((mine * p.drawn["dries"]).sum()))
            if any(one.dried for one in readings)
            else ""
        )
    return ""


def _dried(share: float) -> str:
    if share > 0.5:
        return (
            " It went when the inlet was dried: no part is condemned; look at it again after rain."
        )
    return " It stays when dry: look along the harness."


def _between(value: Floats, weights: Floats) -> str:
    order = np.argsort(value)
    upto = np.cumsum(weights[order])
    lo, hi = np.interp((0.05, 0.95), upto, value[order])
    return f"{ohms(float(lo))} to {ohms(float(hi))}"
