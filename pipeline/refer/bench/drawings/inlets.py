"""The faces of vehicle inlets, looked at from outside, with the contacts a meter's leads go to.

Which contacts there are and their rows: IEC 62196-2 and -3, SAE J1772, as given by secondary sources
(Type 2: two small signal contacts on top, three in the middle with the earth between, two below, the
top edge flat; combined couplers add two direct-current contacts below). Left and right are from
memory, and a plug is the mirror image: the letters moulded beside the contacts decide.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal

from pipeline.refer.bench.drawings.svg import PAGE, Look, circle, document, line, text

Lead = Literal["forward", "reverse", "proximity", "scope"]
Contacts = tuple[tuple[str, float, float, float], ...]
Point = tuple[float, float]

_TYPE1: Contacts = (
    ("L1", 75, 62, 13), ("N", 145, 62, 13), ("PP", 62, 104, 8), ("CP", 158, 104, 8), ("PE", 110, 128, 13),
)  # fmt: skip
_TYPE2: Contacts = (
    ("CP", 88, 58, 8), ("PP", 132, 58, 8), ("L1", 64, 92, 12), ("PE", 110, 92, 12), ("N", 156, 92, 12),
    ("L2", 84, 126, 12), ("L3", 136, 126, 12),
)  # fmt: skip
_DC: Contacts = (("DC+", 72, 207, 20), ("DC-", 148, 207, 20))
FACES: Mapping[str, tuple[str, Contacts]] = MappingProxyType(
    {
        "cType1": ("Type 1 inlet", _TYPE1),
        "cCCS1": ("CCS 1 inlet", (*_TYPE1, *_DC)),
        "cType2": ("Type 2 inlet", _TYPE2),
        "sType2": ("Type 2 inlet", _TYPE2),
        "cCCS2": ("CCS 2 inlet", (*_TYPE2, *_DC)),
    }
)
"""Coupler (ConnectorEnumType) to its face's name and contacts: name, centre and radius in px."""
LEADS: Mapping[Lead, tuple[tuple[str, str], tuple[str, str]]] = MappingProxyType(
    {
        "forward": (("CP", "red"), ("PE", "black")),
        "reverse": (("CP", "black"), ("PE", "red")),
        "proximity": (("PP", "red"), ("PE", "black")),
        "scope": (("CP", "tip"), ("PE", "clip")),
    }
)
NOTE = "From outside. Left and right from memory: the letters beside the contacts decide; a plug is the mirror image."
_WIDE, _TALL, _TALL_DC = 320.0, 186.0, 262.0
_TOP_ROW, _TOP_Y, _EARTH_Y, _OVER_Y = 60.0, 32.0, 168.0, 24.0
"""Leads of the top row leave upwards, those of the earth downwards, the others to the right, or over the top."""
_LEFT, _MARGIN = 34.0, 222.0


def inlet_svg(coupler: str, leads: Lead | None = "forward", look: Look = PAGE) -> str | None:
    """The face of an inlet with the leads on it; None for a coupler without a pilot."""
    if coupler not in FACES:
        return None
    name, contacts = FACES[coupler]
    combined = any(label == "DC+" for label, *_ in contacts)
    tall = _TALL_DC if combined else _TALL
    parts = [text(110, 16, name, bold=True), *_shell(coupler, look)]
    for label, x, y, r in contacts:
        marked = label in {"CP", "PP", "PE"}
        parts.append(circle(x, y, r, look.ink, width=2.2 if marked else 1.2))
        parts.append(
            text(x, y + 4, label, size=10, bold=marked)
            if r >= 11
            else text(x, y + r + 11, label, size=11, bold=True)
        )
    parts += _leads(contacts, leads, look) if leads else []
    said = f", leads {leads}" if leads else ""
    return document(_WIDE, tall, f"{name} from outside, CP, PP and PE marked{said}", parts, look)


def _shell(coupler: str, look: Look) -> list[str]:
    if coupler in {"cType1", "cCCS1"}:  # noqa: SIM108 -- one line would be too long
        shell = [circle(110, 94, 66, look.ink)]
    else:
        shell = [_outline("M 66 44 H 154 A 66 66 0 1 1 66 44 Z", look)]
    if coupler in {"cCCS1", "cCCS2"}:
        shell.append(
            _outline("M 60 176 H 160 A 31 31 0 0 1 160 238 H 60 A 31 31 0 0 1 60 176 Z", look)
        )
    return shell


def _outline(path: str, look: Look) -> str:
    return f'<path d="{path}" fill="none" stroke="{look.ink}" stroke-width="1.5"/>'


def _leads(contacts: Contacts, leads: Lead, look: Look) -> list[str]:
    """Each lead from its contact to the right margin, named by its colour and contact; none crosses another contact."""
    places = {label: (x, y, r) for label, x, y, r in contacts}
    out = []
    for contact, lead in LEADS[leads]:
        bare = lead in {"red", "tip"}
        colour = look.red if bare else look.black
        way = _way(contact, places)
        out.append(line(way, colour, 2.2, "" if bare else "5 3"))
        x, y = way[-1]
        out.append(
            text(x + 4, y + 4, f"{lead} on {contact}", anchor="start", fill=colour, bold=True)
        )
    return out


def _way(contact: str, places: Mapping[str, tuple[float, float, float]]) -> list[Point]:
    """From a contact's rim to the right margin: where another lies in its row further right, by the left and over the top."""
    x, y, r = places[contact]
    if contact == "PE":
        return [(x, y + r), (x, _EARTH_Y), (_MARGIN, _EARTH_Y)]
    if y < _TOP_ROW:
        return [(x, y - r), (x, _TOP_Y), (_MARGIN, _TOP_Y)]
    if any(to_x > x and abs(to_y - y) <= reach for to_x, to_y, reach in places.values()):
        return [(x - r, y), (_LEFT, y), (_LEFT, _OVER_Y), (_MARGIN, _OVER_Y)]
    return [(x + r, y), (_MARGIN, y)]
