"""A trace as readings: its longest stretch gives levels and duty, with their intervals."""

from __future__ import annotations

from pipeline.circuit.waveform import Level, PilotSpan, analyse, read_trace
from pipeline.core.quantities import Quantity
from pipeline.refer.bench.case import Reading


def trace_readings(
    text: str, *, where: str, state: str | None = None
) -> tuple[tuple[Reading, ...], str]:
    """Readings of the stretch that lasted longest, and the whole trace in words.

    `state` is what was set up at the bench: an open line stays at 12 V, and only who plugged in knows that it is no state A.
    Without it the trace's own state stands. Raises TraceError.
    """
    pilot = analyse(read_trace(text, where=where))
    span = pilot.longest
    said = " ".join(
        [
            *(_said(one) for one in pilot.spans[:6]),
            *(f"{at:.3f} s: {words}." for at, words in pilot.events[:12]),
            *pilot.doubts,
        ]
    )
    if span is None:
        return (), said
    named = state or span.state.name
    levels = [("cp_high_v", span.high), ("cp_low_v", span.low), ("cp_duty_pct", span.duty)]
    found = [
        Reading(kind, Quantity(level.value), state=named, spread=(level.hi - level.lo) / 2)
        for kind, level in levels
        if level is not None
    ]
    return tuple(found), said


def _said(span: PilotSpan) -> str:
    words = f"{span.state.name} {span.start_s:.3f} to {span.end_s:.3f} s: high {_level(span.high)}"
    if span.low is not None and span.duty is not None and span.frequency_hz is not None:
        words += (
            f", low {_level(span.low)}, {span.frequency_hz:.0f} Hz, duty {span.duty.value:.1f} %"
        )
    if span.offer is not None:
        offers = {
            "current": f"offers {span.offer.current_a:.1f} A",
            "digital": "digital communication",
            "none": "offers nothing",
        }
        words += f", {offers[span.offer.meaning]}"
    for name, us in (("rise", span.rise_us), ("fall", span.fall_us)):
        words += f", {name} {us:.1f} µs" if us is not None else ""
    fits = [
        name
        for name, fit in (("high", span.state.high_fit), ("low", span.state.low_fit))
        if fit == "outside"
    ]
    return words + (
        f"; {' and '.join(fits)} outside the tolerances of IEC 61851-1." if fits else "."
    )


def _level(level: Level) -> str:
    return f"{level.value:.2f} V ({level.lo:.2f} to {level.hi:.2f})"
