"""What each drawn circuit would give at a reading, and how well a reading fits it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from pipeline.circuit.causes import State
from pipeline.circuit.pilot import R2_OHM
from pipeline.refer.bench.case import UNITS, Meter, Reading
from pipeline.refer.bench.particles import Particles, particles
from pipeline.refer.bench.proximity import proximity_draws

Floats = NDArray[np.float64]

STRAY = 0.01
"""Share of readings that mean nothing (slipped probe, misread figure); common practice, no source."""
STRAY_OVER = 0.3
"""Share of stray ohm readings that are over range: a probe without contact."""
OHM_SD = 0.015
"""Relative error of a reading in ohms: 1 % and the last figure (common practice)."""
JUNCTION_SD, LEAK_SD = 0.12, 0.08
"""The same for the part of a resistance that is a diode's, whose law and temperature are known less well, and for a leak,
which is no resistor and changes with voltage and moisture; judgement."""
LEAST_OHM = 0.5
"""Leads and contacts: below it readings in ohms do not tell."""
LEVEL_SD_V, DUTY_SD_PCT, PROXIMITY_SD_V = 0.06, 0.7, 0.03
_STRAY_DENSITY = {"ohm": 0.7 / np.log(1e9 / LEAST_OHM), "V": 1 / 30.0, "%": 1 / 100.0}
OHM_PAIR = ("cp_pe_forward_ohm", "cp_pe_reverse_ohm")
PROXIMITY = ("pp_pe_v", "pp_pe_ohm")


@dataclass(frozen=True)
class Predicted:
    """By draw: the value (ohm, V or %; infinite = over range) and its standard deviation (relative for ohms)."""

    value: Floats
    unit: str
    sd: Floats | float


def says_something(reading: Reading) -> bool:
    """Whether a reading can be weighed.

    A level needs the pilot's state, and with the PWM off there is no negative one. A positive level without state is the
    generator's, with no vehicle.
    """
    if reading.kind not in {"cp_high_v", "cp_low_v", "cp_mean_v"}:
        return True
    if reading.state is None or reading.state in {"E", "F"}:
        return reading.kind == "cp_high_v" and reading.state is None
    return reading.kind == "cp_high_v" or reading.state.endswith("2")


def predicted(reading: Reading, condition: str, *, dried: bool, instrument: int = 0) -> Predicted:
    """The prediction for a reading's kind, state and meter, in a condition of the pilot."""
    letter = reading.state[0] if reading.state else "A"
    return _predicted(reading.kind, letter, reading.meter, condition, (dried, instrument))


@lru_cache(maxsize=512)
def _predicted(
    kind: str, letter: str, meter: Meter, condition: str, where: tuple[bool, int]
) -> Predicted:
    p, unit = particles(condition), UNITS[kind]
    dried, instrument = where
    if kind in OHM_PAIR:
        return _ohms(p, kind, meter, dried=dried, instrument=instrument)
    if kind == "cp_duty_pct":
        return Predicted(p.drawn["duty_pct"], unit, DUTY_SD_PCT)
    high, low = _levels(p, letter, dried=dried)
    if kind == "cp_mean_v":
        share, gain = p.drawn["duty_pct"] / 100, _other(p.drawn["meter_gain"], instrument)
        return Predicted(gain * (share * high + (1 - share) * low), unit, LEVEL_SD_V)
    return Predicted(
        _other(p.drawn["scope_gain"], instrument) * (high if kind == "cp_high_v" else low),
        unit,
        LEVEL_SD_V,
    )


def _other(draws: Floats, instrument: int) -> Floats:
    """The draws of another instrument: the same ones, dealt to other circuits."""
    return np.roll(draws, 101 * instrument)


def _levels(p: Particles, letter: str, *, dried: bool) -> tuple[Floats, Floats]:
    circuit = p.dry_circuit if dried else p.circuit
    state: State = "D" if letter == "D" else "C" if letter == "C" else "B"
    high_v, low_v, r1 = (
        p.drawn[name] for name in ("generator_high_v", "generator_low_v", "r1_ohm")
    )
    if letter == "A":
        return high_v, -low_v
    return circuit.levels(state, high_v, r1)[0], circuit.levels(state, low_v, r1)[1]


def _ohms(p: Particles, kind: str, meter: Meter, *, dried: bool, instrument: int) -> Predicted:
    """What the meter shows: on each range a test current; the lowest range that can show it, or over range."""
    circuit, forward = p.dry_circuit if dried else p.circuit, kind == "cp_pe_forward_ohm"
    reverse = circuit.reverse_reading_ohm()
    shown = np.full(reverse.shape, np.inf)
    for ohm, current, usable in _ranges(p, meter, instrument, by_hand=forward):
        found = circuit.forward_reading_ohm(current) if forward else reverse
        shown = np.where(usable & (found <= ohm) & np.isinf(shown), found, shown)
    healthy = np.where(np.isinf(shown), R2_OHM, shown)
    beyond = np.clip(1 - R2_OHM / healthy, 0.2, 1.0) * np.where(circuit.leak_ohm > 0, 1.0, 0.0)
    return Predicted(shown, "ohm", np.hypot(OHM_SD, beyond * (JUNCTION_SD if forward else LEAK_SD)))


def _ranges(
    p: Particles, meter: Meter, instrument: int, *, by_hand: bool
) -> list[tuple[Floats, Floats, NDArray[np.bool_]]]:
    """Full scale in ohm, test current in A, and whether the meter has the range; one where current or range is known.

    Who sees 'over range' with the leads exchanged goes up the ranges; forwards a range may have been set by hand.
    """
    full_v, counts, decades, fixed = (
        _other(p.drawn[name], instrument)
        for name in ("meter_full_scale_v", "meter_counts", "meter_decades", "fixed_decade")
    )
    always = np.ones(full_v.shape, dtype=bool)
    if meter.range_ohm:
        ohm = np.full(full_v.shape, meter.range_ohm)
        return [
            (
                ohm,
                np.full(full_v.shape, meter.test_current_a)
                if meter.test_current_a
                else full_v / ohm,
                always,
            )
        ]
    if meter.test_current_a:
        # a known current of some tenths of a milliampere is driven to 3.5 V or so (diode test, makers' data)
        driven = np.maximum(full_v, 3.5 if meter.test_current_a > 2e-4 else 0.5)
        return [
            (driven / meter.test_current_a, np.full(full_v.shape, meter.test_current_a), always)
        ]
    out = []
    for decade in range(1, 6):
        ohm = counts * 10.0 ** (decade + 2)
        out.append(
            (ohm, full_v / ohm, np.where((fixed > 0) & by_hand, fixed == decade, decade <= decades))
        )
    return out


def log_likelihood(
    reading: Reading, condition: str, *, dried: bool, instrument: int = 0
) -> tuple[Floats, float]:
    """Per draw the log density of a reading that means something, and that of a stray one."""
    return _log_density(reading, predicted(reading, condition, dried=dried, instrument=instrument))


def proximity_likelihood(reading: Reading, suspect: str) -> float:
    """Log likelihood of a proximity reading under a suspect, stray readings included."""
    sd = PROXIMITY_SD_V if reading.kind == "pp_pe_v" else OHM_SD
    found = Predicted(proximity_draws(reading.kind, suspect), UNITS[reading.kind], sd)
    meant, stray = _log_density(reading, found)
    return float(
        np.log(np.exp(np.logaddexp(np.log1p(-STRAY) + meant, np.log(STRAY) + stray)).mean())
    )


def _log_density(reading: Reading, found: Predicted) -> tuple[Floats, float]:
    quantity = reading.quantity
    if quantity is None:
        raise ValueError(f"{reading.kind} has no figure")
    if found.unit == "ohm":
        return _ohm_density(quantity.value, quantity.above, found)
    sd = np.hypot(found.sd, reading.spread)
    z = ((0.0 if quantity.value is None else quantity.value) - found.value) / sd
    return np.asarray(-0.5 * z**2 - np.log(sd * np.sqrt(2 * np.pi))), float(
        np.log(_STRAY_DENSITY[found.unit])
    )


def _ohm_density(ohm: float | None, above: float | None, found: Predicted) -> tuple[Floats, float]:
    value = found.value
    with np.errstate(divide="ignore", invalid="ignore"):
        if ohm is None:
            beyond = np.isinf(value) if above is None else ndtr(np.log(value / above) / OHM_SD)
            return np.log(np.asarray(beyond, dtype=np.float64)), float(np.log(STRAY_OVER))
        z = (np.log(max(ohm, LEAST_OHM)) - np.log(np.maximum(value, LEAST_OHM))) / found.sd
        log = -0.5 * z**2 - np.log(found.sd * np.sqrt(2 * np.pi))
    return np.where(np.isinf(value), -np.inf, log), float(np.log(_STRAY_DENSITY["ohm"]))
