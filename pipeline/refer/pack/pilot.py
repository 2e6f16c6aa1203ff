"""What the logged levels of the control pilot say of a vehicle."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.core.wording import ohms, ohms_between
from pipeline.refer.pack.model import Pilot, PilotReading
from pipeline.refer.pack.parts import bands


def pilot(row: dict[str, Any], levels: pl.DataFrame, suspect: str) -> Pilot:
    """The levels of a vehicle called, with the bands of the standard, and what they say.

    `row`: the vehicle as called; `levels`: its readings, as `judged.levels`; `suspect`: the likeliest cause.
    """
    columns = list(PilotReading.model_fields)
    readings = tuple(
        PilotReading(**r)
        for r in levels.rename({"usual_v": "usual_low_v"}).select(columns).to_dicts()
    )
    path = (row["reverse_path_ohm"], row["reverse_path_lo_ohm"], row["reverse_path_hi_ohm"])
    return Pilot(
        text=_pilot_text(levels, suspect, path), readings=readings, bands=bands(),
        reverse_path_ohm=path[0], reverse_path_lo_ohm=path[1], reverse_path_hi_ohm=path[2],
    )  # fmt: skip


def _pilot_text(
    levels: pl.DataFrame, suspect: str, path: tuple[float | None, float | None, float | None]
) -> str:
    """What the levels say, in a sentence or two."""
    if not levels["low_v"].count():
        return (
            "No EVSE this vehicle used in the look-back logs the negative level of the pilot."
            + (" Some log the positive level, which is shown." if levels.height else "")
        )
    if path[0] is None and path[1] is None:
        return "The readings at hand are too few to judge the CP–PE reverse resistance by."
    if path[0] is None:
        return f"The negative level is at each EVSE's usual level: CP–PE reverse resistance above {ohms(path[1])}, as with a healthy diode."
    measured = (
        f"Against each EVSE's own usual negative level the CP–PE reverse resistance is {ohms(path[0])}, "
        f"90 % interval {ohms_between(path[1], path[2])}"
    )
    if suspect == "pilot_leakage":
        return (
            f"{measured}. The positive level falls with it and the negative level is alike in B2 and C2: "
            "a path from pilot to earth beside the diode, not the diode."
        )
    return f"{measured}; a healthy diode gives MΩ, a shorted one 2.74 kΩ."
