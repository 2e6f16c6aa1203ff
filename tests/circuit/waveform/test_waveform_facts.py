"""Pieces of a trace's analysis by hand: what is doubted, what is named, periods over gaps, the reach of a duty."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.circuit.pilot import high_window, low_window
from pipeline.circuit.waveform import Trace, analyse
from pipeline.circuit.waveform.analyse import (
    Level,
    Pilot,
    PilotSpan,
    _doubts,
    _duty,
    _event,
    _level,
    _period,
    _runs,
    _steady_levels,
    _step_v,
)
from pipeline.circuit.waveform.cycles import cycles, edges
from pipeline.circuit.waveform.edge_times import edge_time_us
from pipeline.circuit.waveform.state import letter, pilot_state

FLAT = Trace(np.arange(10) / 1e5, np.zeros(10), 1.0)


def span(name: str, seconds: float = 0.1, **about: float | None) -> PilotSpan:
    """A stretch in a state, with what is given."""
    level = Level(9.0, 9.0, 9.0)
    pwm = name.endswith("2")
    made = PilotSpan(
        0.0, seconds, replace(pilot_state((9.0, 9.0, 9.0), None), name=name), level, level if pwm else None, 1000.0 if pwm else None,
        None, None, None, None,
    )  # fmt: skip
    return replace(made, **about)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("one", "said"),
    [
        (span("B2", frequency_hz=980.0), None), (span("B2", frequency_hz=1020.0), None), (span("B1"), None),
        (span("B2", frequency_hz=979.0), "B2: 979 Hz; 980 to 1020 Hz are usual."),
        (span("C2", frequency_hz=1021.0), "C2: 1021 Hz; 980 to 1020 Hz are usual."),
        (span("B2", rise_us=10.0), None), (span("B2", rise_us=10.1), "B2: rises in 10.1 µs; the limit is 10 µs."),
        (span("C2", rise_us=7.0), None), (span("C2", rise_us=7.2), "C2: rises in 7.2 µs; the limit is 7 µs."),
        (span("A2", rise_us=90.0), None),
        (span("B2", fall_us=13.0), None), (span("A2", fall_us=13.2), "A2: falls in 13.2 µs; the limit is 13 µs."),
    ],
)  # fmt: skip
def test_what_leaves_the_limits_is_doubted(one: PilotSpan, said: str | None) -> None:
    """Frequency and edges: limits as given by a secondary source for IEC 61851-1; the limit itself is within."""
    assert _doubts(FLAT, (one, one)) == (() if said is None else (said,))


def test_a_probe_s_factor_and_a_trace_without_a_state_are_told() -> None:
    """A factor other than 1, and no stretch of three cycles."""
    none = "No stretch of the trace is a pilot that holds one state for three cycles."
    factor = "The file's volts were taken times 10: set the probe's factor on the oscilloscope."
    assert _doubts(FLAT, ()) == (none,)
    assert _doubts(replace(FLAT, probe_factor=10.0), ()) == (factor, none)


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ("A1", "B1", "A1 to B1: plugged in"), ("A2", "B2", "A2 to B2: plugged in"), ("B1", "A1", "B1 to A1: unplugged"),
        ("B2", "C2", "B2 to C2: the vehicle asks"),
        ("C2", "B2", "C2 to B2: the vehicle lets go"), ("B1", "B2", "PWM on (B1 to B2)"), ("C2", "C1", "PWM off (C2 to C1)"),
        ("C2", "A1", "C2 to A1"), ("B2", "E", "B2 to E"), ("E", "F", "E to F"),
    ],
)  # fmt: skip
def test_events_have_names(before: str, after: str, said: str) -> None:
    """Steps of IEC 61851-1 Annex A (as given by secondary sources); others by their states alone."""
    assert _event(span(before), span(after)) == said


def test_the_longest_stretch_with_pwm_counts() -> None:
    """PWM before none, then the length; of nothing there is none."""
    spans = (span("A1", 0.9), span("B2", 0.1), span("C2", 0.2))
    assert Pilot(spans, (), ()).longest == spans[2]
    assert Pilot(spans[:1], (), ()).longest == spans[0]
    assert Pilot((), (), ()).longest is None


def test_runs_of_three_or_more_are_stretches() -> None:
    """Two cycles are a step caught half way; what stands on both sides of them is one stretch."""
    names = ["A1"] * 3 + ["B2"] * 2 + ["A1"] * 3 + ["B2"] * 4
    assert _runs(names) == [slice(0, 8), slice(8, 12)]
    assert _runs(["A1"] * 2) == []
    assert _runs([]) == []


def test_a_period_over_gaps() -> None:
    """Rises with cycles missing between them: each is counted with its number (derived)."""
    starts = np.array([0, 1, 2, 7, 8, 20]) * 1.001e-3
    assert _period(starts, starts + 1.001e-3) == pytest.approx(1.001e-3)
    two = np.array([0.0, 0.0011])
    assert _period(two, two + np.array([0.001, 0.001])) == pytest.approx(0.001)


def test_how_far_a_duty_may_lie() -> None:
    """Two standard errors, and what lies between two samples where the rate is in step with the PWM: all of one sample of a thousand,
    a quarter of it where four phases are seen (derived). Never under 0 or over 100.
    """
    starts = np.arange(100) * 1e-3
    assert _duty(np.full(100, 25.0), starts, 1e-3, 1e-6) == Level(
        25.0, pytest.approx(24.9), pytest.approx(25.1)
    )  # type: ignore[arg-type]
    told = _duty(np.full(100, 25.0), starts, 1.00025e-3, 1e-6)
    assert told.hi - told.value == pytest.approx(0.025, rel=0.01)
    scattered = _duty(np.array([24.0, 26.0] * 50), starts, 1.00025e-3, 1e-6)
    assert scattered.hi - scattered.value == pytest.approx(0.2 + 0.025, rel=0.01)
    never, always = (_duty(np.full(9, each), starts[:9], 1e-3, 1e-5) for each in (0.0, 100.0))
    assert (never.lo, always.hi) == (0.0, 100.0)


def test_a_level_reaches_over_its_spread_and_half_a_step() -> None:
    """95 of 100 cycles, and half the instrument's step on either side (derived)."""
    found = _level(np.arange(101.0), 0.5)
    assert (found.value, found.lo, found.hi) == (50.0, 2.25, 97.75)


@pytest.mark.parametrize(
    ("volts", "step"), [([0.0, 0.1, 0.3], 0.1), ([0.0, 0.5, 9.0], 0.5), ([-12.0, 9.0], 0.0), ([9.0, 9.0], 0.0), ([9.0, 9.0 + 1e-9], 0.0)]
)  # fmt: skip
def test_the_step_of_an_instrument(volts: list[float], step: float) -> None:
    """The smallest difference between its values; two levels far apart are no step (bound derived)."""
    assert _step_v(Trace(np.arange(len(volts)) / 1e5, np.array(volts), 1.0)) == pytest.approx(step)


@pytest.mark.parametrize(
    ("volts", "name"), [(10.6, "A"), (10.5, "B"), (7.5, "C"), (4.5, "D"), (1.5, "E"), (-1.5, "F"), (-12.0, "F")]
)  # fmt: skip
def test_a_boundary_belongs_below(volts: float, name: str) -> None:
    """Half way between the nominal levels (derived)."""
    assert letter(volts) == name


def test_how_levels_lie_to_their_windows() -> None:
    """Within where all of the interval is, outside where none is, else it touches; E lies within a volt of earth (from memory)."""
    high, low = high_window("B"), low_window("A")
    fits = [pilot_state((9.0, lo, hi), None).high_fit for lo, hi in (
        (high.lo_v, high.hi_v), (high.lo_v - 0.1, high.hi_v), (high.lo_v, high.hi_v + 0.1), (high.hi_v, high.hi_v + 1),
        (high.hi_v + 0.01, 10.0), (7.6, high.lo_v), (7.6, high.lo_v - 0.01),
    )]  # fmt: skip
    assert fits == ["within", "touches", "touches", "touches", "outside", "touches", "outside"]
    told = pilot_state((9.0, 9.0, 9.0), (-12.0, low.lo_v, low.hi_v))
    assert (told.name, told.low_fit) == ("B2", "within")
    assert pilot_state((9.0, 9.0, 9.0), (-8.8, -8.9, -8.7)).low_fit == "outside"
    assert [pilot_state((0.0, lo, hi), None).high_fit for lo, hi in ((-1.0, 1.0), (-1.01, 1.0), (1.01, 1.4))] == [
        "within", "touches", "outside",
    ]  # fmt: skip
    steady = pilot_state((-12.0, low.lo_v, low.hi_v), None)
    assert (steady.name, steady.high_fit, steady.low_fit) == ("F", "within", None)


def test_a_step_in_a_steady_line_is_no_level() -> None:
    """Milliseconds with a step or a lone pulse in them tell no level; what is steady on both sides of it does."""
    volts = np.concatenate([np.full(1000, 12.0), np.full(1000, 9.0)])
    found = analyse(Trace(np.arange(2000) / 1e5, volts, 1.0))
    assert [(s.state.name, s.high.value) for s in found.spans] == [("A1", 12.0), ("B1", 9.0)]
    assert [s.low for s in found.spans] == [None, None]


@pytest.mark.parametrize(("swing_v", "level"), [(1.9, True), (2.1, False)])
def test_a_millisecond_is_level_within_two_volts(swing_v: float, *, level: bool) -> None:
    """From its 10th to its 90th percentile (decided); its median is the level, and one without samples has none."""
    volts = np.where(np.arange(100) < 30, 9.0 + swing_v, 9.0)
    found, flat = _steady_levels(Trace(np.arange(100) / 1e5, volts, 1.0), np.array([0.0, 5.0]))
    assert (found[0], bool(np.isnan(found[1])), flat.tolist()) == (9.0, True, [level, False])
    none, flat = _steady_levels(FLAT, np.empty(0))
    assert (none.size, flat.size, flat.dtype) == (0, 0, bool)


def steps(at_s: list[float], rate_hz: float, tau_s: float, *, rising: bool) -> Trace:
    """A line that goes from -12 to 9 V (or back) in straight ramps of that length, one at each time, and returns at once 200 us later."""
    time = np.arange(round(0.02 * rate_hz)) / rate_hz
    volts = np.full(time.size, -12.0 if rising else 9.0)
    for at in at_s:
        share = np.clip((time - at) / tau_s + 0.5, 0, 1)
        here = (time > at - 150e-6) & (time < at + 150e-6)
        volts = np.where(here, -12 + 21 * (share if rising else 1 - share), volts)
    return Trace(time, volts, 1.0)


TIMES = [1e-3, 2e-3, 3e-3, 4e-3, 5e-3]


@pytest.mark.parametrize("rising", [True, False])
def test_an_edge_from_a_tenth_to_nine_tenths(*, rising: bool) -> None:
    """Eight tenths of a straight ramp; five edges are enough, four are not, nor a sampling above 2.5 us (decided)."""
    made = steps(TIMES, 2e6, 20e-6, rising=rising)
    assert edge_time_us(made, np.array(TIMES), -12.0, 9.0, rising=rising) == pytest.approx(
        16, abs=0.3
    )
    assert edge_time_us(made, np.array(TIMES[1:]), -12.0, 9.0, rising=rising) is None
    assert edge_time_us(made, np.array(TIMES), 9.0, 9.0, rising=rising) is None
    coarse = steps(TIMES, 3e5, 20e-6, rising=rising)
    assert edge_time_us(coarse, np.array(TIMES), -12.0, 9.0, rising=rising) is None
    edge = steps(TIMES, 4e5, 20e-6, rising=rising)
    assert edge_time_us(edge, np.array(TIMES), -12.0, 9.0, rising=rising) == pytest.approx(
        16, abs=1
    )


def test_edges_too_near_an_end_are_left_out() -> None:
    """40 us to either side must be seen; a step that does not reach nine tenths has no length."""
    made = steps(TIMES, 2e6, 20e-6, rising=True)
    early = np.array([30e-6, *TIMES[1:]])
    assert edge_time_us(made, early, -12.0, 9.0, rising=True) is None
    late = np.array([*TIMES[1:], made.time_s[-1] - 30e-6])
    assert edge_time_us(made, late, -12.0, 9.0, rising=True) is None
    assert edge_time_us(made, np.array(TIMES), -12.0, 20.0, rising=True) is None


def test_the_state_is_that_of_the_level_not_of_its_ends() -> None:
    """A level of 9 V whose interval reaches below 7.5 V is B all the same."""
    assert pilot_state((9.0, 7.0, 11.0), None).name == "B1"


def test_plateaus_are_clear_of_their_edges() -> None:
    """20 us after an edge are left out: an overshoot that lasts shorter is not seen, one that lasts longer is (decided)."""
    rate = 1e6
    time = np.arange(20_000) / rate
    at = np.mod(time, 1e-3)
    for lasts, high in ((18e-6, 9.0), (0.2e-3, 11.0), (0.3e-3, 11.0)):
        volts = np.where(at < 0.3e-3, np.where(at < lasts, 11.0, 9.0), -12.0)
        found = cycles(Trace(time, volts, 1.0))
        assert found.start_s.size >= 15
        assert (np.unique(found.high_v).tolist(), np.unique(found.low_v).tolist()) == (
            [high],
            [-12.0],
        )
        assert found.duty_pct == pytest.approx(30, abs=0.2)
    # of a pulse of three samples what is left after the edge's share is read
    volts = np.where(np.mod(np.arange(20_000), 1000) < 40, 9.0, -12.0)
    short = cycles(Trace(time, volts, 1.0))
    assert np.unique(short.high_v).tolist() == [9.0]


def test_a_swing_under_a_volt_and_a_half_is_no_pwm() -> None:
    """The smallest one swings 4.3 V (derived); a pulse shorter than 10 us is a glitch, a period 20 % off is none of the pilot's."""
    time = np.arange(40_000) / 1e6

    def wave(period: int, width: int, high: float, low: float) -> Trace:
        return Trace(time, np.where(np.mod(np.arange(40_000), period) < width, high, low), 1.0)

    counts = [cycles(wave(*one)).start_s.size for one in (
        (1000, 300, 1.4, 0.0), (1000, 300, 1.7, 0.0), (1000, 9, 9.0, -12.0), (1000, 13, 9.0, -12.0),
        (1190, 300, 9.0, -12.0), (1210, 300, 9.0, -12.0), (810, 300, 9.0, -12.0), (790, 300, 9.0, -12.0),
    )]  # fmt: skip
    assert [n > 25 for n in counts] == [False, True, False, True, True, False, True, False]


@pytest.mark.parametrize("shelf_v", [-1.7, -1.3], ids=["below the middle", "above the middle"])
def test_a_signal_that_lingers_about_its_middle_has_not_changed_sides(shelf_v: float) -> None:
    """A shelf of 100 us within an eighth of the swing about the middle (here -1.5 V) is part of the edge it stands on (decided)."""
    time, period = np.arange(20_000) / 1e6, np.mod(np.arange(20_000), 1000)
    plain = np.where(period < 300, 9.0, -12.0)
    lingering = np.where((period >= 600) & (period < 700), shelf_v, plain)
    expected, found = edges(Trace(time, plain, 1.0)), edges(Trace(time, lingering, 1.0))
    assert found[0] == pytest.approx(expected[0])
    assert found[1].tolist() == expected[1].tolist()
