"""A fleet by hand, each fault's levels and failures from the circuit: every cause is named right, its reason and pack read aloud.

Expected values: the two levels of the pilot by cause, the readings at the bench by cause, and that a cable which
travels with the vehicle fails at sockets and charges at tethered EVSEs (all derived from the published circuit).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.attribute.attribution import attribute
from pipeline.circuit.causes import PilotCircuit, beside, contact, leaky, shorted
from pipeline.core.weeks import LookBack
from pipeline.refer.inputs import Attributed, ReferInputs
from pipeline.refer.referral import Referral, refer
from pipeline.registry import conform, polars_schema
from pipeline.settings.attribute import AttributeSettings
from pipeline.settings.refer import ReferSettings

WEEK = "2026-W14"
LOOK_BACK = LookBack.of(WEEK, 12)
WEEKS, SOUND, SOCKETS, TETHERED = 8, 40, 6, 6
LIMIT_V = -10.5


@dataclass(frozen=True)
class Case:
    """One vehicle: its pilot, where it fails, and what the EVSE calls it."""

    circuit: PilotCircuit
    fails: str
    word: str | None = None
    stage: str = "offered"
    creeps: bool = False


CASES = {
    "short": Case(shorted(), "everywhere", "DiodeFault"),
    "leak": Case(leaky(5e3), "checked"),
    "creeping": Case(leaky(60e3), "checked", creeps=True),
    "wet": Case(beside(4e3), "everywhere", "PilotFault"),
    "resistor": Case(contact(300.0), "everywhere", "PilotFault"),
    "cable": Case(PilotCircuit(), "sockets", "ProximityFault", "plugged"),
    "cable2": Case(PilotCircuit(), "sockets"),
    "lock": Case(PilotCircuit(), "everywhere", "ConnectorLockFailure"),
    "charger": Case(PilotCircuit(), "everywhere", "OverCurrentFailure", "energised"),
    "earth": Case(PilotCircuit(), "everywhere", "GroundFailure", "delivering"),
}
NAMED = {
    "short": "pilot_diode_shorted", "leak": "pilot_diode_leaky", "creeping": "pilot_diode_leaky", "wet": "pilot_leakage",
    "resistor": "pilot_resistor", "cable": "carried_cable", "cable2": "carried_cable", "lock": "inlet_lock",
    "charger": "charger_input", "earth": "charger_leakage",
}  # fmt: skip


def attempt(rng: np.random.Generator, vehicle: str, day: float) -> dict[str, object]:
    """One AC attempt of a vehicle at an EVSE drawn by lot, levels with 30 mV of noise, failing as its case says."""
    number = int(rng.integers(SOCKETS + TETHERED))
    case = CASES.get(vehicle, Case(PilotCircuit(), "never"))
    circuit = case.circuit
    if case.creeps:
        circuit = leaky(300e3 * 0.5 ** (day / 14))
    levels = [float(v) + rng.normal(0, 0.03) for state in ("B", "C") for v in circuit.levels(state)]  # type: ignore[arg-type]
    refused = {
        "everywhere": rng.random() < 0.9, "sockets": number < SOCKETS and rng.random() < 0.95,
        "checked": levels[3] > LIMIT_V, "never": rng.random() < 0.02,
    }[case.fails]  # fmt: skip
    at = LOOK_BACK.to_utc - timedelta(weeks=WEEKS) + timedelta(days=day)
    stage = case.stage if refused else "delivering"
    return {
        "attempt_id": f"{vehicle}-{day:.3f}", "vehicle_id": vehicle, "evse_id": f"E{number:02d}", "station_id": f"E{number:02d}",
        "connector_id": 1, "site_id": f"S{number % 3}", "evse_model": "M", "firmware": "1", "supply": "AC",
        "coupler": "sType2" if number < SOCKETS else "cType2", "diode_check": "yes", "vehicle_model": "Crate",
        "vehicle_known_by": "token", "id_token": f"T{vehicle}", "plugged_at_utc": at, "unplugged_at_utc": at + timedelta(hours=1),
        "clock_error_s": 1.0, "source": "ocpp16+pilot", "lineage": [], "outcome": "failed" if refused else "charged",
        "stage": stage, "stage_seconds": 4.0, "fault": case.word if refused else None,
        "early_b": refused and stage == "offered", "pilot_low_samples": 2, "energy_kwh": 0.0 if refused else 20.0,
        "distrust": False, "weight": 1.0, "suspended_evse": False, "charged_later": False, "asked": stage != "offered",
        "pilot_high_b_v": levels[0], "pilot_low_b_v": levels[1],
        "pilot_high_c_v": None if stage in ("plugged", "offered") else levels[2],
        "pilot_low_c_v": None if stage in ("plugged", "offered") else levels[3],
    }  # fmt: skip


@pytest.fixture(scope="module")
def inputs() -> ReferInputs:
    """Forty healthy vehicles and the cases, three attempts in two days each for eight weeks, attributed."""
    rng = np.random.default_rng(14)
    names = [*(f"ok{i:02d}" for i in range(SOUND)), *CASES]
    rows = [
        attempt(rng, v, float(d) + rng.random() / 3)
        for v in names
        for d in np.arange(0, WEEKS * 7, 0.67)
    ]
    frame = pl.DataFrame(rows, infer_schema_length=None)
    missing = set(polars_schema("core_attempt")) - set(frame.columns)
    core = conform(frame.with_columns(**{name: pl.lit(None) for name in missing}), "core_attempt")
    fleet = pl.DataFrame(
        {
            "vehicle_id": names,
            "vehicle_model": "Crate",
            "inlets": "cType2",
            "vin": None,
            "model_year": 2024,
        }
    )
    equipment = core.select(
        "evse_id",
        "site_id",
        "evse_model",
        "firmware",
        "supply",
        "diode_check",
        connector_type="coupler",
    )
    attributed = Attributed.of(attribute(core, AttributeSettings(), WEEK))
    return ReferInputs(core, attributed, fleet, equipment.unique("evse_id").sort("evse_id"))


@pytest.fixture(scope="module")
def referral(inputs: ReferInputs) -> Referral:
    """The week's referral."""
    return refer(inputs, ReferSettings(), WEEK)


@pytest.mark.parametrize("vehicle", CASES)
def test_each_cause_is_referred_and_named(referral: Referral, vehicle: str) -> None:
    """Where it fails, how that looks and what its pilot shows name the part; no healthy vehicle is on the list."""
    row = referral.vehicles.filter(pl.col("vehicle_id") == vehicle).row(0, named=True)
    assert (row["call"], row["suspect"]) == ("refer", NAMED[vehicle])
    listed = referral.vehicles.filter(pl.col("call") == "refer")["vehicle_id"]
    assert set(listed) == set(CASES)


def test_a_cable_is_told_by_sockets_and_its_pack_blames_no_diode(referral: Referral) -> None:
    """Levels as usual: the reason says so, the pack gives the CP–PE reverse resistance of a healthy diode to nobody it accuses of a leak."""
    for vehicle in ("cable", "cable2"):
        reason = referral.vehicles.filter(pl.col("vehicle_id") == vehicle)["reason"].item()
        assert "cable carried with the vehicle" in reason
        assert "The pilot's levels with it are those of other vehicles there" in reason
        pack = referral.packs[vehicle]
        assert pack.claim.suspect_words == "cable carried with the vehicle"
        assert pack.claim.p_diode < 0.01
        weights = {w.signature: w for w in pack.weights}
        assert weights["at_tethered"].log_factor > 1
        assert any("another cable" in sentence for sentence in pack.refutes)


def test_a_wet_inlet_is_a_path_beside_the_diode(referral: Referral) -> None:
    """Highs fall, lows alike: the path itself, 4 kohm, not R2 more; the page says beside the diode."""
    row = referral.vehicles.filter(pl.col("vehicle_id") == "wet").row(0, named=True)
    assert row["reverse_path_lo_ohm"] < 4e3 < row["reverse_path_hi_ohm"]
    assert row["reverse_path_hi_ohm"] < 6e3
    pack = referral.packs["wet"]
    assert "beside the diode, not the diode" in pack.pilot.text
    assert pack.claim.p_diode < 0.05
    assert any(w.signature == "pilot_levels" and w.log_factor > 2 for w in pack.weights)


def test_a_leak_is_measured_and_a_short_is_r2(referral: Referral) -> None:
    """5 kohm and R2 in series read 7.74 kohm; a short R2, 2.74 kohm, within the interval (derived)."""
    for vehicle, ohm in (("leak", 7740.0), ("short", 2740.0)):
        row = referral.vehicles.filter(pl.col("vehicle_id") == vehicle).row(0, named=True)
        assert row["reverse_path_lo_ohm"] * 0.97 < ohm < row["reverse_path_hi_ohm"] * 1.03
        assert "healthy diode gives MΩ" in referral.packs[vehicle].pilot.text


def test_a_leak_that_does_not_fail_yet_is_a_plan(referral: Referral, inputs: ReferInputs) -> None:
    """It halves every two weeks and stands at 19 kohm: referred before its first failure, with the day it is due."""
    own = inputs.attempts.filter(pl.col("vehicle_id") == "creeping")
    row = referral.vehicles.filter(pl.col("vehicle_id") == "creeping").row(0, named=True)
    assert own.filter(pl.col("outcome") == "failed").is_empty()
    assert row["refer_by"] is not None
    assert LOOK_BACK.to_utc <= row["refer_by"] <= LOOK_BACK.to_utc + timedelta(days=42)
    assert f"from {row['refer_by']:%Y-%m-%d} on" in row["reason"]
    assert "expected to fail attempts soon" in row["reason"]


def recount(inputs: ReferInputs, vehicle: str) -> dict[str, int]:
    """The facts of a vehicle's reason, counted from the attempts alone."""
    used = inputs.attempts.filter(
        pl.col("outcome").is_in(["charged", "failed"]), pl.col("supply") == "AC"
    )
    own = used.filter(pl.col("vehicle_id") == vehicle)
    bad = own.filter(pl.col("outcome") == "failed")
    return {"tried": own.height, "failed": bad.height, "at": bad["evse_id"].n_unique()}


def test_every_clause_states_a_fact(referral: Referral, inputs: ReferInputs) -> None:
    """Counts recount; calls, probability, part and plan in the text are the row's own, for every vehicle of this world."""
    for row in referral.vehicles.iter_rows(named=True):
        facts, text = recount(inputs, row["vehicle_id"]), row["reason"]
        if facts["failed"]:
            evses = f"{facts['at']} EVSE{'' if facts['at'] == 1 else 's'}"
            assert f"{facts['failed']} of {facts['tried']} AC attempts failed, at {evses}." in text
        else:
            assert f"None of {facts['tried']} AC attempts failed." in text
        at_issue = row["call"] in ("refer", "watch")
        assert ("Probability that the vehicle is at fault" in text) == at_issue
        assert ("over 99 %" in text.split("at fault: ")[1][:9] if at_issue else True) == (
            not at_issue or row["p_vehicle"] > 0.99
        )
        assert (
            text.rstrip(".").split(": ")[-2].split(". ")[-1] == row["call"].capitalize()
            or ": " in text.rsplit(". ", 1)[-1]
        )
        assert ("Most likely" in text) == (at_issue and row["suspect"] != "unclear")
        assert ("CP to PE in reverse" not in text) or row["reverse_path_ohm"] is not None
        assert ("begins to fail" in text) == (row["refer_by"] is not None)
