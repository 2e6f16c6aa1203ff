"""Drawings of our own as SVG text, made by code: inlet faces with leads, waveforms, where the diode sits.

Nothing of a log is drawn but figures; colours are the page's own where `look` is PAGE, fixed where it is PAPER.
"""

from __future__ import annotations

from pipeline.refer.bench.drawings.circuit import circuit_svg
from pipeline.refer.bench.drawings.inlets import FACES, inlet_svg
from pipeline.refer.bench.drawings.svg import PAGE, PAPER, Look
from pipeline.refer.bench.drawings.waveform import Wave, expected_wave, panel_svg, waveform_svg

__all__ = [
    "FACES", "PAGE", "PAPER", "Look", "Wave", "circuit_svg", "expected_wave", "inlet_svg", "panel_svg", "waveform_svg",
]  # fmt: skip
