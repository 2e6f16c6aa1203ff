"""Readings that contradict each other or the instrument, told with what would explain them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from pipeline.core.quantities import Quantity
from pipeline.core.wording import OVER_RANGE, probability
from pipeline.refer.bench.case import UNITS, Case, Reading
from pipeline.refer.bench.outcomes import figure, reading_name
from pipeline.refer.bench.predict import OHM_PAIR, says_something
from pipeline.refer.bench.weigh import Placed, Weighed, replaced, weigh

STRAY_TOLD = 0.5
"""A reading more probably stray than not is told."""
MUCH_BETTER = 4.6
"""An explanation is told where it makes the readings 100 times as probable (ln 100; decided)."""
ALIKE = 1.15
"""Two resistances within this ratio are alike: twice the tolerances and a meter's error (derived)."""


@dataclass(frozen=True)
class Contradiction:
    """What does not fit, in a sentence, and the readings (kind, state) to repeat before they count."""

    text: str
    repeat: tuple[tuple[str, str | None], ...] = ()


def contradictions(
    case: Case, readings: tuple[Placed, ...], weighed: Weighed
) -> tuple[Contradiction, ...]:
    """The gravest first; none where all readings fit."""
    out = [*_known_good(case), *_leads(case, readings, weighed)]
    for number, one in enumerate(readings):
        out += _misread(case, readings, number, one, weighed)
    out += _nothing_said(readings)
    return tuple(dict.fromkeys(out))


def pair_useless(case: Case) -> bool:
    """A known-good vehicle of the model reads the same both ways: the ohm pair cannot tell on this model."""
    good = [r for r in case.readings if r.known_good]
    return _alike(*(_ohms(good, kind) for kind in OHM_PAIR))


def _ohms(readings: list[Reading], kind: str) -> float | None:
    found = [
        r.quantity.value
        for r in readings
        if r.kind == kind and r.quantity and r.quantity.value is not None
    ]
    return found[-1] if found else None


def _alike(a: float | None, b: float | None) -> bool:
    return a is not None and b is not None and max(a, b) <= ALIKE * min(a, b)


def _known_good(case: Case) -> list[Contradiction]:
    if not pair_useless(case):
        return []
    return [
        Contradiction(
            "A known-good vehicle of this model reads the same both ways: other parts lie parallel to the pilot, and the pair "
            "of resistances tells nothing here. It is left out. Measure the levels with a pilot simulator."
        )
    ]


def _leads(case: Case, readings: tuple[Placed, ...], weighed: Weighed) -> list[Contradiction]:
    """Forward above reverse: no circuit of ours does that; with the leads exchanged it would fit."""
    pair = [
        next((n for n, r in enumerate(readings) if r.reading.kind == kind), None)
        for kind in OHM_PAIR
    ]
    if pair[0] is None or pair[1] is None:
        return []
    forward, reverse = readings[pair[0]].reading, readings[pair[1]].reading
    low, high = _size(reverse), _size(forward)
    if high <= ALIKE * low:
        return []
    other = replaced(
        replaced(readings, pair[0], replace(forward, quantity=reverse.quantity)),
        pair[1],
        replace(reverse, quantity=forward.quantity),
    )
    fits = weigh(case.prior, other).log_evidence > weighed.log_evidence + MUCH_BETTER
    said = "Forward is above reverse: a diode from CP to PE cannot do that."
    said += (
        " With the leads exchanged it would fit: red belongs on CP for forward."
        if fits
        else " Measure the pair again."
    )
    return [Contradiction(said, ((OHM_PAIR[0], None), (OHM_PAIR[1], None)))]


def _size(reading: Reading) -> float:
    return (
        float("inf")
        if reading.quantity is None or reading.quantity.value is None
        else reading.quantity.value
    )


_SLIPS: tuple[tuple[str, Callable[[float], float], str], ...] = (
    ("V", lambda v: v * 10, "ten times as much would fit: a ×10 probe read as ×1"),
    ("V", lambda v: v / 10, "a tenth would fit: the oscilloscope is set to ×10 with a ×1 probe"),
    ("V", lambda v: -v, "with the other sign it would fit: the leads or the clip are exchanged"),
    (
        "ohm",
        lambda v: v * 1e3,
        "a thousand times as much would fit: a prefix left out (Ω for kΩ, kΩ for MΩ)",
    ),
    ("ohm", lambda v: v / 1e3, "a thousandth would fit: a prefix too large (kΩ for Ω, MΩ for kΩ)"),
)


def _misread(
    case: Case, readings: tuple[Placed, ...], number: int, one: Placed, weighed: Weighed
) -> list[Contradiction]:
    share = one.stray_share(weighed)
    quantity = one.reading.quantity
    if share < STRAY_TOLD or quantity is None:
        return []
    unit = UNITS[one.reading.kind]
    name = reading_name(one.reading)
    shown = OVER_RANGE if quantity.value is None else figure(quantity.value, unit)
    best, words = weighed.log_evidence + MUCH_BETTER, ""
    for of, change, said in _SLIPS:
        if of == unit and quantity.value is not None:
            changed = replace(one.reading, quantity=Quantity(change(quantity.value)))
            evidence = weigh(case.prior, replaced(readings, number, changed)).log_evidence
            if evidence > best:
                best, words = evidence, said
    others = " together with the other readings" if len(readings) > 1 else ""
    doubt = f"{name}: {shown} fits no suspect{others} ({probability(share)} that it means nothing)"
    text = f"{doubt}; {words}." if words else f"{doubt}. Measure it again before it counts."
    return [Contradiction(text, ((one.reading.kind, one.reading.state),))]


def _nothing_said(readings: tuple[Placed, ...]) -> list[Contradiction]:
    return [
        Contradiction(f"{reading_name(r.reading)}: without the pilot's state, with the PWM on, it weighs nothing.")
        for r in readings
        if r.reading.answer is None and not says_something(r.reading)
    ]  # fmt: skip
