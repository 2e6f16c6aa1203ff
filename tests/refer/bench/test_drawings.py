"""Drawings by code: well-formed, every contact named, the leads where the words say, no text of a log as markup."""

from __future__ import annotations

from xml.etree import ElementTree as ET

import pytest

from pipeline.refer.bench.drawings import (
    FACES,
    PAPER,
    Wave,
    circuit_svg,
    expected_wave,
    inlet_svg,
    waveform_svg,
)

SVG = "{http://www.w3.org/2000/svg}"


def words(svg: str) -> list[str]:
    """The words of a drawing; it must be XML."""
    return [t.text or "" for t in ET.fromstring(svg).iter(f"{SVG}text")]  # noqa: S314 - our own drawing


@pytest.mark.parametrize("coupler", FACES)
def test_an_inlet_names_its_contacts_and_leads(coupler: str) -> None:
    """CP, PP and PE stand on every face with a pilot; combined couplers have direct-current contacts too (IEC 62196-3)."""
    drawn = inlet_svg(coupler, "forward", PAPER)
    assert drawn is not None
    said = words(drawn)
    assert {"CP", "PP", "PE", "red on CP", "black on PE"} <= set(said)
    assert ("DC+" in said) == coupler.startswith("cCCS")
    assert {"L2", "L3"} <= set(said) or "Type 1" in said[0] or "CCS 1" in said[0]


def test_exchanged_leads_are_drawn_exchanged() -> None:
    """Reverse has black on CP and red on PE; a coupler without a pilot has no drawing."""
    drawn = inlet_svg("cType2", "reverse")
    assert drawn is not None
    assert {"black on CP", "red on PE"} <= set(words(drawn))
    assert inlet_svg("cG105") is None


@pytest.mark.parametrize(
    ("suspect", "state", "high", "low"),
    [("none", "B", 8.98, -12.0), ("pilot_diode_shorted", "B", 8.79, -8.79), ("pilot_diode_shorted", "C", 5.62, -5.62),
     ("pilot_open", "B", 12.0, -12.0)],
)  # fmt: skip
def test_expected_waves_are_those_of_the_circuit(
    suspect: str, state: str, high: float, low: float
) -> None:
    """Levels of FACTS A3 and H1 (derived), drawn with their figures."""
    wave = expected_wave(suspect, state)  # type: ignore[arg-type]
    assert (wave.high_v, wave.low_v) == (
        pytest.approx(high, abs=0.01),
        pytest.approx(low, abs=0.02),
    )
    assert any(
        f"high {wave.high_v:.1f} V" in w
        for w in words(waveform_svg(wave, None, ("Expected", "Seen")))
    )


def test_an_observed_wave_may_be_anything() -> None:
    """Steady, without duty, hostile names: drawn, escaped."""
    for wave in (Wave(12.0, None, None), Wave(9.0, -12.0, None), Wave(9.0, -12.0, 100.0)):
        assert "<b>&" in words(waveform_svg(wave, wave, ("<b>&", "b")))


@pytest.mark.parametrize(
    "suspect",
    [None, "pilot_diode_shorted", "pilot_leakage", "pilot_resistor", "carried_cable", "unclear"],
)
def test_the_circuit_shows_where_the_diode_sits(suspect: str | None) -> None:
    """Generator, R1, CP, diode, R2, S2 and R3 to PE; the suspected place is in another colour."""
    drawn = circuit_svg(suspect, PAPER)
    assert {"CP", "PE", "diode", "S2"} <= set(words(drawn))
    assert (PAPER.red in drawn) == (suspect not in {None, "unclear"})
