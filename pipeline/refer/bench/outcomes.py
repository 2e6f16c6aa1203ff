"""What a step would show: outcomes by suspect, the information they promise, and the values to expect in words."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from pipeline.core.wording import OVER_RANGE, OVER_RANGE_OHM, ohms, probability
from pipeline.refer.bench.case import UNITS, Reading
from pipeline.refer.bench.declared import Step, bench_declared
from pipeline.refer.bench.particles import condition_of
from pipeline.refer.bench.predict import PROXIMITY, STRAY, predicted
from pipeline.refer.bench.proximity import proximity_draws
from pipeline.refer.bench.weigh import Weighed

Floats = NDArray[np.float64]

SHOWN = 0.02
"""Expected values are listed for suspects at least so probable (decided)."""
_BIN = {"ohm": 0.06, "V": 0.2, "%": 2.0}
"""Width of the bins in which outcomes are counted: about four standard deviations of a reading's noise (ln ohm, V, %)."""
_FROM, _BINS = {"ohm": -0.7, "V": -15.0, "%": 0.0}, 400
TINY = 1e-300
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


def entropy(p: float) -> float:
    """Bits of a yes-or-no question."""
    q = min(max(p, 1e-12), 1 - 1e-12)
    return float(-q * np.log2(q) - (1 - q) * np.log2(1 - q))


def bits(step: Step, weighed: Weighed) -> float:
    """Expected information about the suspect, bits: I(suspect; outcome) over binned outcomes."""
    declared = bench_declared()
    if step.kind in declared.answers:
        return _information(weighed.suspects[:, None] * _answer_shares(step.kind, weighed))
    made: dict[str, Floats] = {}
    for name in declared.names:
        key = _source(step, name)
        if key not in made:
            made[key] = _binned(step, name, weighed)
    rows = np.stack([made[_source(step, name)] for name in declared.names])
    return (1 - STRAY) * _information(weighed.suspects[:, None] * rows)


def _answer_shares(kind: str, weighed: Weighed) -> Floats:
    """By suspect and answer: how probable the answer is now, what the same question gave before included."""
    declared, before = bench_declared(), weighed.answered.get(kind, ())
    rows = [declared.log_row(kind, (*before, answer)) for answer in declared.answers[kind].answers]
    shares = np.exp(np.stack(rows, axis=1) - declared.log_row(kind, before)[:, None])
    return np.asarray(shares / shares.sum(axis=1, keepdims=True))


def _source(step: Step, suspect: str) -> str:
    """What decides a suspect's outcomes at a step: its own proximity, or the pilot's condition."""
    return suspect if step.kind in PROXIMITY else condition_of(suspect)


def _outcomes(step: Step, suspect: str, weighed: Weighed) -> tuple[Floats, Floats]:
    """What a suspect would show at a step, and how probable each outcome is."""
    if step.kind in PROXIMITY:
        value = proximity_draws(step.kind, suspect)
        return value, np.full(value.size, 1 / value.size)
    condition = condition_of(suspect)
    found = predicted(Reading(step.kind, state=step.state), condition, dried=step.after_drying)
    return found.value, weighed.within[condition]


def _binned(step: Step, suspect: str, weighed: Weighed) -> Floats:
    if step.kind in PROXIMITY:
        value, weights = _outcomes(step, suspect, weighed)
        numbers = _bins(value, UNITS[step.kind])
    else:
        condition = condition_of(suspect)
        numbers, weights = (
            _numbers(step.kind, step.state, step.after_drying, condition),
            weighed.within[condition],
        )
    return np.asarray(np.bincount(numbers, weights, _BINS), dtype=np.float64)


@lru_cache(maxsize=256)
def _numbers(kind: str, state: str | None, dried: bool, condition: str) -> NDArray[np.int64]:  # noqa: FBT001
    """The bin of each draw's outcome, the same for every case."""
    return _bins(predicted(Reading(kind, state=state), condition, dried=dried).value, UNITS[kind])


def _bins(value: Floats, unit: str) -> NDArray[np.int64]:
    scaled = np.log(np.clip(value, 0.5, 1e9)) if unit == "ohm" else value
    numbers = np.clip(np.floor((scaled - _FROM[unit]) / _BIN[unit]), 0, _BINS - 2)
    return np.where(np.isinf(value), _BINS - 1, numbers).astype(np.int64)


def _information(joint: Floats) -> float:
    outer = joint.sum(axis=1, keepdims=True) * joint.sum(axis=0, keepdims=True)
    some = joint > 0
    return max(0.0, float((joint[some] * np.log2(joint[some] / outer[some])).sum()))


def expected(step: Step, weighed: Weighed) -> tuple[tuple[str, float, str], ...]:
    """(suspect, its probability, the values to expect) of each suspect left, most probable first."""
    declared = bench_declared()
    left = [(name, p) for name, p in weighed.named.items() if p >= SHOWN]
    if step.kind in declared.answers:
        answer, shares = declared.answers[step.kind], _answer_shares(step.kind, weighed)
        out = []
        for name, p in left:
            row = shares[declared.names.index(name)]
            best = int(np.argmax(row))
            out.append((name, p, f"{answer.words[best]} ({probability(float(row[best]))})"))
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


def reading_name(reading: Reading) -> str:
    """What was read, with the pilot's state where it belongs to it."""
    return READING_WORDS[reading.kind].format(state=reading.state or "a state not given")


def figure(value: float, unit: str) -> str:
    """A value with its unit."""
    if unit == "ohm":
        return ohms(value)
    return f"{value:.1f} {unit}" if abs(value) < 99.95 else f"{value:.0f} {unit}"
