"""A case at the bench: which vehicle, what is believed before, and its readings in order of time."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from types import MappingProxyType
from typing import Any, TypedDict, Unpack

from pipeline.core.errors import DecisionError
from pipeline.core.quantities import Quantity, QuantityError, parse_quantity
from pipeline.refer.bench.declared import READINGS, bench_declared

UNITS: Mapping[str, str] = MappingProxyType(
    {"pp_pe_v": "V", "pp_pe_ohm": "ohm", "cp_pe_forward_ohm": "ohm", "cp_pe_reverse_ohm": "ohm",
     "cp_high_v": "V", "cp_low_v": "V", "cp_duty_pct": "%", "cp_mean_v": "V"}
)  # fmt: skip
BOUNDS: Mapping[str, tuple[float, float]] = MappingProxyType(
    {"ohm": (0.0, 1e9), "V": (-150.0, 150.0), "%": (0.0, 100.0)}
)
"""Beyond lies no reading; within, ten times a pilot's volts (a probe's factor) still can be typed and is told."""
STATES = ("A1", "A2", "B1", "B2", "C1", "C2", "D1", "D2", "E", "F")
DRIED = "dried"
"""Kind of the row that says the inlet was cleaned and dried: what was read before it is of the wet inlet."""
KNOWN_GOOD = "known-good"
"""A note that begins so marks a reading on a known-good vehicle of the same model."""
_CURRENT = re.compile(r"(\d+(?:[.,]\d+)?)\s*(m|µ|u|n)A\b")
_RANGE = re.compile(r"(\d+(?:[.,]\d+)?)\s*([kM]?)\s*(?:Ω|\u2126|ohm)", re.IGNORECASE)
_AMPS = {"m": 1e-3, "µ": 1e-6, "u": 1e-6, "n": 1e-9}


class BenchError(DecisionError):
    """A reading or answer is not one of ours."""


@dataclass(frozen=True)
class Meter:
    """What is known of an ohmmeter: test current and range; unknown = any hand-held meter."""

    test_current_a: float | None = None
    range_ohm: float | None = None


@dataclass(frozen=True)
class Reading:
    """One reading or answer. `quantity` for figures, `answer` for words; `spread` half the interval of a trace's level."""

    kind: str
    quantity: Quantity | None = None
    answer: str | None = None
    state: str | None = None
    coupler: str | None = None
    instrument: str = ""
    note: str = ""
    at: datetime | None = None
    spread: float = 0.0

    @property
    def known_good(self) -> bool:
        """Taken on a known-good vehicle of the same model, for comparison."""
        return self.note.strip().lower().replace(" ", "-").startswith(KNOWN_GOOD)

    @property
    def meter(self) -> Meter:
        """Test current and range, as far as `instrument` says: 'bench meter, 0.5 mA', '40 kΩ range'."""
        current, span = _CURRENT.search(self.instrument), _RANGE.search(self.instrument)
        amps = float(current[1].replace(",", ".")) * _AMPS[current[2]] if current else None
        scale = {"": 1.0, "k": 1e3, "m": 1e6}
        ohm = float(span[1].replace(",", ".")) * scale[span[2].lower()] if span else None
        return Meter(amps or None, ohm or None)


@dataclass(frozen=True)
class Case:
    """A vehicle at the bench. `prior`: probability of each suspect before the readings, summing to 1."""

    prior: Mapping[str, float]
    readings: tuple[Reading, ...] = ()
    couplers: tuple[str, ...] = ()
    vehicle_id: str | None = None
    fleet_words: str = ""

    def __post_init__(self) -> None:
        """The prior names every suspect."""
        if set(self.prior) != set(bench_declared().names):
            raise BenchError(
                "the prior must name every suspect of the bench",
                next_step="use prior_without_logs or prior_from_week",
            )


def prior_without_logs() -> dict[str, float]:
    """What is believed of a vehicle that does not charge, before anything is known (judgement)."""
    shares = {name: s.prior for name, s in bench_declared().suspects.items()}
    total = sum(shares.values())
    return {name: share / total for name, share in shares.items()}


LEAST_PRIOR = 0.002
"""No suspect starts lower: logs can mistake one part for another, and a reading must be able to say so (decided)."""


def prior_from_week(p_vehicle: float, given: Mapping[str, float]) -> dict[str, float]:
    """What a week's list believes: `given` = suspects if it is the vehicle; 'unclear' is shared out as without logs."""
    usual = prior_without_logs()
    faults = {name: share for name, share in usual.items() if name != "no_fault"}
    unclear = 1.0 - sum(share for name, share in given.items() if name in faults)
    shares = {
        name: p_vehicle * (given.get(name, 0.0) + max(unclear, 0.0) * share / sum(faults.values()))
        for name, share in faults.items()
    }
    shares["no_fault"] = 1.0 - p_vehicle
    floored = {name: max(shares[name], LEAST_PRIOR) for name in usual}
    total = sum(floored.values())
    return {name: share / total for name, share in floored.items()}


class About(TypedDict, total=False):
    """How a reading was taken."""

    state: str | None
    coupler: str | None
    instrument: str | None
    note: str | None
    at: datetime | None


def parse_reading(
    kind: str, value: str, *, decimal_point: bool = False, **about: Unpack[About]
) -> Reading:
    """A reading or answer as typed.

    Raises BenchError or QuantityError saying what is wrong and how to write it.
    """
    declared = bench_declared()
    state = about.get("state") or None
    plain = Reading(
        kind, state=state, coupler=about.get("coupler") or None, instrument=about.get("instrument") or "",
        note=about.get("note") or "", at=about.get("at"),
    )  # fmt: skip
    if state and state not in STATES:
        raise BenchError(
            f"{state!r} is no state of the pilot",
            next_step=f"use one of {', '.join(STATES)}, or leave it out",
        )
    if kind == DRIED:
        return replace(plain, answer="yes")
    if kind in declared.answers:
        known = declared.answers[kind].answers
        if value not in known:
            raise BenchError(
                f"{value!r} is no answer to {kind}", next_step=f"use one of {', '.join(known)}"
            )
        return replace(plain, answer=value)
    if kind not in READINGS:
        raise BenchError(
            f"{kind!r} is no reading",
            next_step=f"use one of {', '.join((*READINGS, *declared.answers, DRIED))}",
        )
    unit = UNITS[kind]
    try:
        quantity = parse_quantity(value, unit, BOUNDS[unit], decimal_point=decimal_point)
    except QuantityError as error:
        raise QuantityError(f"{kind}: {error.what}", next_step=error.next_step) from error
    return replace(plain, quantity=quantity)


def plain(reading: Reading) -> str:
    """A reading's value as the store holds it: in the unit itself with a decimal point, OL, or the answer."""
    if reading.answer is not None or reading.quantity is None:
        return reading.answer or ""
    if reading.quantity.value is None:
        above = reading.quantity.above
        return f"> {above:.12g} Ω" if above else "OL"
    return f"{reading.quantity.value:.12g}"


def reading_of_row(row: Mapping[str, Any]) -> Reading:
    """A reading from a row of decision_reading or raw_reading. Raises as `parse_reading`."""
    read = parse_reading(
        row["reading"], row["reading_value"], decimal_point=True, state=row["pilot_state"],
        coupler=row["coupler"], instrument=row["instrument"], note=row["note"], at=row["at_utc"],
    )  # fmt: skip
    return replace(read, spread=row.get("reading_spread") or 0.0)


def row_of_reading(vehicle: str, reading: Reading) -> dict[str, Any]:
    """A vehicle's reading as a row of decision_reading; `reading_of_row` gives it back."""
    return {
        "vehicle_id": vehicle, "at_utc": reading.at, "reading": reading.kind, "reading_value": plain(reading),
        "pilot_state": reading.state, "coupler": reading.coupler or None, "instrument": reading.instrument or None,
        "note": reading.note or None, "reading_spread": reading.spread or None,
    }  # fmt: skip
