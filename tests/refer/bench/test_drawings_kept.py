"""Drawings as a person looked at them, and what holds of each: nothing outside its frame, no lead over another contact."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from pipeline.refer.bench.drawings import (
    FACES,
    PAGE,
    PAPER,
    Wave,
    circuit_svg,
    inlet_svg,
    panel_svg,
    waveform_svg,
)
from pipeline.refer.bench.drawings.inlets import LEADS, Lead

KEPT = Path(__file__).parent / "drawings"
Point = tuple[float, float]
NUMBERS = {"x", "y", "cx", "cy", "r", "width", "height", "font-size"}
DRAWN: dict[str, Callable[[], str | None]] = {
    "inlet_type1_proximity": lambda: inlet_svg("cType1", "proximity", PAPER),
    "inlet_type2_reverse": lambda: inlet_svg("cType2", "reverse", PAPER),
    "inlet_ccs1_forward": lambda: inlet_svg("cCCS1", "forward"),
    "inlet_ccs2_scope": lambda: inlet_svg("cCCS2", "scope", PAPER),
    "inlet_socket_no_leads": lambda: inlet_svg("sType2", None, PAPER),
    "circuit": circuit_svg,
    "circuit_diode": lambda: circuit_svg("pilot_diode_leaky", PAPER),
    "circuit_beside": lambda: circuit_svg("pilot_leakage", PAPER),
    "circuit_resistors": lambda: circuit_svg("pilot_resistor", PAPER),
    "circuit_cable": lambda: circuit_svg("carried_cable", PAPER),
    "waves": lambda: waveform_svg(Wave(9, -12, 25), Wave(8.8, -8.8, None), ("expected", "seen"), PAPER),
    "waves_short_duty": lambda: waveform_svg(Wave(9, -12, 1), Wave(12, None, 50), ("expected", "seen"), PAPER),
    "wave_long_duty": lambda: panel_svg("seen", Wave(6, -12, 99), PAPER, observed=True),
    "wave_not_measured": lambda: panel_svg("seen", None),
}  # fmt: skip


@pytest.mark.parametrize("name", DRAWN)
def test_a_drawing_is_the_one_that_was_looked_at(name: str) -> None:
    """Regression only: each was looked at on 2026-11-28; whoever changes one looks again and keeps it anew."""
    assert DRAWN[name]() == (KEPT / f"{name}.svg").read_text(encoding="utf-8").removesuffix("\n")


def test_every_drawing_kept_is_made() -> None:
    """Regression only: no picture stays behind."""
    assert {file.stem for file in KEPT.glob("*.svg")} == set(DRAWN)


def test_on_a_page_a_drawing_takes_the_page_s_colours() -> None:
    """Ink, faint lines and paper follow the page, dark or light; red stays red (decided)."""
    drawn = circuit_svg("pilot_diode_shorted", PAGE) + str(inlet_svg("cType2", "forward", PAGE))
    for colour in ("currentColor", "var(--line, #999)", "var(--paper, #fff)", "#c62828"):
        assert f'"{colour}"' in drawn


def _segments(svg: str) -> list[list[Point]]:
    lines = ET.fromstring(svg).iter("{http://www.w3.org/2000/svg}polyline")  # noqa: S314 - our own drawing
    pairs = [[pair.split(",") for pair in one.attrib["points"].split()] for one in lines]
    return [[(float(x), float(y)) for x, y in one] for one in pairs]


def _apart(centre: Point, begin: Point, end: Point) -> float:
    """How far a point lies from a stretch of line."""
    along = (end[0] - begin[0], end[1] - begin[1])
    length = along[0] ** 2 + along[1] ** 2
    share = (
        (centre[0] - begin[0]) * along[0] + (centre[1] - begin[1]) * along[1]
    ) / length if length else 0.0  # fmt: skip
    share = min(max(share, 0.0), 1.0)
    return math.dist(centre, (begin[0] + share * along[0], begin[1] + share * along[1]))


@pytest.mark.parametrize(("coupler", "lead"), list(itertools.product(FACES, LEADS)))
def test_no_lead_crosses_another_contact(coupler: str, lead: Lead) -> None:
    """A lead drawn over CP on its way from PP would have someone probe CP (found on the Type 1 face on 2026-11-28)."""
    drawn = inlet_svg(coupler, lead, PAPER)
    assert drawn is not None
    for (own, _), way in zip(LEADS[lead], _segments(drawn), strict=True):
        for label, x, y, r in FACES[coupler][1]:
            nearest = min(_apart((x, y), *pair) for pair in itertools.pairwise(way))
            assert nearest >= r if label == own else nearest > r + 1


def _inside(svg: str) -> bool:
    """Whether all lines, rings, boxes and words lie in the frame; a letter is taken for .52 of its size wide."""
    root = ET.fromstring(svg)  # noqa: S314 - our own drawing
    _, _, wide, tall = map(float, root.attrib["viewBox"].split())
    spans = [((x, y), (x, y)) for way in _segments(svg) for x, y in way]
    for one in root.iter():
        at = {key: float(value) for key, value in one.attrib.items() if key in NUMBERS}
        if one.tag.endswith("circle"):
            spans.append(((at["cx"] - at["r"], at["cy"] - at["r"]), (at["cx"] + at["r"], at["cy"] + at["r"])))  # fmt: skip
        elif one.tag.endswith("rect"):
            spans.append(((at["x"], at["y"]), (at["x"] + at["width"], at["y"] + at["height"])))
        elif one.tag.endswith("text"):
            letters = 0.52 * at["font-size"] * len(one.text or "")
            left = at["x"] - {"start": 0.0, "middle": 0.5, "end": 1.0}[one.attrib["text-anchor"]] * letters  # fmt: skip
            spans.append(((left, at["y"] - at["font-size"]), (left + letters, at["y"])))
    return all(0 <= x0 <= x1 <= wide and 0 <= y0 <= y1 <= tall for (x0, y0), (x1, y1) in spans)


@pytest.mark.parametrize("name", DRAWN)
def test_nothing_is_drawn_outside_its_frame(name: str) -> None:
    """What lies outside is cut off on paper (common practice, no source)."""
    assert _inside(str(DRAWN[name]()))
