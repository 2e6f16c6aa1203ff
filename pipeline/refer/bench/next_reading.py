"""What to measure next: the most expected information for its minutes and risk, safe ones first."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.core.wording import OVER_RANGE, OVER_RANGE_OHM, ohms, probability
from pipeline.refer.bench.case import DRIED, UNITS, Case, Reading
from pipeline.refer.bench.declared import Step, bench_declared
from pipeline.refer.bench.particles import condition_of, particles
from pipeline.refer.bench.predict import PROXIMITY, STRAY, predicted
from pipeline.refer.bench.proximity import proximity_draws
from pipeline.refer.bench.weigh import Weighed

Floats = NDArray[np.float64]

AS_MUCH = 0.98
"""A step tells as much as another when it promises this share of its bits (decided)."""
LEAST_BITS = 0.02
"""Less than this is not worth a reading (decided)."""
SHOWN = 0.02
"""Expected values are listed for suspects at least so probable (decided)."""
_BIN = {"ohm": 0.06, "V": 0.2, "%": 2.0}
"""Width of the bins in which outcomes are counted: about four standard deviations of a reading's noise (ln ohm, V, %)."""
_FROM, _BINS = {"ohm": -0.7, "V": -15.0, "%": 0.0}, 400
TINY = 1e-300


@dataclass(frozen=True)
class Proposal:
    """A step: what it promises (bits about the suspect), what it costs (minutes), and what each suspect left would show.

    `because`: why it comes first whatever it promises; empty where the bits alone put it here.
    """

    name: str
    step: Step
    bits: float
    minutes: float
    stands: str
    expected: tuple[tuple[str, float, str], ...]
    """(suspect, its probability, the values to expect), most probable first."""
    because: str = ""

    @property
    def question(self) -> str:
        """The step in words."""
        answer = bench_declared().answers.get(self.step.kind)
        return (
            answer.question
            if answer
            else READING_WORDS[self.step.kind].format(state=self.step.state or "")
        )


READING_WORDS = {
    "pp_pe_v": "Proximity to earth, volts",
    "pp_pe_ohm": "Proximity to earth at the cable's plug, ohms",
    "cp_pe_forward_ohm": "Pilot to earth, red lead on CP, black on PE (forward)",
    "cp_pe_reverse_ohm": "Pilot to earth, leads exchanged: black on CP, red on PE (reverse)",
    "cp_high_v": "Pilot's positive level in {state}",
    "cp_low_v": "Pilot's negative level in {state}",
    "cp_duty_pct": "Duty cycle of the pilot",
    "cp_mean_v": "Pilot on a multimeter, DC volts (the mean), in {state}",
}


def proposals(
    case: Case,
    weighed: Weighed,
    setup: str = "any",
    again: frozenset[tuple[str, str | None]] = frozenset(),
) -> tuple[Proposal, ...]:
    """Steps still open, the best first.

    What must come before a part is named comes first: readings that contradict (`again`: kind and state), the other half of
    the ohm pair, drying. The rest by expected information for minutes and risk; a step is never put before a safer one that
    promises as much. `setup`: how the vehicle stands now.
    """
    steps = bench_declared().steps
    due = _due(case, weighed, setup, again)
    first = {p.name for p in due}
    found = [
        _proposal(n, weighed, setup)
        for n, s in steps.items()
        if n not in first and s.only_for is None and _open(s, case)
    ]
    useful = [p for p in found if p.bits >= LEAST_BITS]
    allowed = [p for p in useful if not any(_safer_and_as_much(q, p) for q in useful)]
    return (*due, *sorted(allowed, key=lambda p: (-_worth(p), p.step.risk, p.name)))


def _proposal(name: str, weighed: Weighed, setup: str, because: str = "") -> Proposal:
    declared = bench_declared()
    step = declared.steps[name]
    change = 0.0 if step.setup in {setup, "any"} else declared.setups[step.setup].minutes
    bits = _entropy(_dries_share(weighed)) if step.after_drying else _bits(step, weighed)
    stands = declared.setups[step.setup].words
    return Proposal(
        name, step, bits, step.minutes + change, stands, _expected(step, weighed), because
    )


def _safer_and_as_much(safer: Proposal, than: Proposal) -> bool:
    return safer.step.risk < than.step.risk and safer.bits >= AS_MUCH * than.bits


def _worth(proposal: Proposal) -> float:
    return proposal.bits / (proposal.minutes + bench_declared().risk_minutes[proposal.step.risk])


def _open(step: Step, case: Case) -> bool:
    """Not done yet, and the vehicle has the coupler for it."""
    if step.couplers and case.couplers and not set(step.couplers) & set(case.couplers):
        return False
    return not any(
        r.kind == step.kind and r.state == step.state and not r.known_good for r in case.readings
    )


LEADS = 0.5
"""From here a suspect leads, and what must come before it is named is due (decided)."""
BY_THE_PAIR = ("pilot_diode_shorted", "pilot_diode_leaky", "pilot_leakage")


def _due(
    case: Case, weighed: Weighed, setup: str, again: frozenset[tuple[str, str | None]]
) -> tuple[Proposal, ...]:
    steps, own = bench_declared().steps, [r for r in case.readings if not r.known_good]
    kinds = [r.kind for r in own]
    leader, p = next(iter(weighed.named.items()))
    due: dict[str, str] = {}
    for name, step in steps.items():
        other = _OTHER_HALF.get(step.kind)
        if (step.kind, step.state) in again and not step.after_drying:
            due[name] = "It contradicts the rest: measure it again before it counts."
        elif p >= LEADS and leader in BY_THE_PAIR and other in kinds and step.kind not in kinds:
            due[name] = (
                "The pair decides, not one reading: same leads exchanged, same range, at once."
            )
        elif (
            step.after_drying
            and p >= LEADS
            and leader == step.only_for
            and not _measured_dry(kinds, step)
        ):
            due[name] = "Before a part is condemned: look, clean, dry and measure again."
        elif (
            name == "high_b"
            and p >= LEADS
            and leader == "pilot_resistor"
            and not _which_is_told(weighed, own, step)
        ):
            due[name] = "Tells which: R2, R3 or a contact in series."
    return tuple(_proposal(name, weighed, setup, because) for name, because in due.items())


TOLD = 0.9
"""From here it is told which of the resistors is off (decided)."""


def _which_is_told(weighed: Weighed, own: list[Reading], step: Step) -> bool:
    shares = np.bincount(
        particles("pilot_resistor").drawn["variant"].astype(np.int64),
        weighed.within["pilot_resistor"],
    )
    return bool(shares.max() >= TOLD) or any(
        (r.kind, r.state) == (step.kind, step.state) for r in own
    )


_OTHER_HALF = {"cp_pe_forward_ohm": "cp_pe_reverse_ohm", "cp_pe_reverse_ohm": "cp_pe_forward_ohm"}


def _measured_dry(kinds: list[str], step: Step) -> bool:
    return DRIED in kinds and step.kind in kinds[kinds.index(DRIED) :]


def _dries_share(weighed: Weighed) -> float:
    return float(
        (weighed.within["pilot_leakage"] * particles("pilot_leakage").drawn["dries"]).sum()
    )


def _entropy(p: float) -> float:
    q = min(max(p, 1e-12), 1 - 1e-12)
    return float(-q * np.log2(q) - (1 - q) * np.log2(1 - q))


def _bits(step: Step, weighed: Weighed) -> float:
    """Expected information about the suspect, bits: I(suspect; outcome) over binned outcomes."""
    declared = bench_declared()
    if step.kind in declared.answers:
        answers = declared.answers[step.kind].answers
        rows = np.exp(np.stack([declared.log_row(step.kind, answer) for answer in answers], axis=1))
        return _information(weighed.suspects[:, None] * rows)
    rows = np.stack([_binned(step, name, weighed) for name in declared.names])
    return (1 - STRAY) * _information(weighed.suspects[:, None] * rows)


def _outcomes(step: Step, suspect: str, weighed: Weighed) -> tuple[Floats, Floats]:
    """What a suspect would show at a step, and how probable each outcome is."""
    if step.kind in PROXIMITY:
        value = proximity_draws(step.kind, suspect)
        return value, np.full(value.size, 1 / value.size)
    condition = condition_of(suspect)
    found = predicted(Reading(step.kind, state=step.state), condition, dried=step.after_drying)
    return found.value, weighed.within[condition]


def _binned(step: Step, suspect: str, weighed: Weighed) -> Floats:
    value, weights = _outcomes(step, suspect, weighed)
    unit = UNITS[step.kind]
    scaled = np.log(np.clip(value, 0.5, 1e9)) if unit == "ohm" else value
    numbers = np.clip(np.floor((scaled - _FROM[unit]) / _BIN[unit]), 0, _BINS - 2).astype(np.int64)
    counted = np.bincount(np.where(np.isinf(value), _BINS - 1, numbers), weights, _BINS)
    return np.asarray(counted, dtype=np.float64)


def _information(joint: Floats) -> float:
    outer = joint.sum(axis=1, keepdims=True) * joint.sum(axis=0, keepdims=True)
    some = joint > 0
    return max(0.0, float((joint[some] * np.log2(joint[some] / outer[some])).sum()))


def _expected(step: Step, weighed: Weighed) -> tuple[tuple[str, float, str], ...]:
    declared = bench_declared()
    left = [(name, p) for name, p in weighed.named.items() if p >= SHOWN]
    if step.kind in declared.answers:
        answer = declared.answers[step.kind]
        out = []
        for name, p in left:
            row = answer.rows.get(name) or answer.rows["else"]
            best = int(np.argmax(row))
            out.append((name, p, f"{answer.words[best]} ({probability(row[best])})"))
        return tuple(out)
    unit = UNITS[step.kind]
    return tuple((name, p, range_words(*_outcomes(step, name, weighed), unit)) for name, p in left)


def range_words(value: Floats, weights: Floats, unit: str) -> str:
    """The middle nine tenths of a prediction in words: '2.66 kΩ to 2.82 kΩ', 'over range', '-9.3 V to -8.2 V'."""
    total = max(float(weights.sum()), TINY)
    over = float(weights[np.isinf(value)].sum()) / total
    finite = np.isfinite(value) & (weights > 0)
    if over > 0.95 or not finite.any():
        return OVER_RANGE
    order = np.argsort(value[finite])
    upto = np.cumsum(weights[finite][order]) / weights[finite].sum()
    lo, hi = (float(value[finite][order][np.searchsorted(upto, share)]) for share in (0.05, 0.949))
    words = f"{figure(lo, unit)} to {figure(hi, unit)}"
    if unit == "ohm" and hi >= OVER_RANGE_OHM:
        words = f"{figure(lo, unit)} and more"
    elif figure(lo, unit) == figure(hi, unit):
        words = figure(lo, unit)
    return f"{words}, or {OVER_RANGE} ({probability(over)})" if over > 0.05 else words


def figure(value: float, unit: str) -> str:
    """A value with its unit."""
    if unit == "ohm":
        return ohms(value)
    return f"{value:.1f} {unit}" if abs(value) < 99.95 else f"{value:.0f} {unit}"
