"""Invented makers' models: vehicles and EVSEs of every simulated world."""

from __future__ import annotations

# name, onboard charger kW, AC phases, inlets, AC class (1 or 2), DC coupler, share of the fleet
VEHICLE_MODELS: tuple[tuple[str, float, int, str, int, str, float], ...] = (
    ("Fernwick Porter", 11.0, 3, "cCCS2", 2, "cCCS2", 3.0),
    ("Fernwick Porter Long", 22.0, 3, "sType2;cCCS2", 2, "cCCS2", 1.5),
    ("Oskel Tiffin", 6.6, 1, "cType1;cG105", 1, "cG105", 2.5),
    ("Oskel Tiffin Cold", 6.6, 1, "cType1;cG105", 1, "cG105", 1.0),
    ("Marlow & Dene Crate", 7.4, 1, "cCCS2", 2, "cCCS2", 2.0),
    ("Quillon Runner", 3.7, 1, "cType2", 2, "", 1.5),
    ("Quillon Runner 2", 7.4, 1, "cType2", 2, "", 1.0),
    ("Harrowby Dray", 11.0, 3, "cCCS2", 2, "cCCS2", 1.0),
    ("Pellam Kit", 7.4, 1, "cCCS1", 1, "cCCS1", 0.7),
    ("Tarnside Pannier", 3.6, 1, "cType1", 1, "", 0.8),
)
# name, supply, connector, A, phases, kW, diode moment, how it tells a diode fault, share
EVSE_MODELS: tuple[tuple[str, str, str, float, int, float, str, str, float], ...] = (
    ("Ambelin W11", "AC", "sType2", 16.0, 3, 11.0, "before_closing", "PilotFault", 3.0),
    ("Ambelin W22", "AC", "sType2", 32.0, 3, 22.0, "in_b2", "DiodeFault", 2.5),
    ("Corvane Post", "AC", "sType2", 32.0, 1, 7.4, "at_b_to_c", "OtherError", 2.0),
    ("Corvane Post Duo", "AC", "sType2", 32.0, 3, 22.0, "at_b_to_c", "InternalError", 2.0),
    ("Dovrin S", "AC", "cType2", 16.0, 3, 11.0, "none", "", 1.5),
    ("Ellsworthy One", "AC", "cType1", 32.0, 1, 7.4, "before_closing", "", 1.2),
    ("Garnock Q50", "DC", "cCCS2", 125.0, 3, 50.0, "before_closing", "PilotFault", 1.0),
    ("Garnock Q50 H", "DC", "cG105", 125.0, 3, 50.0, "none", "", 0.9),
    ("Hollin R60", "DC", "cCCS2", 150.0, 3, 60.0, "none", "", 0.7),
    ("Hollin R60 U", "DC", "cCCS1", 150.0, 3, 60.0, "none", "", 0.4),
)
FIRMWARES = ("1.8.2", "2.0.5", "2.1.0")
