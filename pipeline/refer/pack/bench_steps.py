"""Readings to expect at the bench, in order; cautions first. Figures come from `pipeline.circuit`,
nothing is measured here.

The cautions are general practice; local electrical code, the maker's procedure and licensed
practice override every line.
"""

from __future__ import annotations

from pipeline.circuit.meter import (
    PROXIMITY_LATCHED_OHM,
    PROXIMITY_PRESSED_OHM,
    forward_reading_ohm,
    meter_table,
    proximity_v,
)
from pipeline.circuit.pilot import EV_TOLERANCE, LOAD_OHM, R2_OHM, high_v, low_v, low_window
from pipeline.core.wording import OVER_RANGE, ohms, ohms_between, percent
from pipeline.refer.pack.model import Bench, BenchReading, FormField
from pipeline.refer.suspects.vehicles import DIODE

CAUTIONS = (
    "Treat every contact of the inlet as live until proved dead. Unplug, switch off, lock off.",
    "Make the high-voltage system safe by the maker's procedure and wait the stated discharge time.",
    "Prove dead with a tester that is itself proved before and after.",
    "Wear insulating gloves, in date for the voltage, checked for holes before use, with leather protectors over them.",
    "Pilot and proximity are low voltage but sit beside mains and high-voltage contacts: use insulated, shrouded probes.",
    "Never probe an energised inlet. Only licensed people open an EVSE or work on high-voltage parts.",
)
DEFERENCE = (
    "The vehicle maker's procedure comes before anything on this sheet.",
    "Local electrical and workshop codes and the rules for licensed work apply.",
    "Resistances are those of IEC 61851-1 and SAE J1772 as given by secondary sources; a vehicle may have more in parallel.",
    "Compare with a sound vehicle of the same model before condemning a part.",
)
FORM = (
    FormField(label="Date and time", column="at", unit=None),
    FormField(label="Proximity to earth", column="pp_pe_v", unit="V"),
    FormField(label="Pilot (+) to earth (-)", column="cp_pe_forward_ohm", unit="ohm"),
    FormField(label="Pilot (-) to earth (+)", column="cp_pe_reverse_ohm", unit="ohm"),
    FormField(
        label="Found",
        column="finding",
        unit=None,
        choices=(
            "diode_shorted",
            "diode_leaky",
            "diode_open",
            "charger_other",
            "inlet_or_wiring",
            "no_fault_found",
        ),
    ),
    FormField(label="Repaired on", column="repaired_at", unit=None),
    FormField(label="Note", column="note", unit=None),
)
TYPE1 = frozenset({"cType1", "cCCS1", "cTesla"})
BEYOND = f"{OVER_RANGE}, tens of MΩ"


def bench(
    suspect: str, inlets: tuple[str, ...], path_ohm: tuple[float | None, float | None, float | None]
) -> Bench:
    """Readings for a suspect.

    `path_ohm` is the reverse path the logs point to, with its interval (median, low, high).
    """
    readings = [
        _proximity(inlets),
        _forward(suspect, path_ohm[0]),
        _reverse(suspect, path_ohm),
        _live(suspect, path_ohm),
    ]
    if suspect not in DIODE:
        readings.append(_elsewhere(suspect))
    return Bench(
        cautions=CAUTIONS,
        deference=DEFERENCE,
        readings=tuple(
            BenchReading(order=n, what=r[0], how=r[1], if_suspect=r[2], if_sound=r[3], note=r[4])
            for n, r in enumerate(readings, start=1)
        ),
        meter_table=tuple((row.current_a, row.sound_forward_ohm) for row in meter_table()),
    )


Reading = tuple[str, str, str, str, str]


def _proximity(inlets: tuple[str, ...]) -> Reading:
    if not TYPE1 & set(inlets):
        return (
            "Proximity to earth, unplugged", "DC volts, vehicle awake",
            "as a sound vehicle of the model", "as a sound vehicle of the model",
            "This inlet has no published proximity voltage of its own; a reading unlike a sound vehicle's points to wiring.",
        )  # fmt: skip
    sound = f"{proximity_v(None):.2f} V unplugged"
    note = (
        f"With a plug: {proximity_v(PROXIMITY_PRESSED_OHM):.2f} V with the latch pressed, "
        f"{proximity_v(PROXIMITY_LATCHED_OHM):.2f} V latched. Supply ±5 %, resistors ±10 %."
    )
    return "Proximity to earth, unplugged", "DC volts, vehicle awake", sound, sound, note


def _forward(suspect: str, path_ohm: float | None) -> Reading:
    low, high = forward_reading_ohm(1e-3), forward_reading_ohm(1e-5)
    sound = f"{ohms(low)} at 1 mA of test current up to {ohms(high)} at 10 µA"
    shorted = f"{ohms(R2_OHM)} ±{percent(EV_TOLERANCE)}, whatever the test current"
    expected = shorted if suspect == "pilot_diode_shorted" else sound
    if suspect == "pilot_diode_leaky":
        expected = "the leak bridges the diode: " + (
            f"at most {ohms(path_ohm)}" if path_ohm else "lower than sound"
        )
    return (
        "Pilot to earth, leads one way", "Ohms range, inlet unplugged, vehicle asleep", expected, sound,
        "A sound reading depends on the meter's test current. Not the diode-test range: sound and shorted both read over range.",
    )  # fmt: skip


def _reverse(suspect: str, path_ohm: tuple[float | None, float | None, float | None]) -> Reading:
    value, low, high = path_ohm
    expected = BEYOND
    if suspect in DIODE:
        expected = (
            f"{ohms(R2_OHM)}: the same as the other way"
            if suspect == "pilot_diode_shorted"
            else "kΩ, not MΩ"
        )
        if value is not None:
            expected += (
                f" (the logs point to {ohms(value)}, 90 % interval {ohms_between(low, high)})"
            )
    return (
        "Pilot to earth, leads exchanged", "Ohms range, inlet unplugged, vehicle asleep", expected, BEYOND,
        "The pair is the test: kΩ one way and MΩ the other is a sound diode, the same kΩ both ways a shorted one.",
    )  # fmt: skip


def _live(suspect: str, path_ohm: tuple[float | None, float | None, float | None]) -> Reading:
    sound = f"high {high_v(LOAD_OHM['B']):.1f} V, low -12 V"
    window = low_window("B", shorted=True)
    expected = sound
    if suspect == "pilot_diode_shorted":
        shorted_high = high_v(LOAD_OHM["B"], diode_v=0.0)
        expected = f"high {shorted_high:.1f} V, low {low_v(LOAD_OHM['B']):.1f} V ({window.lo_v:.1f} to {window.hi_v:.1f} V)"
    elif suspect == "pilot_diode_leaky":
        expected = (
            "low side above -12 V"
            if path_ohm[0] is None
            else f"low side about {low_v(path_ohm[0]):.1f} V"
        )
    return (
        "Pilot in state B with the PWM on, oscilloscope at a breakout adapter", "by licensed people, with the adapter's cautions",
        expected, sound,
        "The surest test: it is the level the EVSE itself looks at. A multimeter on DC shows only the average over the PWM.",
    )  # fmt: skip


_ELSEWHERE: dict[str, Reading] = {
    "charger_input": (
        "AC side of the on-board charger", "maker's procedure (trouble codes, insulation, input contactor and fuse)",
        "a fault the maker's procedure names", "none",
        "Rule the pilot in or out with the readings above first.",
    ),
    "inlet_lock": (
        "Inlet lock and its feedback, wiring of the inlet", "maker's procedure; lock and unlock ten times, move the harness",
        "lock that stalls or reports wrongly, or a reading that jumps", "locks and reports each time",
        "Rule the pilot in or out with the readings above first.",
    ),
    "never_requests": (
        "Pilot with the PWM on: does the vehicle step from B to C?", "breakout adapter or tester; timer off, battery not full",
        "stays in state B", f"steps to state C, high {high_v(LOAD_OHM['C']):.1f} V",
        "Check timers and charge limits first: waiting is no fault.",
    ),
    "unclear": (
        "Whole AC path of the vehicle", "maker's procedure", "a fault the maker's procedure names", "none",
        "The logs say that it is the vehicle, not which part.",
    ),
}  # fmt: skip


def _elsewhere(suspect: str) -> Reading:
    return _ELSEWHERE.get(suspect, _ELSEWHERE["unclear"])
