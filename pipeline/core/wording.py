"""Figures and parts in words.

One wording on pages, on sheets, in packs and in the reasons of the tables.
"""

from __future__ import annotations

import polars as pl

SUSPECTS = {
    "pilot_diode_shorted": "shorted pilot diode",
    "pilot_diode_leaky": "leaking pilot diode",
    "pilot_open": "open pilot line or diode",
    "pilot_leakage": "leakage from pilot to earth (inlet or harness)",
    "pilot_resistor": "pilot resistor or contact",
    "carried_cable": "cable carried with the vehicle",
    "charger_leakage": "leakage to earth in the on-board charger",
    "charger_input": "AC side of the on-board charger",
    "inlet_lock": "inlet lock or wiring",
    "never_requests": "never asks for charge",
    "pilot_generator": "pilot generator",
    "contactor": "contactor",
    "residual_current_device": "residual current device",
    "connector_lock": "connector lock",
    "communication": "communication",
    "cable": "cable",
    "supply": "mains supply or earth",
    "unclear": "part unclear",
}
COUPLERS = {
    "cType1": "Type 1 cable",
    "cType2": "Type 2 cable",
    "sType2": "Type 2 socket",
    "sType3": "Type 3 socket",
    "cCCS1": "CCS 1 cable",
    "cCCS2": "CCS 2 cable",
    "cG105": "CHAdeMO cable",
    "cGBT": "GB/T cable",
    "cTesla": "SAE J3400 cable",
}
"""An EVSE's outlet by its code; codes nobody here has met stand as they are."""
FINDINGS = {
    "diode_shorted": "shorted pilot diode",
    "diode_leaky": "leaking pilot diode",
    "diode_open": "open pilot diode",
    "charger_other": "another fault of the on-board charger",
    "inlet_or_wiring": "inlet or wiring",
    "no_fault_found": "no fault found",
}
"""What a workshop finds at a vehicle."""
OVER_RANGE = "over range"
OVER_RANGE_OHM = 40e6
"""Where hand-held meters end: 40 to 50 MΩ (common practice)."""


def percent(share: float | None, digits: int = 0) -> str:
    """A share as '93 %'; a little is not rounded to none, nor almost all to all."""
    if share is None:
        return "–"
    step = 10.0 ** -(digits + 2)
    if 0 < share < step:
        return f"under {100 * step:g} %"
    if 1 - step < share < 1:
        return f"over {100 * (1 - step):g} %"
    return f"{100 * share:.{digits}f} %"


def coupler(code: str) -> str:
    """An outlet in words: 'Type 2 socket'."""
    return COUPLERS.get(code, code)


def inlet(code: str) -> str:
    """A vehicle's inlet in words: 'Type 2'."""
    return coupler(code).removesuffix(" cable").removesuffix(" socket")


def counted(number: int, thing: str) -> str:
    """'1 attempt', '3 attempts'."""
    return f"{number} {thing}{'' if number == 1 else 's'}"


def probability(p: float | None) -> str:
    """A probability as '93 %'; none is certain, whatever it was rounded to."""
    if p is None:
        return "–"
    return "under 1 %" if p < 0.01 else "over 99 %" if p > 0.99 else percent(p)


def ohms(ohm: float | None) -> str:
    """A resistance as a meter would show it, to three figures: 882 Ω, 2.74 kΩ, 1.3 MΩ.

    `over range` beyond what meters show.
    """
    if ohm is None:
        return "–"
    if ohm >= OVER_RANGE_OHM:
        return OVER_RANGE
    shown = float(f"{ohm:.3g}")
    size, unit = (1e6, "MΩ") if shown >= 1e6 else (1e3, "kΩ") if shown >= 1e3 else (1.0, "Ω")
    return f"{shown / size:g} {unit}"


def ohms_between(lo_ohm: float | None, hi_ohm: float | None) -> str:
    """An interval of a resistance; without an upper bound it reaches over the meter's range."""
    return f"{ohms(lo_ohm)} to {OVER_RANGE if hi_ohm is None else ohms(hi_ohm)}"


def probability_in(column: str) -> pl.Expr:
    """`probability` of a column, null where it is null.

    For tables of units, a few thousand rows.
    """
    return pl.col(column).map_elements(probability, return_dtype=pl.String)


def ohms_in(column: str) -> pl.Expr:
    """`ohms` of a column, null where it is null."""
    return pl.col(column).map_elements(ohms, return_dtype=pl.String)


def suspect_in(column: str) -> pl.Expr:
    """A column of suspects in words."""
    return pl.col(column).replace_strict(SUSPECTS, default=pl.col(column), return_dtype=pl.String)


def printable(text: str) -> str:
    """Text fit for a terminal: a control character of a log is shown, never obeyed."""
    return "".join(
        c if c in "\n\t" or (c.isprintable() and c != "\x7f") else f"\\x{ord(c):02x}" for c in text
    )
