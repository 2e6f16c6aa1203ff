"""Where the diode sits: the pilot's circuit from the EVSE's generator to the vehicle's resistors."""

from __future__ import annotations

from pipeline.refer.bench.drawings.svg import PAGE, Look, box, circle, document, line, text

_WIDE, _TALL = 480.0, 210.0
_CP, _PE = 62.0, 168.0
MARKED = {
    "pilot_diode_shorted": "diode",
    "pilot_diode_leaky": "diode",
    "pilot_open": "diode",
    "pilot_leakage": "beside",
    "pilot_resistor": "resistors",
    "carried_cable": "cable",
}


def circuit_svg(suspect: str | None = None, look: Look = PAGE) -> str:
    """The circuit; the suspected place is marked. Values: IEC 61851-1 Annex A, SAE J1772, as given by secondary sources."""
    mark = MARKED.get(suspect or "")
    parts = [
        *_evse(look),
        *_cable(look, marked=mark == "cable"),
        *_vehicle(look, mark),
        line([(40, _PE), (448, _PE)], look.ink),
        text(460, _PE + 4, "PE", bold=True),
    ]
    place = {
        None: "",
        "diode": "; the diode is marked",
        "beside": "; a path beside the diode is marked",
    }.get(mark, f"; {mark} marked")
    return document(
        _WIDE,
        _TALL,
        f"EVSE generator, 1 kΩ, CP, diode, 2.74 kΩ, and 1.3 kΩ behind S2 to PE{place}",
        parts,
        look,
    )


def _colour(look: Look, *, marked: bool) -> str:
    return look.red if marked else look.ink


def _resistor(
    x: float, y: float, words: str, look: Look, *, upright: bool = False, marked: bool = False
) -> list[str]:
    colour = _colour(look, marked=marked)
    if upright:
        return [
            box((x - 6, y - 18, 12, 36), colour, fill=look.paper),
            text(x + 10, y + 4, words, anchor="start", size=11, fill=colour),
        ]
    return [
        box((x - 18, y - 6, 36, 12), colour, fill=look.paper),
        text(x, y - 11, words, size=11, fill=colour),
    ]


def _evse(look: Look) -> list[str]:
    middle = (_CP + _PE) / 2
    return [
        box((8, 30, 128, 160), look.faint, radius=6, dash="4 3"),
        text(72, 24, "EVSE"),
        line([(40, _PE), (40, _CP), (448, _CP)], look.ink),
        circle(40, middle, 17, look.ink, look.paper),
        text(40, middle + 4, "±12 V", size=10),
        *_resistor(92, _CP, "R1 1 kΩ", look),
    ]


def _cable(look: Look, *, marked: bool) -> list[str]:
    colour = _colour(look, marked=marked)
    return [
        box((150, 30, 62, 160), colour if marked else look.faint, radius=6, dash="4 3"),
        text(181, 24, "cable", fill=colour),
        text(181, _CP - 8, "CP", bold=True),
    ]


def _vehicle(look: Look, mark: str | None) -> list[str]:
    diode, beside = mark == "diode", mark == "beside"
    part, path = _colour(look, marked=diode), _colour(look, marked=beside)
    return [
        box((226, 30, 246, 160), look.faint, radius=6, dash="4 3"),
        text(349, 24, "vehicle"),
        circle(238, _CP, 4, look.ink, look.paper),
        circle(238, _PE, 4, look.ink, look.paper),
        line([(262, _CP), (262, _PE)], path, 2.2 if beside else 1, "" if beside else "2 4"),
        text(268, 122, "path beside", anchor="start", size=10, fill=path),
        text(268, 134, "the diode", anchor="start", size=10, fill=path),
        f'<path d="M 306 {_CP - 9} L 306 {_CP + 9} L 324 {_CP} Z" fill="{part}" stroke="{part}"/>',
        line([(324, _CP - 9), (324, _CP + 9)], part, 2.5),
        text(315, _CP - 14, "diode", fill=part, bold=diode),
        line([(360, _CP), (360, _PE)], look.ink),
        *_resistor(360, 108, "R2 2.74 kΩ", look, upright=True, marked=mark == "resistors"),
        line([(448, _CP), (448, 80)], look.ink),
        line([(448, 80), (438, 94)], look.ink, 2),
        line([(448, 96), (448, _PE)], look.ink),
        text(434, 86, "S2", anchor="end", size=11),
        circle(448, 80, 2, look.ink, look.ink),
        circle(448, 96, 2, look.ink, look.ink),
        box((442, 108, 12, 36), _colour(look, marked=mark == "resistors"), fill=look.paper),
        text(
            440,
            158,
            "R3 1.3 kΩ",
            anchor="end",
            size=11,
            fill=_colour(look, marked=mark == "resistors"),
        ),
    ]
