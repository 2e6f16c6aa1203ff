"""Expected and observed waveform of the pilot side by side: high, low, duty."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.circuit.causes import State, circuit_of
from pipeline.refer.bench.drawings.svg import PAGE, Look, document, line, text

DRAWN_DUTY_PCT = 26.67
"""16 A (IEC 61851-1 Table A.8): drawn where no duty was measured."""
TOP_V, BOTTOM_V = 13.0, -13.5
_WIDE, _TALL, _GAP, _LEFT = 440.0, 190.0, 20.0, 34.0


@dataclass(frozen=True)
class Wave:
    """A pilot's levels in V and duty in %; None where not known."""

    high_v: float
    low_v: float | None
    duty_pct: float | None


def expected_wave(suspect: str, state: State, ohm: float | None = None) -> Wave:
    """What a suspect would show in a state with the PWM on (nominal values; `ohm`: the odd part where known)."""
    high, low = circuit_of(suspect, ohm).levels(state)
    return Wave(float(high), float(low), DRAWN_DUTY_PCT)


def waveform_svg(
    expected: Wave, observed: Wave | None, names: tuple[str, str], look: Look = PAGE
) -> str:
    """Two panels with the same scale; the right one is empty where nothing was observed."""
    half = (_WIDE - _GAP) / 2
    parts = [
        *_panel(0, half, names[0], expected, look, look.ink),
        *_panel(half + _GAP, half, names[1], observed, look, look.red),
    ]
    return document(
        _WIDE, _TALL, f"{names[0]}: {said(expected)}. {names[1]}: {said(observed)}", parts, look
    )


def panel_svg(name: str, wave: Wave | None, look: Look = PAGE, *, observed: bool = False) -> str:
    """One panel by itself, for narrow pages."""
    half = (_WIDE - _GAP) / 2
    parts = _panel(0, half, name, wave, look, look.red if observed else look.ink)
    return document(half, _TALL, f"{name}: {said(wave)}", parts, look)


def said(wave: Wave | None) -> str:
    """A wave in words."""
    if wave is None:
        return "not measured"
    low = "" if wave.low_v is None else f", low {wave.low_v:.1f} V"
    duty = "" if wave.duty_pct is None or wave.low_v is None else f", duty {wave.duty_pct:.1f} %"
    return f"high {wave.high_v:.1f} V{low}{duty}"


def _y(volts: float) -> float:
    return 24 + (TOP_V - volts) / (TOP_V - BOTTOM_V) * (_TALL - 50)


def _panel(
    left: float, width: float, name: str, wave: Wave | None, look: Look, colour: str
) -> list[str]:
    parts = [text(left + width / 2, 13, name, bold=True)]
    x0, x1 = left + _LEFT, left + width - 4
    for volts in (12, 9, 6, 0, -6, -12):
        parts.append(
            line([(x0, _y(volts)), (x1, _y(volts))], look.faint, 0.6, "2 3" if volts else "")
        )
        parts.append(text(x0 - 4, _y(volts) + 4, f"{volts}", anchor="end", size=10))
    parts.append(text(left + width / 2, _TALL - 6, said(wave), size=11))
    if wave is None:
        return [*parts, text((x0 + x1) / 2, _y(0) - 6, "not measured yet", size=11)]
    return [*parts, line(_points(x0, x1, wave), colour, 2.2)]


def _points(x0: float, x1: float, wave: Wave) -> list[tuple[float, float]]:
    """Two periods, or a straight line without PWM."""
    if wave.low_v is None:
        return [(x0, _y(wave.high_v)), (x1, _y(wave.high_v))]
    period, share = (x1 - x0) / 2, min(max((wave.duty_pct or DRAWN_DUTY_PCT) / 100, 0.04), 0.96)
    points: list[tuple[float, float]] = []
    for n in range(2):
        start = x0 + n * period
        high, low = _y(wave.high_v), _y(wave.low_v)
        points += [
            (start, low),
            (start, high),
            (start + share * period, high),
            (start + share * period, low),
            (start + period, low),
        ]
    return points
