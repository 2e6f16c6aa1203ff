"""An oscilloscope's trace as levels, duty, state and events: against synthetic traces and the standard's tables."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_traces import Made, as_csv, trace

from pipeline.circuit.pilot import LOAD_OHM, high_v, low_v
from pipeline.circuit.waveform import (
    Pilot,
    Trace,
    analyse,
    offered_current,
    pilot_state,
    read_trace,
)
from pipeline.circuit.waveform.edge_times import edge_time_us
from pipeline.circuit.waveform.rows import TraceError


def seen(made: Made) -> Pilot:
    """The analysis of a made trace, by way of its CSV."""
    return analyse(read_trace(as_csv(*trace(made))))


@pytest.mark.parametrize(
    ("duty", "meaning", "amps"),
    [
        (2.9, "none", 0), (3, "digital", 0), (5, "digital", 0), (7, "digital", 0),
        (7.5, "none", 0), (8, "current", 6), (10, "current", 6), (10.5, "current", 6.3), (16, "current", 9.6),
        (16.67, "current", 10), (25, "current", 15), (26.67, "current", 16), (33.33, "current", 20), (40, "current", 24),
        (50, "current", 30), (53.33, "current", 32), (66.67, "current", 40), (80, "current", 48), (85, "current", 51),
        (86, "current", 55), (89.2, "current", 63), (90, "current", 65), (92, "current", 70), (96, "current", 80),
        (96.5, "current", 80), (97, "current", 80), (97.5, "none", 0), (100, "none", 0),
    ],
)  # fmt: skip
def test_duty_says_what_the_table_says(duty: float, meaning: str, amps: float) -> None:
    """IEC 61851-1 Table A.8 (laws as given by secondary sources, narrow bands from memory), worked by arithmetic."""
    offer = offered_current(duty)
    assert (offer.meaning, offer.current_a) == (meaning, pytest.approx(amps, abs=0.02))


@pytest.mark.parametrize("duty", [-0.1, 100.1, float("nan")])
def test_a_duty_that_is_none_is_refused(duty: float) -> None:
    """No share of a period lies outside 0 to 100 %."""
    with pytest.raises(ValueError, match="between 0 and 100"):
        offered_current(duty)


@pytest.mark.parametrize(
    ("high", "low", "name", "fits"),
    [
        (12.0, None, "A1", ("within", None)), (12.0, -12.0, "A2", ("within", "within")),
        (8.98, -12.0, "B2", ("within", "within")), (8.79, -8.79, "B2", ("within", "outside")),
        (6.0, -12.0, "C2", ("within", "within")), (5.62, -5.62, "C2", ("within", "outside")),
        (6.8, -12.0, "C2", ("outside", "within")), (2.93, -12.0, "D2", ("within", "within")),
        (0.3, None, "E", ("within", None)), (-12.0, None, "F", ("within", None)), (-8.8, None, "F", ("outside", None)),
    ],
)  # fmt: skip
def test_states_by_the_bands(
    high: float, low: float | None, name: str, fits: tuple[str, str | None]
) -> None:
    """IEC 61851-1 Tables A.2 to A.4 as given by secondary sources; shorted and 300 ohm in series derived."""
    state = pilot_state(
        (high, high - 0.02, high + 0.02), None if low is None else (low, low - 0.02, low + 0.02)
    )
    assert (state.name, (state.high_fit, state.low_fit)) == (name, fits)


made_traces = st.builds(
    Made,
    high_v=st.sampled_from([12.0, 8.98, 8.79, 6.0, 5.62, 2.93]),
    low_v=st.sampled_from([-12.0, -11.0, -8.79, -5.62]),
    duty_pct=st.sampled_from([5.0, 10.0, 26.67, 53.33, 90.0]),
    frequency_hz=st.floats(985, 1015),
    rate_hz=st.sampled_from([20e3, 50e3, 100e3, 250e3, 1e6]),
    seconds=st.just(0.05),
    tau_s=st.floats(1e-7, 4e-6),
    ring_v=st.floats(0, 5),
    noise_v=st.floats(0, 0.3),
    offset_v=st.floats(-0.3, 0.3),
    drift_v=st.floats(-0.4, 0.4),
    phase=st.floats(0, 0.999),
    seed=st.integers(0, 1000),
)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(made_traces)
def test_levels_duty_and_frequency_come_back(made: Made) -> None:
    """Whatever rings, drifts, is slow or noisy: levels within what was added, duty in its interval, frequency within 0.5 %."""
    found = seen(made).longest
    assert found is not None
    assert found.low is not None
    assert found.duty is not None
    slack = (
        0.1
        + 0.8 * made.noise_v
        + (0.05 * made.ring_v if made.duty_pct == 5.0 or made.rate_hz < 1e5 else 0.02 * made.ring_v)
    )
    for level, true in ((found.high, made.high_v), (found.low, made.low_v)):
        assert abs(level.value - true - made.offset_v) < slack + abs(made.drift_v) / 2
        assert level.lo <= level.value <= level.hi
    assert found.frequency_hz == pytest.approx(made.frequency_hz, rel=5e-3)
    assert found.duty.lo - 0.3 <= made.duty_pct <= found.duty.hi + 0.3


@pytest.mark.parametrize("state", ["B", "C", "D"])
@pytest.mark.parametrize("shorted", [False, True])
def test_a_shorted_diode_shows_in_the_low_half_only(state: str, *, shorted: bool) -> None:
    """FACTS A3 (derived): the state by the positive level stays, the negative level leaves the generator's window."""
    load = LOAD_OHM[state]
    made = Made(
        high_v=high_v(load, diode_v=0.0 if shorted else 0.7),
        low_v=low_v(load) if shorted else -12.0,
        noise_v=0.05,
    )
    found = seen(made).longest
    assert found is not None
    assert (found.state.name, found.state.low_fit) == (
        f"{state}2",
        "outside" if shorted else "within",
    )


@pytest.mark.parametrize(
    ("volts", "name"),
    [(10.51, "A1"), (10.49, "B1"), (7.51, "B1"), (7.49, "C1"), (4.51, "C1"), (4.49, "D1"), (1.51, "D1"), (1.49, "E"),
     (-1.49, "E"), (-1.51, "F")],
)  # fmt: skip
def test_a_state_ends_half_way_to_the_next(volts: float, name: str) -> None:
    """Half way between the nominal 12, 9, 6, 3 and 0 V (derived)."""
    assert pilot_state((volts, volts, volts), None).name == name


def test_earth_is_within_a_volt_of_earth() -> None:
    """State E within 1 V of earth (from memory): a level a little beyond is called E and told to lie outside."""
    fits = [pilot_state((v, v, v), None).high_fit for v in (1.0, -1.0, 1.2)]
    assert fits == ["within", "within", "outside"]


@pytest.mark.parametrize("rising", [True, False])
def test_a_straight_ramp_takes_eight_tenths_of_its_time(*, rising: bool) -> None:
    """10 to 90 % of a ramp of 10 us are 8 us (derived); of steps that never come near the level told, no time is told."""
    at = np.arange(0, 0.02, 2e-7)
    ramp = np.clip(
        np.interp(np.mod(at, 1e-3), [4e-4, 4.1e-4, 8e-4, 9e-4], [-12, 9, 9, -12]), -12, 9
    )
    edge = np.arange(10) * 1e-3 + 4.05e-4
    step, sign = Trace(at, ramp if rising else -3 - ramp, 1.0), {"rising": rising}
    assert edge_time_us(step, edge, -12.0, 9.0, **sign) == pytest.approx(8.0, abs=0.11)
    assert edge_time_us(step, edge, -12.0, 40.0, **sign) is None
    assert edge_time_us(step, edge, -60.0, 9.0, **sign) is None
    assert edge_time_us(step, edge[:4], -12.0, 9.0, **sign) is None


@pytest.mark.parametrize("tau_us", [1.0, 3.0, 6.0])
def test_rise_and_fall_are_those_of_the_rc(tau_us: float) -> None:
    """10 to 90 % of an RC is ln 9 times its time constant; a rise beyond 10 us in B is told (limit by a secondary source)."""
    found = seen(Made(tau_s=tau_us * 1e-6, rate_hz=5e6, seconds=0.02))
    span = found.longest
    assert span is not None
    expected = pytest.approx(np.log(9) * tau_us, abs=0.4)
    assert (span.rise_us, span.fall_us) == (expected, expected)
    assert any("rises in" in doubt for doubt in found.doubts) == (tau_us > 4.6)
    assert seen(Made(tau_s=tau_us * 1e-6, rate_hz=100e3)).spans[0].rise_us is None


def joined(*parts: tuple[float, float | None, int]) -> Trace:
    """Stretches of (high, low or None for steady, milliseconds) one after the other at 100 kS/s."""
    rate, volts = 100e3, []
    for high, low, ms in parts:
        n = round(ms * 1e-3 * rate)
        at = np.mod(np.arange(n) / (rate / 1000), 1.0)
        volts.append(np.full(n, high) if low is None else np.where(at < 0.2667, high, low))
    v = np.concatenate(volts) + np.random.default_rng(5).normal(0, 0.05, sum(len(p) for p in volts))
    return Trace(np.arange(v.size) / rate, v, 1.0)


def test_events_over_time() -> None:
    """Plug-in, PWM on, the vehicle asks, lets go, is unplugged, the equipment goes to F: each at its time."""
    found = analyse(
        joined(
            (12, None, 20),
            (9, None, 20),
            (9, -12, 30),
            (6, -12, 40),
            (9, -12, 20),
            (12, None, 20),
            (-12, None, 20),
        )
    )
    assert [span.state.name for span in found.spans] == ["A1", "B1", "B2", "C2", "B2", "A1", "F"]
    words = [words for _, words in found.events]
    assert words == [
        "A1 to B1: plugged in", "PWM on (B1 to B2)", "B2 to C2: the vehicle asks", "C2 to B2: the vehicle lets go",
        "B2 to A1: unplugged", "A1 to F",
    ]  # fmt: skip
    at = [second for second, _ in found.events]
    assert at == pytest.approx([0.02, 0.04, 0.07, 0.11, 0.13, 0.15], abs=0.003)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(
    factor=st.sampled_from([0.1, 10.0]), state=st.sampled_from(["B", "C"]), shorted=st.booleans()
)
def test_a_forgotten_probe_factor_is_taken_and_told(
    factor: float, state: str, *, shorted: bool
) -> None:
    """Levels a tenth or ten times those a pilot can have: only one factor fits, and the doubt says so."""
    load = LOAD_OHM[state]
    t, v = trace(
        Made(
            high_v=high_v(load, diode_v=0.0 if shorted else 0.7),
            low_v=low_v(load) if shorted else -12.0,
        )
    )
    found = analyse(read_trace(as_csv(t, v * factor)))
    assert found.longest is not None
    assert found.longest.state.name == f"{state}2"
    assert any(f"times {1 / factor:g}" in doubt for doubt in found.doubts)


_T, _V = trace(Made(rate_hz=100e3))
_N = range(_T.size)
HEADERS = {
    "names and units": as_csv(_T, _V),
    "no header": as_csv(_T, _V, ""),
    "quoted, milliseconds, millivolts": '"Time","Pilot"\n"(ms)","(mV)"\n' + as_csv(_T * 1e3, _V * 1e3, "", "{:.6f},{:.3f}\n"),
    "semicolons and decimal commas": "Zeit;Kanal A\n(ms);(V)\n\n" + as_csv(_T * 1e3, _V, "", "{:.5f};{:.4f}\n").replace(".", ","),
    "tabs, microseconds": "t [us]\tch1 [V]\n" + as_csv(_T * 1e6, _V, "", "{:.2f}\t{:.4f}\n"),
    "blanks": "# exported\n# t v\n" + as_csv(_T, _V, "", "  {:.7f}   {:.4f}\n"),
    "preamble, volts alone": "Model,x\nSample Interval,1e-05,s\nVolts\n" + as_csv(_T, _V, "", "{1:.4f}\n"),
    "counted samples, interval over a column": "X,CH1,Start,Increment\nSequence,Volt,0.0,1.0e-05\n"
    + "".join(f"{i},{v:.4f},,\n" for i, v in zip(_N, _V, strict=True)),
    "another channel first": "Time(s),CH1(V),CH2(V)\n" + as_csv(_T, _V, "", "{:.6f},0.01,{:.4f}\n"),
    "trailing comma, time before zero": "s,V,\n" + as_csv(_T - 0.03, _V, "", "{:.6f},{:.4f},\n"),
    "preamble with a rate, volts alone": "Model,x\nSample Rate,1e5\nVolts\n" + as_csv(_T, _V, "", "{1:.4f}\n"),
    "a preamble as long as the trace": "# note\n" * 6100 + as_csv(_T, _V, "Time (second),V\n"),
    "quoted figures": as_csv(_T, _V, "", '"{:.6f}","{:.4f}"\n'),
    "byte-order mark, Windows line ends": "\ufeff" + as_csv(_T, _V).replace("\n", "\r\n"),
}  # fmt: skip


@pytest.mark.parametrize("text", HEADERS.values(), ids=HEADERS.keys())
def test_any_header_is_read(text: str) -> None:
    """The same trace under every way of exporting it gives the same pilot."""
    found = analyse(read_trace(text)).longest
    assert found is not None
    assert found.low is not None
    assert (found.high.value, found.low.value) == pytest.approx((9.0, -12.0), abs=0.01)
    assert found.frequency_hz == pytest.approx(1000, abs=1)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "0 rows of figures"),
        ("Time,Volts\n" + "a,b\n" * 500, "0 rows of figures"),
        (as_csv(_T[:100], _V[:100]), "100 rows of figures"),
        (as_csv(np.arange(2000) / 10e3, np.zeros(2000)), "too slowly"),
        (as_csv(np.zeros(500), np.linspace(-1, 1, 500)[::-1]), "time that rises"),
        (as_csv(_T, _V * 3), "no pilot has that"),
        (as_csv(np.cumsum(np.where(np.arange(6000) % 2, 1e-5, 3e-5)), _V), "do not step evenly"),
    ],
    ids=["empty", "words", "short", "slow", "no time", "not a pilot", "uneven"],
)
def test_what_is_no_trace_is_refused_with_the_reason(text: str, said: str) -> None:
    """A file we cannot use says what is wrong with it and what to do."""
    with pytest.raises(TraceError, match=said) as refused:
        read_trace(text, where="t.csv")
    assert refused.value.where == "t.csv"
    assert refused.value.next_step


def test_of_several_channels_the_pilot_is_read() -> None:
    """A channel that swings about zero is the pilot, whichever place it has; a supply or a clock beside it is not."""
    text = "Time(s),PP(V),CP(V)\n" + "".join(
        f"{t:.6f},{4.5 + 0.1 * v:.4f},{v:.4f}\n" for t, v in zip(_T, _V, strict=True)
    )
    found = analyse(read_trace(text)).longest
    assert found is not None
    assert found.high.value == pytest.approx(9, abs=0.01)


def test_a_time_without_volts_is_refused() -> None:
    """Nothing to read beside the time: what to export is said."""
    with pytest.raises(TraceError, match="a time but no volts"):
        read_trace("".join(f"{t:.6f}\n" for t in _T))


def test_a_duty_is_no_surer_than_the_samples_are_near() -> None:
    """100 samples a period in step with the PWM see an edge to one sample, a hundredth of the period, either way (derived)."""
    found = seen(Made(rate_hz=100e3, duty_pct=30.0, tau_s=0.0)).longest
    assert found is not None
    assert found.duty is not None
    assert found.duty.hi - found.duty.lo == pytest.approx(2.0, abs=0.05)
    assert found.duty.lo <= 30.0 <= found.duty.hi


def test_a_preamble_whose_second_line_is_shorter_states_no_interval() -> None:
    """The interval's column is not there: no time is made up, and what to do is said."""
    text = "Model,Memory,Increment\na,b\n" + as_csv(_T, _V, "", "{1:.4f}\n")
    with pytest.raises(TraceError, match="no sampling interval is stated"):
        read_trace(text)


@pytest.mark.parametrize("stated", ["Sample Interval,0,s", "Sample Rate,0", "Sample Rate,-1e5"])
def test_an_interval_of_nothing_is_none(stated: str) -> None:
    """What is stated as nought, or below it, tells no time: refused with what to do, not divided by."""
    text = f"Model,x\n{stated}\nVolts\n" + as_csv(_T, _V, "", "{1:.4f}\n")
    with pytest.raises(TraceError, match="no sampling interval is stated"):
        read_trace(text)


def test_two_hundred_samples_are_enough_to_be_read() -> None:
    """One fewer is no trace (decided)."""
    assert read_trace(as_csv(_T[:200], _V[:200])).volts.size == 200
    with pytest.raises(TraceError, match="199 rows of figures"):
        read_trace(as_csv(_T[:199], _V[:199]))
