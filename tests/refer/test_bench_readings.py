"""What the workshop reads on the sheet.

Cautions, and every figure and unit of the bench readings.
"""

from __future__ import annotations

import pytest

from pipeline.refer.pack.bench_steps import FORM, bench
from pipeline.refer.pack.model import Bench
from pipeline.registry import registry

UNKNOWN = (None, None, None)
SHORTED = bench("pilot_diode_shorted", ("cType1",), (2755.0, 2600.0, 2900.0))
LEAKY = bench("pilot_diode_leaky", ("cCCS2",), (20e3, 15e3, None))


def test_cautions_are_the_usual_ones() -> None:
    """General practice (from memory), each line whole: they stand between a person and mains or
    high voltage.

    Live until proved dead, locked off; high voltage made safe and waited for; the tester proved
    before and after; gloves in date, checked for holes, under leather (ASTM D120 and its test
    intervals, as given by a secondary source); no energised inlet, only licensed people. Maker's
    procedure and local code come before the sheet.
    """
    assert SHORTED.cautions == (
        "Treat every contact of the inlet as live until proved dead. Unplug, switch off, lock off.",
        "Make the high-voltage system safe by the maker's procedure and wait the stated discharge time.",
        "Prove dead with a tester that is itself proved before and after.",
        "Wear insulating gloves, in date for the voltage, checked for holes before use, with leather protectors over them.",
        "Pilot and proximity are low voltage but sit beside mains and high-voltage contacts: use insulated, shrouded probes.",
        "Never probe an energised inlet. Only licensed people open an EVSE or work on high-voltage parts.",
    )
    assert SHORTED.deference == (
        "The vehicle maker's procedure comes before anything on this sheet.",
        "Local electrical and workshop codes and the rules for licensed work apply.",
        "Resistances are those of IEC 61851-1 and SAE J1772 as given by secondary sources; a vehicle may have more in parallel.",
        "Compare with a sound vehicle of the same model before condemning a part.",
    )


@pytest.mark.parametrize(
    "suspect",
    ["pilot_diode_shorted", "pilot_diode_leaky", "charger_input", "never_requests", "unclear"],
)
def test_cautions_go_with_every_bench(suspect: str) -> None:
    """Whatever is suspected, all cautions come along, before the readings, and readings are
    numbered from 1.
    """
    made = bench(suspect, (), UNKNOWN)
    assert (made.cautions, made.deference) == (SHORTED.cautions, SHORTED.deference)
    assert list(Bench.model_fields)[:3] == ["cautions", "deference", "readings"]
    assert [r.order for r in made.readings] == list(range(1, len(made.readings) + 1))


def shown(made: Bench, order: int) -> tuple[str, str, str, str, str]:
    """One reading as printed."""
    r = made.readings[order - 1]
    return r.what, r.how, r.if_suspect, r.if_sound, r.note


def test_proximity_by_inlet() -> None:
    """Type 1: 4.46, 2.76 and 1.51 V (SAE J1772 by secondary sources, derived).

    Another inlet has no voltage of its own.
    """
    what, how = "Proximity to earth, unplugged", "DC volts, vehicle awake"
    volts = "4.46 V unplugged"
    note = (
        "With a plug: 2.76 V with the latch pressed, 1.51 V latched. Supply ±5 %, resistors ±10 %."
    )
    for inlet in ("cType1", "cCCS1", "cTesla"):
        assert shown(bench("unclear", ("cG105", inlet), UNKNOWN), 1) == (
            what,
            how,
            volts,
            volts,
            note,
        )
    like = "as a sound vehicle of the model"
    note = "This inlet has no published proximity voltage of its own; a reading unlike a sound vehicle's points to wiring."
    assert shown(LEAKY, 1) == (what, how, like, like, note)


def test_the_diode_forwards() -> None:
    """Sound: 3.32 kΩ at 1 mA to 40.3 kΩ at 10 µA; shorted.

    2.74 kΩ ±3 % at any current (IEC 61851-1 Annex A, derived).
    """
    what, how = "Pilot to earth, leads one way", "Ohms range, inlet unplugged, vehicle asleep"
    sound = "3.32 kΩ at 1 mA of test current up to 40.3 kΩ at 10 µA"
    note = (
        "A sound reading depends on the meter's test current. "
        "Not the diode-test range: sound and shorted both read over range."
    )
    assert shown(SHORTED, 2) == (what, how, "2.74 kΩ ±3 %, whatever the test current", sound, note)
    assert shown(LEAKY, 2) == (what, how, "the leak bridges the diode: at most 20 kΩ", sound, note)
    unmeasured = bench("pilot_diode_leaky", (), UNKNOWN)
    assert shown(unmeasured, 2) == (
        what,
        how,
        "the leak bridges the diode: lower than sound",
        sound,
        note,
    )
    assert shown(bench("charger_input", (), UNKNOWN), 2) == (what, how, sound, sound, note)
    currents, ohms = zip(*SHORTED.meter_table, strict=True)
    assert currents == (1e-3, 5e-4, 1e-4, 1e-5, 1e-6)
    assert ohms == pytest.approx((3.3e3, 3.8e3, 7.5e3, 40e3, 274e3), rel=0.02)


def test_the_diode_backwards() -> None:
    """Sound: over range; shorted: the same 2.74 kΩ.

    With what the logs point to and its interval (derived).
    """
    what, how = "Pilot to earth, leads exchanged", "Ohms range, inlet unplugged, vehicle asleep"
    sound = "over range, tens of MΩ"
    note = "The pair is the test: kΩ one way and MΩ the other is a sound diode, the same kΩ both ways a shorted one."
    told = "2.74 kΩ: the same as the other way (the logs point to 2.76 kΩ, 90 % interval 2.6 kΩ to 2.9 kΩ)"
    assert shown(SHORTED, 3) == (what, how, told, sound, note)
    told = "kΩ, not MΩ (the logs point to 20 kΩ, 90 % interval 15 kΩ to over range)"
    assert shown(LEAKY, 3) == (what, how, told, sound, note)
    assert (
        shown(bench("pilot_diode_shorted", (), UNKNOWN), 3)[2]
        == "2.74 kΩ: the same as the other way"
    )
    assert shown(bench("inlet_lock", (), (20e3, 15e3, None)), 3) == (what, how, sound, sound, note)


def test_the_live_pilot() -> None:
    """B2 sound: +9.0 and -12 V; shorted: +8.8 and -8.8 V, -9.4 to -8.2 over tolerance.

    A 20 kΩ path: -11.4 V (derived).
    """
    what = "Pilot in state B with the PWM on, oscilloscope at a breakout adapter"
    how = "by licensed people, with the adapter's cautions"
    sound = "high 9.0 V, low -12 V"
    note = "The surest test: it is the level the EVSE itself looks at. A multimeter on DC shows only the average over the PWM."
    assert shown(SHORTED, 4) == (what, how, "high 8.8 V, low -8.8 V (-9.4 to -8.2 V)", sound, note)
    assert shown(LEAKY, 4) == (what, how, "low side about -11.4 V", sound, note)
    assert shown(bench("pilot_diode_leaky", (), UNKNOWN), 4)[2] == "low side above -12 V"
    assert shown(bench("unclear", (), UNKNOWN), 4) == (what, how, sound, sound, note)


RULE_IN = "Rule the pilot in or out with the readings above first."


@pytest.mark.parametrize(
    ("suspect", "printed"),
    [
        ("pilot_diode_shorted", None),
        ("pilot_diode_leaky", None),
        (
            "charger_input",
            ("AC side of the on-board charger", "maker's procedure (trouble codes, insulation, input contactor and fuse)",
             "a fault the maker's procedure names", "none", RULE_IN),
        ),
        (
            "inlet_lock",
            ("Inlet lock and its feedback, wiring of the inlet", "maker's procedure; lock and unlock ten times, move the harness",
             "lock that stalls or reports wrongly, or a reading that jumps", "locks and reports each time", RULE_IN),
        ),
        (
            "never_requests",
            ("Pilot with the PWM on: does the vehicle step from B to C?",
             "breakout adapter or tester; timer off, battery not full", "stays in state B", "steps to state C, high 6.0 V",
             "Check timers and charge limits first: waiting is no fault."),
        ),
        (
            "unclear",
            ("Whole AC path of the vehicle", "maker's procedure", "a fault the maker's procedure names", "none",
             "The logs say that it is the vehicle, not which part."),
        ),
        (
            "a suspect of tomorrow",
            ("Whole AC path of the vehicle", "maker's procedure", "a fault the maker's procedure names", "none",
             "The logs say that it is the vehicle, not which part."),
        ),
    ],
)  # fmt: skip
def test_other_parts_have_a_step_of_their_own(
    suspect: str, printed: tuple[str, ...] | None
) -> None:
    """After the pilot comes the suspected part, by the maker's procedure.

    A diode needs no more (wording is regression only).
    """
    made = bench(suspect, ("cType2",), UNKNOWN)
    assert len(made.readings) == (4 if printed is None else 5)
    if printed is not None:
        assert shown(made, 5) == printed


def test_the_form_is_what_findings_take() -> None:
    """Each line of the form is a declared column of a finding, in its unit, and offers the declared
    findings.
    """
    fields = registry().fields
    assert [f.label for f in FORM] == [
        "Date and time", "Proximity to earth", "Pilot (+) to earth (-)", "Pilot (-) to earth (+)", "Found", "Repaired on", "Note",
    ]  # fmt: skip
    named = {f.column: f for f in FORM}
    assert list(named) == [
        "at",
        "pp_pe_v",
        "cp_pe_forward_ohm",
        "cp_pe_reverse_ohm",
        "finding",
        "repaired_at",
        "note",
    ]
    assert {c: f.unit for c, f in named.items() if f.unit} == {
        c: fields[c].unit for c in ("pp_pe_v", "cp_pe_forward_ohm", "cp_pe_reverse_ohm")
    }
    assert set(named["finding"].choices) == set(fields["finding"].values)
    assert not any(f.choices for f in FORM if f.column != "finding")
