"""Readings to expect at the bench, safe ones first, each with the vehicle's state and the leads; cautions before all.

Figures come from `pipeline.circuit`, nothing is measured here.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from pipeline.circuit.causes import PilotCircuit, State, circuit_of
from pipeline.circuit.meter import (
    PROXIMITY_LATCHED_OHM,
    PROXIMITY_PRESSED_OHM,
    meter_table,
    proximity_v,
)
from pipeline.circuit.pilot import EV_TOLERANCE, R2_OHM
from pipeline.core.wording import OVER_RANGE, OVER_RANGE_OHM, ohms, ohms_between, percent
from pipeline.refer.pack.cautions import CAUTIONS, DEFERENCE
from pipeline.refer.pack.model import Bench, BenchReading
from pipeline.refer.suspects.vehicles import DIODE

J1772_INLETS = frozenset({"cType1", "cCCS1", "cTesla"})
TYPE2 = frozenset({"cType2", "sType2", "cCCS2"})
ANY, DEAD = "as it is, unplugged", "unplugged, asleep, made safe, proved dead"
AWAKE, SIMULATED = "unplugged, awake", "awake, pilot simulator without mains plugged in"
DUTIES_PCT = (10.0, 26.67, 53.33)
"""6, 16 and 32 A: where the mean of a multimeter is told."""
Path = tuple[float | None, float | None, float | None]
SAME = "as a known-good vehicle"


@dataclass(frozen=True)
class _Row:
    what: str
    how: str
    stands: str
    if_suspect: str
    if_sound: str
    note: str
    decides: bool = True


def bench(suspect: str, inlets: tuple[str, ...], path_ohm: Path) -> Bench:
    """Readings for a suspect.

    `path_ohm`: the CP–PE reverse resistance the logs point to, with its interval (median, low, high).
    """
    odd = odd_ohm(suspect, path_ohm[0])
    circuit, healthy = circuit_of(suspect, odd), PilotCircuit()
    rows = [
        _look(suspect),
        *([_cable(suspect)] if TYPE2 & set(inlets) else []),
        _reverse(suspect, circuit, path_ohm),
        _forward(suspect, odd),
        _dried(suspect),
        _proximity(inlets),
        _mean(circuit, healthy),
        _levels(circuit, healthy, "B"),
        _levels(circuit, healthy, "C"),
        *([_ELSEWHERE.get(suspect, _ELSEWHERE["unclear"])] if suspect not in _ON_THE_PILOT else []),
    ]
    return Bench(
        cautions=CAUTIONS,
        deference=DEFERENCE,
        readings=tuple(
            BenchReading(
                order=n, what=r.what, how=r.how, stands=r.stands, if_suspect=r.if_suspect,
                if_sound=r.if_sound, note=r.note, decides=r.decides,
            )
            for n, r in enumerate(rows, start=1)
        ),
        meter_table=tuple((row.current_a, row.sound_forward_ohm) for row in meter_table()),
    )  # fmt: skip


_ON_THE_PILOT = frozenset(
    {*DIODE, "pilot_open", "pilot_leakage", "pilot_resistor", "carried_cable"}
)


def odd_ohm(suspect: str, path: float | None) -> float | None:
    """The odd part's value where the logs tell it: of a leak, the path less the load."""
    if path is None or suspect not in {"pilot_diode_leaky", "pilot_leakage"}:
        return None
    return max(path - R2_OHM, 100.0) if suspect == "pilot_diode_leaky" else path


def _look(suspect: str) -> _Row:
    wet = "wet, dirty, green or chafed" if suspect == "pilot_leakage" else "clean and dry"
    return _Row(
        "Inlet and plugs", "lamp", ANY, wet, "clean and dry",
        "By itself this decides nothing; damage or burns: do not plug in again.", decides=False,
    )  # fmt: skip


def _cable(suspect: str) -> _Row:
    works = "charges with it" if suspect == "carried_cable" else "fails the same way"
    return _Row(
        "Another cable, known to be good, at the same EVSE", "nothing opened", ANY, works, "charges with either",
        "The cable's resistor, at its plug, PP to PE: 1.5 kΩ, 680, 220 or 100 Ω (IEC 61851-1 Table B.2, second-hand).",
    )  # fmt: skip


_OHMS = "multimeter, ohms range (not diode test, not continuity), "


@lru_cache(1024)
def _span(suspect: str | None, odd: float | None) -> str:
    """Forward readings of a suspect's circuit, or of a healthy one, over the test currents of meters."""
    of = PilotCircuit() if suspect is None else circuit_of(suspect, odd)
    low, high = float(of.forward_reading_ohm(1e-3)), float(of.forward_reading_ohm(1e-5))
    return f"{ohms(low)} at 1 mA of test current to {ohms(high)} at 10 µA"


def _forward(suspect: str, odd: float | None) -> _Row:
    expected = f"{_span(suspect, odd)}, or {OVER_RANGE}"
    if suspect == "pilot_diode_shorted":
        expected = f"{ohms(R2_OHM)} ±{percent(EV_TOLERANCE)}, whatever the test current"
    elif suspect == "pilot_open":
        expected = OVER_RANGE
    elif suspect == "pilot_leakage":
        expected = _span(suspect, odd) + ": may be below 2.74 kΩ"
    return _Row(
        "Pilot to earth, forward", _OHMS + "red on CP, black on PE", DEAD, expected,
        f"{_span(None, None)}, or {OVER_RANGE} on a range that never opens the diode",
        "A low-voltage range may read over range on a healthy diode too: then this half decides nothing, the reverse does.",
    )  # fmt: skip


def _reverse(suspect: str, circuit: PilotCircuit, path_ohm: Path) -> _Row:
    value, low, high = path_ohm
    reading = float(circuit.reverse_reading_ohm())
    expected = (
        f"{OVER_RANGE}, tens of MΩ" if reading >= OVER_RANGE_OHM else f"about {ohms(reading)}"
    )
    if suspect == "pilot_diode_shorted":
        expected = f"{ohms(R2_OHM)}: the same as the other way"
    if value is not None and suspect in {*DIODE, "pilot_leakage"}:
        expected += f" (the logs point to {ohms(value)}, 90 % interval {ohms_between(low, high)})"
    return _Row(
        "Pilot to earth, reverse", _OHMS + "black on CP, red on PE", DEAD, expected, f"{OVER_RANGE}, tens of MΩ",
        "The pair decides: kΩ forward and over range reverse is a healthy diode, the same kΩ both ways a shorted one, "
        "kΩ and tens of kΩ a leak, forward below 2.74 kΩ a path beside the diode, over range both ways an open line.",
    )  # fmt: skip


def _dried(suspect: str) -> _Row:
    if suspect == "pilot_leakage":
        told = "over range once dry if it was the wet inlet; as before if it is the harness"
    else:
        told = "as before" if suspect in DIODE else "no path shows"
    return _Row(
        "If a path shows: clean, dry, and the pair again", "contact cleaner, warm air, then as above", DEAD,
        told, f"{OVER_RANGE} reverse",
        "Before a part is condemned. What goes when dry condemns nothing.",
    )  # fmt: skip


def _proximity(inlets: tuple[str, ...]) -> _Row:
    what, how = "Proximity to earth", "multimeter, DC volts, red on PP, black on PE"
    if not J1772_INLETS & set(inlets):
        return _Row(
            what, how, AWAKE, SAME, SAME,
            "This inlet has no published proximity voltage; unlike a known-good vehicle it points to wiring.",
            decides=False,
        )  # fmt: skip
    sound = f"{proximity_v(None):.2f} V unplugged"
    note = (
        f"With a plug: {proximity_v(PROXIMITY_PRESSED_OHM):.2f} V with the latch pressed, "
        f"{proximity_v(PROXIMITY_LATCHED_OHM):.2f} V latched. Supply ±5 %, resistors ±10 %. "
        "It tells of lock and wiring, not of the diode."
    )
    return _Row(what, how, AWAKE, sound, sound, note, decides=False)


def _mean(circuit: PilotCircuit, healthy: PilotCircuit) -> _Row:
    def means(of: PilotCircuit) -> str:
        high, low = (float(v) for v in of.levels("B"))
        return ", ".join(
            f"{d * high / 100 + (1 - d / 100) * low:.1f} V at {d:.0f} %" for d in DUTIES_PCT
        )

    return _Row(
        "Pilot in state B2, mean", "multimeter, DC volts, red on CP, black on PE; by the duty cycle offered", SIMULATED,
        means(circuit), means(healthy), "A multimeter shows the mean over the PWM, not a level.",
    )  # fmt: skip


def _levels(circuit: PilotCircuit, healthy: PilotCircuit, state: State) -> _Row:
    def words(of: PilotCircuit) -> str:
        high, low = (float(v) for v in of.levels(state))
        return f"high {high:.1f} V, low {low:.1f} V"

    note = (
        "The surest reading: the levels the EVSE itself looks at. Generator ±5 %."
        if state == "B"
        else "A low level that moves from B2 to C2 is the diode, the same in both is beside it; C alone off is R3 or a contact."
    )
    how = "oscilloscope at a breakout, tip on CP, clip on PE; by licensed people"
    return _Row(
        f"Pilot in state {state}2, both levels",
        how,
        SIMULATED,
        words(circuit),
        words(healthy),
        note,
    )


_FIRST = "Rule the pilot in or out with the readings above first."
_PROCEDURE = "as the maker's procedure says"
_ELSEWHERE: dict[str, _Row] = {
    "charger_input": _Row(
        "AC side of the on-board charger", "maker's procedure (trouble codes, input contactor and fuse)", _PROCEDURE,
        "a fault the maker's procedure names", "none", _FIRST,
    ),
    "charger_leakage": _Row(
        "Leakage of the charger to earth", "maker's procedure; by licensed people", _PROCEDURE,
        "a leakage the maker's procedure names", "none", "It trips as the contactor closes, at more than one EVSE.",
    ),
    "inlet_lock": _Row(
        "Inlet lock and its feedback, wiring of the inlet", "lock and unlock ten times, move the harness", AWAKE,
        "lock that stalls or reports wrongly, or a reading that jumps", "locks and reports each time", _FIRST,
    ),
    "never_requests": _Row(
        "Does the vehicle step from B to C?", "pilot simulator; timer off, battery not full", SIMULATED,
        "stays in state B", "steps to state C, high 6.0 V", "Check timers and charge limits first: waiting is no fault.",
    ),
    "unclear": _Row(
        "Whole AC path of the vehicle", "maker's procedure", _PROCEDURE, "a fault the maker's procedure names", "none",
        "The logs say that it is the vehicle, not which part.",
    ),
}  # fmt: skip
