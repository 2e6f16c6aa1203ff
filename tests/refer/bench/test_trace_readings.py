"""A trace as readings of the bench: its longest stretch's levels, and the whole of it in words."""

from __future__ import annotations

import re

import pytest

from pipeline.refer.bench.trace import trace_readings

RATE_HZ = 500_000


def square(high_v: float, low_v: float, duty: float, seconds: float) -> list[float]:
    """Volts of a pilot at 1 kHz without noise."""
    per = RATE_HZ // 1000
    return [high_v if n % per < duty * per else low_v for n in range(int(seconds * RATE_HZ))]


def csv(volts: list[float]) -> str:
    """As an instrument exports it."""
    rows = [f"{n / RATE_HZ:.7f},{v:.3f}" for n, v in enumerate(volts)]
    return "\n".join(["time (s),volts (V)", *rows])


def test_the_longest_stretch_is_what_is_read() -> None:
    """50 ms of B2 after 20 ms of A1: the levels and the duty of B2, each with half its interval (for the duty
    one sample of 500, derived); both stretches
    in words, B2 from its first rise to its last.
    """
    text = csv([12.0] * (RATE_HZ // 50) + square(9.0, -12.0, 0.25, 0.05))
    found, said = trace_readings(text, where="t.csv")
    told = {r.kind: r for r in found}
    assert list(told) == ["cp_high_v", "cp_low_v", "cp_duty_pct"]
    values = [r.quantity.value for r in found if r.quantity]
    assert values == pytest.approx([9.0, -12.0, 25.0], abs=0.3)
    assert {r.state for r in found} == {"B2"}
    assert [r.spread for r in found] == [0, 0, pytest.approx(0.2, abs=0.01)]
    assert said.startswith("A1 0.000 to 0.020 s: high 12.00 V (")
    assert " B2 0.021 to 0.069 s: high 9.00 V (" in said
    assert ", low -12.00 V (-12.00 to -12.00)" in said
    assert ", 1000 Hz, duty 25.0 %, offers 15.0 A" in said


def test_who_set_it_up_knows_the_state() -> None:
    """An open line stays at 12 V though B2 was asked for: the state given stands, not the trace's own."""
    found, _ = trace_readings(csv(square(12.0, -12.0, 0.25, 0.05)), where="t.csv", state="B2")
    assert {r.state for r in found} == {"B2"}
    own, _ = trace_readings(csv(square(12.0, -12.0, 0.25, 0.05)), where="t.csv")
    assert {r.state for r in own} == {"A2"}


def test_what_leaves_the_bands_is_named() -> None:
    """A shorted diode's negative level, -8.79 V (derived), is outside IEC 61851-1's band; duties below 8 % offer no current."""
    _, said = trace_readings(csv(square(8.79, -8.79, 0.05, 0.05)), where="t.csv")
    assert ", duty 5.0 %, digital communication, rise" in said
    assert "; low outside the tolerances of IEC 61851-1." in said
    _, neither = trace_readings(csv(square(8.0, -8.0, 0.02, 0.05)), where="t.csv")
    assert ", offers nothing, rise" in neither
    assert "; high and low outside the tolerances of IEC 61851-1." in neither
    _, steady = trace_readings(csv([9.0] * (3 * RATE_HZ // 100)), where="t.csv")
    assert steady.startswith("B1 0.000 to 0.029 s: high 9.00 V (9.00 to 9.00)")
    assert "low" not in steady.partition(".")[0]


def test_slow_edges_are_told_by_name() -> None:
    """A straight ramp of 10 us, sampled every 2 us, takes 8 us from 10 to 90 % (derived); as long up as down, each by its name."""
    ramp = [-12 + 21 * share for share in (0.2, 0.4, 0.6, 0.8)]
    period = [*ramp, *[9.0] * 121, *reversed(ramp), *[-12.0] * 371]
    _, said = trace_readings(csv(period * 50), where="t.csv")
    assert re.search(r", rise 8\.[01] µs, fall 8\.[01] µs", said)
