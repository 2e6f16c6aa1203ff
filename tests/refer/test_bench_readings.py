"""What the workshop reads on the sheet: cautions, and every figure and unit of the bench readings."""

from __future__ import annotations

import pytest

from pipeline.refer.pack.bench_steps import bench
from pipeline.refer.pack.form import FORM
from pipeline.refer.pack.model import Bench, BenchReading
from pipeline.registry import registry

UNKNOWN = (None, None, None)
SHORTED = bench("pilot_diode_shorted", ("cType1",), (2755.0, 2600.0, 2900.0))
LEAKY = bench("pilot_diode_leaky", ("cCCS2",), (20e3, 15e3, None))
ALL = ("pilot_diode_shorted", "pilot_diode_leaky", "pilot_open", "pilot_leakage", "pilot_resistor", "carried_cable",
       "charger_input", "charger_leakage", "inlet_lock", "never_requests", "unclear", "a suspect of tomorrow")  # fmt: skip


def row(made: Bench, what: str) -> BenchReading:
    """The row of that name."""
    return next(r for r in made.readings if r.what.startswith(what))


def test_cautions_are_the_usual_ones() -> None:
    """General practice (from memory), each line whole: they stand between a person and mains or high voltage.

    Live until proved dead; high voltage made safe; the tester proved, and dead proved again; gloves in date
    (ASTM D120, as given by a secondary source); no insulation tester on the pilot; no mains on the breakout.
    """
    assert SHORTED.cautions == (
        "Treat every contact of the inlet as live until proved dead. Unplug, switch off, lock off.",
        "Make the high-voltage system safe by the maker's procedure and wait the stated discharge time.",
        "Prove dead with a tester that is itself proved before and after; again after the vehicle was awake or plugged in.",
        "Wear insulating gloves, in date for the voltage, checked for holes before use, with leather protectors over them.",
        "Pilot and proximity are low voltage beside mains and high-voltage contacts: shrouded probes of the right category.",
        "Never an insulation tester on the pilot or proximity contact, and no voltage of your own put on them.",
        "With the pilot alive use a simulator without mains, or inhibit charging: a closed contactor puts mains on the breakout.",
        "Never probe an energised inlet. Only licensed people open an EVSE or work on high-voltage parts.",
    )
    assert SHORTED.deference == (
        "The vehicle maker's procedure comes before anything on this sheet.",
        "Local electrical and workshop codes and the rules for licensed work apply.",
        "Resistances are those of IEC 61851-1 and SAE J1772 as given by secondary sources; a vehicle may have more in parallel.",
        "Compare with a known-good vehicle of the same model before condemning a part.",
    )


@pytest.mark.parametrize("suspect", ALL)
def test_every_row_says_how_the_vehicle_stands(suspect: str) -> None:
    """Whatever is suspected: all cautions, rows numbered, each with state, instrument and both columns; no row that
    decides nothing without saying so; nothing electrical before what needs no electricity.
    """
    made = bench(suspect, ("cType2",), UNKNOWN)
    assert (made.cautions, made.deference) == (SHORTED.cautions, SHORTED.deference)
    assert list(Bench.model_fields)[:3] == ["cautions", "deference", "readings"]
    assert [r.order for r in made.readings] == list(range(1, len(made.readings) + 1))
    for r in made.readings:
        assert all((r.what, r.how, r.stands, r.if_suspect, r.if_sound, r.note))
        assert r.decides or r.what in {"Inlet and plugs", "Proximity to earth"}
    stands = [r.stands for r in made.readings]
    assert stands.index("unplugged, asleep, made safe, proved dead") < stands.index(
        "unplugged, awake"
    )
    assert stands[0] == "as it is, unplugged"


def test_leads_are_named() -> None:
    """Red on CP and black on PE is forward; exchanged is reverse; never the diode test."""
    assert "red on CP, black on PE" in row(SHORTED, "Pilot to earth, forward").how
    assert "black on CP, red on PE" in row(SHORTED, "Pilot to earth, reverse").how
    assert "not diode test" in row(SHORTED, "Pilot to earth, forward").how
    assert "red on PP, black on PE" in row(SHORTED, "Proximity").how


def test_proximity_by_inlet() -> None:
    """Type 1: 4.46, 2.76 and 1.51 V (SAE J1772 by secondary sources, derived); another inlet has no voltage of its own."""
    for inlet in ("cType1", "cCCS1", "cTesla"):
        own = row(bench("unclear", ("cG105", inlet), UNKNOWN), "Proximity")
        assert (own.if_suspect, own.if_sound, own.decides) == (
            "4.46 V unplugged",
            "4.46 V unplugged",
            False,
        )
        assert "2.76 V with the latch pressed, 1.51 V latched" in own.note
    other = row(LEAKY, "Proximity")
    assert (other.if_suspect, other.decides) == ("as a known-good vehicle", False)


def test_the_pair_of_resistances() -> None:
    """Healthy 3.32 to 40.3 kohm or over range forward, over range reverse; shorted 2.74 kohm both ways; a path beside
    the diode of 4 kohm below R2; open over range both ways (FACTS G and H2, derived).
    """
    forward, reverse = "Pilot to earth, forward", "Pilot to earth, reverse"
    assert row(SHORTED, forward).if_suspect == "2.74 kΩ ±3 %, whatever the test current"
    assert row(SHORTED, forward).if_sound.startswith(
        "3.32 kΩ at 1 mA of test current to 40.3 kΩ at 10 µA, or over range"
    )
    assert "over range on a healthy diode too" in row(SHORTED, forward).note
    told = "2.74 kΩ: the same as the other way (the logs point to 2.76 kΩ, 90 % interval 2.6 kΩ to 2.9 kΩ)"
    assert (row(SHORTED, reverse).if_suspect, row(SHORTED, reverse).if_sound) == (
        told,
        "over range, tens of MΩ",
    )
    assert row(LEAKY, reverse).if_suspect.startswith("about 20 kΩ (the logs point to 20 kΩ")
    beside = bench("pilot_leakage", ("cType2",), (4000.0, 3000.0, 5000.0))
    assert row(beside, forward).if_suspect.startswith("1.9")
    assert row(beside, reverse).if_suspect.startswith("about 4 kΩ")
    opened = bench("pilot_open", ("cType2",), UNKNOWN)
    assert row(opened, forward).if_suspect == "over range"
    assert row(opened, reverse).if_suspect == "over range, tens of MΩ"
    currents, ohms = zip(*SHORTED.meter_table, strict=True)
    assert currents == (1e-3, 5e-4, 1e-4, 1e-5, 1e-6)
    assert ohms == pytest.approx((3.3e3, 3.8e3, 7.5e3, 40e3, 274e3), rel=0.02)


def test_the_live_pilot() -> None:
    """Means by duty and both levels, healthy and shorted (FACTS A3, derived)."""
    mean = row(SHORTED, "Pilot in state B2, mean")
    assert mean.if_suspect == "-7.0 V at 10 %, -4.1 V at 27 %, 0.6 V at 53 %"
    assert mean.if_sound == "-9.9 V at 10 %, -6.4 V at 27 %, -0.8 V at 53 %"
    levels = {s: row(SHORTED, f"Pilot in state {s}, both") for s in ("B2", "C2")}
    assert levels["B2"].if_suspect == "high 8.8 V, low -8.8 V"
    assert levels["C2"].if_suspect == "high 5.6 V, low -5.6 V"
    assert [r.if_sound for r in levels.values()] == [
        "high 9.0 V, low -12.0 V",
        "high 6.0 V, low -12.0 V",
    ]
    assert all("without mains" in r.stands for r in (mean, *levels.values()))


@pytest.mark.parametrize(
    ("suspect", "what"),
    [("charger_input", "AC side"), ("charger_leakage", "Leakage"), ("inlet_lock", "Inlet lock"), ("never_requests", "Does the"),
     ("unclear", "Whole AC"), ("a suspect of tomorrow", "Whole AC")],
)  # fmt: skip
def test_other_parts_have_a_step_of_their_own(suspect: str, what: str) -> None:
    """After the pilot comes the suspected part, by the maker's procedure; a pilot fault needs no more."""
    made = bench(suspect, ("cType2",), UNKNOWN)
    assert made.readings[-1].what.startswith(what)
    assert len(made.readings) == len(bench("pilot_open", ("cType2",), UNKNOWN).readings) + 1


def test_another_cable_where_one_travels() -> None:
    """At sockets the vehicle brings its cable (Type 2): tried first of all; a Type 1 vehicle brings none to a socket."""
    assert row(LEAKY, "Another cable").order == 2
    assert not [r for r in SHORTED.readings if r.what.startswith("Another cable")]
    assert (
        row(bench("carried_cable", ("cType2",), UNKNOWN), "Another cable").if_suspect
        == "charges with it"
    )


def test_the_form_is_what_findings_take() -> None:
    """Each line of the form is a declared column of a finding, in its unit, and offers the declared findings."""
    fields = registry().fields
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


@pytest.mark.parametrize(
    ("suspect", "told"),
    [
        ("pilot_diode_leaky", "as before"), ("pilot_diode_shorted", "as before"),
        ("pilot_leakage", "over range once dry if it was the wet inlet; as before if it is the harness"),
        ("charger_input", "no path shows"), ("pilot_open", "no path shows"), ("pilot_resistor", "no path shows"),
    ],
)  # fmt: skip
def test_drying_changes_only_a_path_that_shows(suspect: str, told: str) -> None:
    """A leak in the diode stays, water goes; without a path from pilot to earth there is nothing to dry (derived)."""
    row = next(
        r for r in bench(suspect, ("cType2",), (None, None, None)).readings if "dry" in r.what
    )
    assert (row.if_suspect, row.if_sound) == (told, "over range reverse")
