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
    panel_svg,
    waveform_svg,
)
from pipeline.refer.bench.drawings.inlets import LEADS, Lead
from pipeline.refer.bench.drawings.svg import box, circle, line, text

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
    """Levels of the standard's circuit by hand (derived), drawn with their figures."""
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


def shapes(svg: str, tag: str) -> list[dict[str, str]]:
    """Attributes of a drawing's shapes of a kind, in order, a text's words as `words`."""
    root = ET.fromstring(svg)  # noqa: S314 - our own drawing
    return [{**one.attrib, "words": one.text or ""} for one in root.iter(f"{SVG}{tag}")]


def points(shape: dict[str, str]) -> list[tuple[float, float]]:
    """The corners of a line."""
    pairs = (pair.split(",") for pair in shape["points"].split())
    return [(float(x), float(y)) for x, y in pairs]


@pytest.mark.parametrize("lead", LEADS)
@pytest.mark.parametrize("coupler", FACES)
def test_each_lead_begins_at_the_contact_it_is_named_for(coupler: str, lead: Lead) -> None:
    """A lead drawn to the wrong contact would have someone probe it: it begins on the rim of its contact, and its words stand
    where it ends. The red lead and the scope's tip are red and whole, the other black and dashed (decided).
    """
    drawn = inlet_svg(coupler, lead, PAPER)
    assert drawn is not None
    contacts = {label: (x, y, r) for label, x, y, r in FACES[coupler][1]}
    said = {shape["words"]: shape for shape in shapes(drawn, "text")}
    for (contact, name), drawn_lead in zip(LEADS[lead], shapes(drawn, "polyline"), strict=True):
        x, y, r = contacts[contact]
        (x0, y0), *_, (x1, y1) = points(drawn_lead)
        assert (x0 - x) ** 2 + (y0 - y) ** 2 == pytest.approx(r**2)
        words_of_it = said[f"{name} on {contact}"]
        assert (float(words_of_it["x"]), float(words_of_it["y"])) == (x1 + 4, y1 + 4)
        bare = name in {"red", "tip"}
        assert drawn_lead["stroke"] == words_of_it["fill"] == (PAPER.red if bare else PAPER.black)
        assert ("stroke-dasharray" in drawn_lead) != bare


@pytest.mark.parametrize("coupler", FACES)
def test_each_contact_bears_its_own_name(coupler: str) -> None:
    """Letters stand in their contact, or right below a small one; CP, PP and PE are bold (where they lie: IEC 62196-2, SAE J1772,
    as given by secondary sources).
    """
    drawn = inlet_svg(coupler, None, PAPER)
    assert drawn is not None
    rings = {(float(c["cx"]), float(c["cy"])): c for c in shapes(drawn, "circle")}
    letters = {s["words"]: s for s in shapes(drawn, "text")}
    for label, x, y, r in FACES[coupler][1]:
        below = 4 if r >= 11 else r + 11
        assert (float(letters[label]["x"]), float(letters[label]["y"])) == (x, y + below)
        signal = label in {"CP", "PP", "PE"}
        assert (letters[label].get("font-weight") == "bold") == signal
        assert (float(rings[x, y]["r"]), rings[x, y]["stroke-width"]) == (
            r,
            "2.2" if signal else "1.2",
        )
    title = ET.fromstring(drawn).findtext(f"{SVG}title")  # noqa: S314 - our own drawing
    assert title == f"{FACES[coupler][0]} from outside, CP, PP and PE marked"


@pytest.mark.parametrize(
    ("suspect", "red", "title"),
    [
        (None, set(), ""), ("unclear", set(), ""),
        ("pilot_diode_shorted", {"diode"}, "; the diode is marked"), ("pilot_diode_leaky", {"diode"}, "; the diode is marked"),
        ("pilot_open", {"diode"}, "; the diode is marked"),
        ("pilot_leakage", {"path beside", "the diode"}, "; a path beside the diode is marked"),
        ("pilot_resistor", {"R2 2.74 kΩ", "R3 1.3 kΩ"}, "; resistors marked"), ("carried_cable", {"cable"}, "; cable marked"),
    ],
)  # fmt: skip
def test_only_the_suspected_place_is_red(suspect: str | None, red: set[str], title: str) -> None:
    """Values of the parts: IEC 61851-1 Annex A and SAE J1772, as given by secondary sources."""
    drawn = circuit_svg(suspect, PAPER)
    said = shapes(drawn, "text")
    assert {s["words"] for s in said if s.get("fill") == PAPER.red} == red
    assert {"±12 V", "R1 1 kΩ", "R2 2.74 kΩ", "R3 1.3 kΩ", "EVSE", "vehicle"} <= {
        s["words"] for s in said
    }
    assert f"1.3 kΩ behind S2 to PE{title}</title>" in drawn
    diode = shapes(drawn, "path")[0]
    assert (diode["fill"] == PAPER.red) == ("diode" in red)


def test_the_diode_points_from_the_pilot_into_the_vehicle() -> None:
    """Anode at the EVSE's side, cathode bar at the resistors': current flows from CP through R2 to PE (IEC 61851-1 Annex A, as given
    by secondary sources).
    """
    drawn = circuit_svg(None, PAPER)
    corners = shapes(drawn, "path")[0]["d"].split()
    anode, tip = float(corners[1]), float(corners[7])
    bar = next(p for p in map(points, shapes(drawn, "polyline")) if p[0][0] == p[1][0] == tip)
    assert anode < tip
    assert float(corners[2]) < float(corners[8]) < float(corners[5])
    assert bar[0][1] < float(corners[8]) < bar[1][1]


@pytest.mark.parametrize("observed", [False, True])
def test_a_wave_is_drawn_to_the_scale_beside_it(observed: bool) -> None:  # noqa: FBT001
    """At 9 V it lies on the line of 9, at -12 V on that of -12, and is high for its duty of two equal periods (derived)."""
    drawn = panel_svg("B2", Wave(9.0, -12.0, 25.0), PAPER, observed=observed)
    *scale, wave = shapes(drawn, "polyline")
    levels = {
        s["words"]: float(s["y"]) - 4 for s in shapes(drawn, "text") if s["text-anchor"] == "end"
    }
    assert list(levels) == ["12", "9", "6", "0", "-6", "-12"]
    assert [points(one)[0][1] for one in scale] == pytest.approx(list(levels.values()))
    steps = (levels["12"] - levels["0"], levels["6"] - levels["0"], levels["0"] - levels["-12"])
    assert steps == pytest.approx((2 * steps[1], steps[1], 2 * steps[1]), abs=0.01)
    corners = points(wave)
    x0, x1 = points(scale[0])[0][0], points(scale[0])[1][0]
    period = (x1 - x0) / 2
    assert corners[0] == pytest.approx((x0, levels["-12"]))
    assert corners[1] == pytest.approx((x0, levels["9"]))
    assert corners[2] == pytest.approx((x0 + period / 4, levels["9"]), abs=1e-3)
    assert corners[3] == pytest.approx((x0 + period / 4, levels["-12"]), abs=1e-3)
    assert corners[6] == pytest.approx((x0 + period, levels["9"]))
    assert corners[-1] == pytest.approx((x1, levels["-12"]))
    assert wave["stroke"] == (PAPER.red if observed else PAPER.ink)
    assert "high 9.0 V, low -12.0 V, duty 25.0 %" in words(drawn)


def test_a_wave_without_pwm_is_a_line_and_one_not_measured_says_so() -> None:
    """A steady level has neither low nor duty; nothing measured is words, no line."""
    steady = panel_svg("A", Wave(12.0, None, 50.0), PAPER)
    wave = points(shapes(steady, "polyline")[-1])
    twelve = next(float(s["y"]) for s in shapes(steady, "text") if s["words"] == "12") - 4
    assert [y for _, y in wave] == pytest.approx([twelve, twelve])
    assert "high 12.0 V" in words(steady)
    both = waveform_svg(Wave(9.0, -12.0, None), None, ("expected", "seen"), PAPER)
    assert {"high 9.0 V, low -12.0 V", "not measured", "not measured yet"} <= set(words(both))
    assert len(shapes(both, "polyline")) == 13
    left, right = (float(s["x"]) for s in shapes(both, "text") if s.get("font-weight") == "bold")
    assert right - left == 230


def test_shapes_are_what_svg_calls_them() -> None:
    """Attribute by attribute (SVG 1.1); no dash, no fill where none is asked for."""
    assert line([(0, 1.5), (2, 3)], "#000", 2) == (
        '<polyline points="0,1.5 2,3" fill="none" stroke="#000" stroke-width="2"/>'
    )
    assert line([(0, 0)], "#000", dash="4 3").endswith(
        'stroke-width="1.5" stroke-dasharray="4 3"/>'
    )
    assert circle(1, 2, 3, "#000") == (
        '<circle cx="1" cy="2" r="3" stroke="#000" fill="none" stroke-width="1.5"/>'
    )
    assert box((1, 2, 3, 4), "#000", dash="4 3") == (
        '<rect x="1" y="2" width="3" height="4" rx="0" stroke="#000" fill="none" stroke-width="1.5" stroke-dasharray="4 3"/>'
    )
    assert "dash" not in box((1, 2, 3, 4), "#000", radius=6, fill="#fff")
    assert text(1, 2, "<") == '<text x="1" y="2" text-anchor="middle" font-size="12">&lt;</text>'
    assert text(1, 2, "a", anchor="end", size=9, fill="#000", bold=True) == (
        '<text x="1" y="2" text-anchor="end" font-size="9" fill="#000" font-weight="bold">a</text>'
    )
    root = ET.fromstring(circuit_svg(None, PAPER))  # noqa: S314 - our own drawing
    assert (root.get("viewBox"), root.get("width"), root.get("role")) == (
        "0 0 480 210",
        "480",
        "img",
    )
