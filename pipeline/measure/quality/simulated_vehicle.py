"""A simulated vehicle at the bench, with its fault and the instruments of its workshop.

It shares nothing with the bench but the standard's nominal values: circuits by its own arithmetic, meters from a table
of kinds, a diode of another law, tolerances within their limits, answers that stray from the declared tables.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.optimize import brentq

from pipeline.core.quantities import Quantity
from pipeline.refer.bench import Reading, bench_declared
from pipeline.refer.bench.case import prior_without_logs

IMPLAUSIBLE = 0.05
"""Share of answers that follow no table, and of readings off by a slip: 1 %."""
SLIP = 0.01
_METERS = (
    # full scale V by range, counts: the kinds makers' data show (a hand-held one under 0.7 V, one of 3.2 V open, an old one)
    (0.6, 6.0), (0.65, 4.0), (1.3, 4.0), (2.5, 2.0), (3.0, 6.0), (4.2, 4.0),
)  # fmt: skip
_DUTIES = (10.0, 16.67, 26.67, 53.33)
OPEN_OHM = 1e13


@dataclass(frozen=True)
class Truth:
    """One simulated vehicle with the instruments of its workshop; ohm, V, %."""

    suspect: str
    r2: float
    r3: float
    leak: float
    beside: float
    contact: float
    dries: bool
    ideality: float
    saturation: float
    generator: float
    r1: float
    duty: float
    meter: tuple[float, float]
    scope: float
    proximity: float
    coding: float
    rng: np.random.Generator
    seen: dict[str, int] = field(default_factory=dict)
    """What each question would truly show, drawn when it is first asked: asked again, only the telling can differ."""


def simulate(number: int, seed: int) -> Truth:
    """The vehicle of that number: suspect by the prior, parts within tolerance but one."""
    rng = np.random.default_rng((seed, number))
    prior = prior_without_logs()
    suspect = str(rng.choice(list(prior), p=list(prior.values())))

    def near(value: float, tolerance: float) -> float:
        return float(value * rng.uniform(1 - tolerance, 1 + tolerance))

    def between(low: float, high: float) -> float:
        return float(np.exp(rng.uniform(np.log(low), np.log(high))))

    r2, r3, contact = near(2740, 0.03), near(1300, 0.03), float(rng.uniform(0, 3))
    which = int(rng.integers(3))
    if suspect == "pilot_resistor":
        off = between(0.4, 0.78) if rng.random() < 0.4 else between(1.3, 3.5)
        r2, r3 = r2 * (off if which == 1 else 1), r3 * (off if which == 2 else 1)
        contact = between(250, 2500) if which == 0 else contact
    opened = suspect == "pilot_open"
    leak = between(8e6, 5e9) if rng.random() < 0.85 else between(2e5, 8e6)
    leak = {
        "pilot_diode_shorted": float(rng.uniform(0, 5)),
        "pilot_diode_leaky": between(500, 4e4),
    }.get(suspect, leak)
    lock_off = suspect == "inlet_lock" and rng.random() < 0.4
    cable_off = suspect == "carried_cable" and rng.random() < 0.5
    return Truth(
        suspect, OPEN_OHM if opened else r2, OPEN_OHM if opened or suspect == "never_requests" else r3, leak,
        between(1.8e3, 3e4) if suspect == "pilot_leakage" else OPEN_OHM, contact,
        bool(rng.random() < 0.6), float(rng.uniform(1.5, 1.95)), between(3e-10, 1e-8),
        float(np.clip(rng.normal(12, 0.2), 11.4, 12.6)), near(1000, 0.03), float(rng.choice(_DUTIES)),
        _METERS[int(rng.integers(len(_METERS)))], float(rng.normal(1, 0.012)),
        float(rng.uniform(0, 5)) if lock_off else near(5.0, 0.05) * 0.891,
        (OPEN_OHM if rng.random() < 0.5 else between(5, 5e3))
        if cable_off
        else near(float(rng.choice([1500, 680, 220, 100])), 0.03),
        rng,
    )  # fmt: skip


def shown(truth: Truth, kind: str, state: str | None, *, dried: bool) -> Reading:
    """What this workshop reads: a figure, over range, or an answer."""
    declared = bench_declared()
    if kind in declared.answers:
        answer = declared.answers[kind]
        if kind not in truth.seen:
            row = np.array(answer.rows.get(truth.suspect) or answer.rows["else"])
            truth.seen[kind] = int(truth.rng.choice(row.size, p=row / row.sum()))
        slipped = truth.rng.random() < IMPLAUSIBLE
        told = int(truth.rng.integers(len(answer.answers))) if slipped else truth.seen[kind]
        return Reading(kind, answer=answer.answers[told])
    beside = OPEN_OHM if dried and truth.dries else truth.beside
    if kind in {"cp_pe_forward_ohm", "cp_pe_reverse_ohm", "pp_pe_ohm"}:
        return Reading(kind, _ohms(truth, kind, beside))
    value = {
        "pp_pe_v": truth.proximity * truth.rng.normal(1, 0.005),
        "cp_duty_pct": truth.duty,
    }.get(kind)
    if value is None:
        high, low = _levels(truth, state or "B2", beside)
        mean = truth.duty / 100 * high + (1 - truth.duty / 100) * low
        value = {"cp_high_v": high * truth.scope, "cp_low_v": low * truth.scope, "cp_mean_v": mean}[
            kind
        ]
        value += float(truth.rng.normal(0, 0.05))
    if truth.rng.random() < SLIP:
        value *= 0.1
    return Reading(kind, Quantity(round(value, 2)), state=state)


def _levels(truth: Truth, state: str, beside: float) -> tuple[float, float]:
    """Thevenin's source behind R1 and the contact, the path beside the diode, then diode and load."""
    load = truth.r2 if state[0] == "B" else 1 / (1 / truth.r2 + 1 / truth.r3)
    out = []
    for source in (truth.generator, -truth.generator):

        def into(v: float, source: float = source) -> float:
            through = _through(truth, v, load) + v / beside
            return (source - v) / (truth.r1 + truth.contact) - through

        inlet = float(brentq(into, -13.0, 13.0))
        out.append(source - (source - inlet) * truth.r1 / (truth.r1 + truth.contact))
    return out[0], out[1]


def _through(truth: Truth, v: float, load: float) -> float:
    """Current through the diode (its leak parallel) and the load in series, at v across both."""
    thermal = 0.0257 * truth.ideality

    def balance(junction: float) -> float:
        diode = (
            truth.saturation * np.expm1(min(junction / thermal, 60.0)) if truth.leak > 10 else 0.0
        )
        return float(diode + junction / max(truth.leak, 1e-3) - (v - junction) / load)

    low, high = (0.0, v) if v > 0 else (v, 0.0)
    if low == high:
        return 0.0
    return (v - float(brentq(balance, low - 1e-9, high + 1e-9))) / load


def _ohms(truth: Truth, kind: str, beside: float) -> Quantity:
    """An automatic meter goes up its ranges until one can show it; 40 or 60 MΩ is its last."""
    full_v, counts = truth.meter
    noise = truth.rng.normal(1, 0.008)
    if truth.rng.random() < SLIP:
        return Quantity(None)
    for decade in range(3, 8):
        full = counts * 10.0**decade
        current = full_v / full
        ohm = (
            truth.coding
            if kind == "pp_pe_ohm"
            else _resistance(truth, current, beside, forward=kind == "cp_pe_forward_ohm")
        )
        if ohm <= full:
            return Quantity(float(f"{ohm * noise:.3g}"))
    return Quantity(None)


def _resistance(truth: Truth, current: float, beside: float, *, forward: bool) -> float:
    sign = 1.0 if forward else -1.0

    def drawn(v: float) -> float:
        return abs(_through(truth, sign * v, truth.r2)) + v / beside - current

    top = 50.0
    if drawn(top) < 0:
        return float("inf")
    return float(brentq(drawn, 0.0, top)) / current + truth.contact


INTERVIEW = {
    "ac_reach": 1.0,
    "ac_where": 1.0,
    "dc_ccs": 0.5,
    "trouble_codes": 0.5,
    "another_cable": 0.33,
}
"""Questions of the interview and how often whoever brings the vehicle can answer them; judgement."""


def interview(truth: Truth) -> tuple[Reading, ...]:
    """The answers that are known before anything is measured."""
    known = [kind for kind, share in INTERVIEW.items() if truth.rng.random() < share]
    return tuple(shown(truth, kind, None, dried=False) for kind in known)
