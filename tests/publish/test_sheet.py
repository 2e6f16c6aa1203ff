"""What the printed sheet says.

Every caution, unit and figure of the pack reaches the paper, whole.
"""

from __future__ import annotations

import io
import re
from datetime import UTC, datetime, timedelta

import pytest
from pypdf import PdfReader

from pipeline.publish.sheet import sheet_data, sheet_pdf
from pipeline.refer.pack.argument import refutes
from pipeline.refer.pack.bench_steps import bench
from pipeline.refer.pack.form import FORM
from pipeline.refer.pack.model import (
    Claim,
    Control,
    Evidence,
    Pilot,
    PilotReading,
    RuledOut,
    StripAttempt,
    Tally,
    Vehicle,
    Weight,
)
from pipeline.refer.pack.parts import bands

END = datetime(2026, 4, 6, tzinfo=UTC)
BEGIN = END - timedelta(weeks=12)
INLETS = ("cType1",)


def evidence(suspect: str = "pilot_diode_shorted") -> Evidence:
    """A pack with two attempts, a control and a reading in each state."""
    attempt = StripAttempt(
        attempt_id="A1", at=BEGIN + timedelta(weeks=3), evse_id="E1", site_id="depot", coupler="cType1", supply="AC",
        outcome="failed", stage="requested", stage_seconds=3.0, fault="PilotFault", p_vehicle=0.9,
    )  # fmt: skip
    fast = attempt.model_copy(
        update={"supply": "DC", "coupler": "cG105", "outcome": "charged", "stage": "delivering"}
    )
    reading = PilotReading(
        at=attempt.at,
        evse_id="E1",
        state="B2",
        high_v=9.0,
        low_v=-8.8,
        usual_low_v=-12.0,
        usual_from="same_week",
    )
    return Evidence(
        week="2026-W14", look_back_from_utc=BEGIN, look_back_to_utc=END,
        vehicle=Vehicle(vehicle_id="V-1", vehicle_model="Crate", model_year=2023, vin="XWS1", inlets=INLETS),
        claim=Claim(
            text="The vehicle is at fault with a probability of 97 %.", call="refer", suspect=suspect, suspect_words="shorted",
            p_vehicle=0.97, p_diode=0.93, suspects=((suspect, 1.0),), onset_utc=None, onset_lo_utc=None, onset_hi_utc=None,
        ),
        tally=Tally(ac_attempts=41, ac_failures=37, evses_failed_at=9, early_b_failures=35, dc_attempts=6, dc_charged=5),
        weights=tuple(
            Weight(signature=s, title=f"sign {s}", seen="seen so", factor=f, log_factor=0.0, words="w", source="z")
            for s, f in (("a", 42.0), ("b", 0.125))
        ),
        strip=(attempt, fast), strip_chart={},
        controls=tuple(
            Control(evse_id=f"E{i}", site_id="depot", evse_model="M", diode_check="yes", week="2026-W13", attempts=4, failures=3,
                    other_vehicles=17, other_attempts=31, other_failures=1)
            for i in range(10)
        ),
        controls_text="It failed 3 of 4.",
        pilot=Pilot(text="Negative level near -8.8 V.", readings=(reading, reading.model_copy(update={"state": "C2", "low_v": -5.6})),
                    bands=bands(), reverse_path_ohm=2750.0, reverse_path_lo_ohm=2650.0, reverse_path_hi_ohm=2850.0),
        pilot_chart=None, ruled_out=(RuledOut(explanation="The EVSEs", how="they served others", strength="ruled_out"),),
        bench=bench(suspect, INLETS, (2750.0, 2650.0, 2850.0)), refutes=refutes(suspect), doubts=(), history=(), form=FORM,
    )  # fmt: skip


@pytest.mark.parametrize(
    "suspect", ["pilot_diode_shorted", "pilot_diode_leaky", "never_requests", "unclear"]
)
def test_nothing_of_the_bench_is_cut(suspect: str) -> None:
    """Cautions, deference, readings and notes stand on the sheet as in the pack, to the last
    character.
    """
    pack = evidence(suspect)
    data = sheet_data(pack)
    assert tuple(data["cautions"]) == pack.bench.cautions
    assert tuple(data["deference"]) == pack.bench.deference
    fields = ("what", "how", "stands", "if_suspect", "if_sound", "note")
    assert [tuple(r[f] for f in fields) for r in data["readings"]] == [
        tuple(getattr(r, f) for f in fields) for r in pack.bench.readings
    ]
    assert [r["decides"] for r in data["readings"]] == [
        "" if r.decides else "decides nothing alone" for r in pack.bench.readings
    ]
    assert data["refutes"] == list(pack.refutes)


def test_every_figure_of_the_pack_is_on_the_paper() -> None:
    """Counts, probability, dates, controls, factors, levels and their units, and the form with the
    units it asks for.
    """
    data = sheet_data(evidence())
    assert data["title"] == "V-1: shorted"
    assert data["subtitle"] == "Crate 2023  ·  2026-W14"
    assert data["facts"] == (
        "VIN XWS1. Look-back 2026-01-12 to 2026-04-06: 37 of 41 AC attempts failed, at 9 EVSEs; 35 in state B or on the step "
        "to C within a minute; 5 of 6 DC attempts charged. Probability of a faulty pilot diode: 93 %."
    )
    assert data["controls_text"] == "It failed 3 of 4. The latest 8 of 10 are shown."
    assert data["controls"] == [
        [f"E{i}", "2026-W13", "yes", "3 of 4", "1 of 31 (17 vehicles)"] for i in range(8)
    ]
    assert data["weights"] == [["sign a", "seen so", "× 42"], ["sign b", "seen so", "÷ 8"]]
    assert data["ruled_out"] == ["The EVSEs (ruled out): they served others."]
    assert data["doubts"] == ["Nothing known to be missing."]
    assert [f["label"] for f in data["form"]] == [
        "Date and time", "Proximity to earth (V)", "Forward, red on CP (ohm)", "Reverse, red on PE (ohm)", "Repaired on",
        "Note",
    ]  # fmt: skip
    assert data["choices"] == [
        "shorted pilot diode", "leaking pilot diode", "open pilot diode", "another fault of the on-board charger",
        "inlet or wiring", "no fault found",
    ]  # fmt: skip
    assert "local codes and licensed practice come before this sheet" in data["foot"]
    assert data["foot"].startswith("All times UTC.")


def test_levels_are_drawn_where_they_are() -> None:
    """From -4.5 V at the top to -13.5 V at the bottom.

    Ticks in V, readings and bands at their share of the height (derived).
    """

    def share(volts: float) -> float:
        return (volts + 4.5) / -9.0

    data = sheet_data(evidence())
    assert [(t["label"], t["at"]) for t in data["pilot_ticks"]] == [
        (f"{v} V", pytest.approx(share(v))) for v in (-6, -9, -12)
    ]  # fmt: skip
    assert [(p["b"], p["y"], p["x"]) for p in data["pilot_points"]] == [
        (True, pytest.approx(share(-8.8)), 0.25), (False, pytest.approx(share(-5.6)), 0.25),
    ]  # fmt: skip
    assert [(b["name"], b["sound"]) for b in data["pilot_bands"]] == [
        ("negative level, shorted diode in B2", False), ("negative level, shorted diode in C2", False),
        ("negative level, healthy diode", True),
    ]  # fmt: skip
    sound = data["pilot_bands"][2]
    assert (sound["top"], sound["bottom"]) == pytest.approx((share(-11.4), share(-12.6)))


def test_the_strip_shows_each_coupler() -> None:
    """How far each attempt came, by coupler, at its share of the look-back."""
    data = sheet_data(evidence())
    stages = ["charged", "delivering", "contactor closed", "vehicle asks", "PWM on", "plugged in"]
    assert data["stages"] == stages
    assert data["strip"] == [
        {
            "coupler": "AC, Type 1 cable",
            "attempts": [{"x": 0.25, "y": stages.index("vehicle asks"), "kind": "failed"}],
        },
        {"coupler": "DC, CHAdeMO cable", "attempts": [{"x": 0.25, "y": 0, "kind": "charged"}]},
    ]
    assert [t["label"] for t in data["ticks"]] == [
        "12 Jan",
        "26 Jan",
        "09 Feb",
        "23 Feb",
        "09 Mar",
        "23 Mar",
    ]


def test_cautions_and_units_are_legible_on_the_pdf() -> None:
    """The text of the printed page holds every caution and each unit, and the cautions come before
    the readings.
    """
    pack = evidence()
    page = re.sub(r"\s+", "", PdfReader(io.BytesIO(sheet_pdf(pack))).pages[0].extract_text())
    for line in (*pack.bench.cautions, *pack.bench.deference):
        assert re.sub(r"\s+", "", line) in page
    for figure in (
        "4.46V",
        "2.74kΩ±3%",
        "3.32kΩat1mA",
        "40.3kΩat10µA",
        "high8.8V,low-8.8V",
        "redonCP,blackonPE",
        "decidesnothingalone",
        "Odometer",
        "Signature",
        "overrange,tensofMΩ",
    ):
        assert figure in page
    assert page.index(re.sub(r"\s+", "", pack.bench.cautions[-1])) < page.index("4.46V")
