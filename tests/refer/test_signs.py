"""What failures look like.

Partners are the witnesses, blame is their weight, words mean what a model uses them for.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.refer.inputs import Attributed, ReferInputs
from pipeline.refer.suspects.evses import judge_evses
from pipeline.refer.suspects.signatures import declared
from pipeline.refer.suspects.signs import (
    at_evses,
    evse_signs,
    evse_stopped_at,
    once,
    stopped_at,
    vehicle_signs,
    with_words,
)
from pipeline.settings.refer import ReferSettings

UTC_US = pl.Datetime("us", "UTC")
FAILED: dict[str, Any] = {
    "vehicle_id": "V", "evse_id": "E1", "evse_model": "M", "site_id": "S", "supply": "AC", "coupler": "sType2",
    "outcome": "failed", "stage": "offered", "early_b": True, "fault": None, "vehicle_fault": None, "check": "yes", "weight": 1.0,
    "p_vehicle": 1.0, "p_evse": 0.0, "silent": False,
    "p_pairing": 0.0, "p_other": 0.0, "source": "ocpp16+pilot", "pilot_high_b_v": None, "pilot_low_b_v": None,
}  # fmt: skip
TYPES = {
    "fault": pl.String,
    "vehicle_fault": pl.Boolean,
    "pilot_high_b_v": pl.Float64,
    "pilot_low_b_v": pl.Float64,
}


def attempts(*rows: dict[str, Any]) -> pl.DataFrame:
    """Attempts that differ from an early failure as stated, an hour apart."""
    frame = pl.DataFrame([FAILED | row for row in rows], schema_overrides=TYPES)
    at = pl.datetime(2026, 3, 1, time_unit="us", time_zone="UTC") + pl.duration(
        hours=pl.int_range(pl.len())
    )
    return frame.with_columns(
        plugged_at_utc=at,
        unplugged_at_utc=at + pl.duration(minutes=30),
        attempt_id=pl.format("A{}", pl.int_range(pl.len())),
    )


def amounts(signs: pl.DataFrame, signature: str) -> dict[str, float]:
    """Category to amount of one signature."""
    return dict(
        signs.filter(pl.col("signature") == signature).select("category", "amount").iter_rows()
    )


def test_ten_failures_at_one_evse_are_one_witness() -> None:
    """Counted once per EVSE, shared out by category; a second EVSE is a second witness."""
    rows = [{}] * 8 + [{"stage": "delivering", "early_b": False}] * 2 + [{"evse_id": "E2"}]
    assert amounts(vehicle_signs(attempts(*rows)), "stopped_at") == pytest.approx(
        {"early_b": 1.8, "delivering": 0.2}
    )


def test_what_the_evse_is_blamed_for_is_no_sign_about_the_vehicle() -> None:
    """A failure counts by the blame; one tenth of a failure is a tenth of a witness."""
    assert amounts(vehicle_signs(attempts({"p_vehicle": 0.1})), "stopped_at") == pytest.approx(
        {"early_b": 0.1}
    )
    assert amounts(vehicle_signs(attempts({"p_vehicle": 0.0})), "stopped_at") == {}


def test_charging_is_split_by_whether_the_evse_looks() -> None:
    """AC by check; CCS by check; CHAdeMO apart; an unknown AC check says nothing."""
    ok = {"outcome": "charged", "stage": "delivering", "early_b": False}
    dc = ok | {"supply": "DC"}
    signs = vehicle_signs(
        attempts(
            {}, ok | {"evse_id": "E2", "check": "no"}, ok | {"evse_id": "E3", "check": "unknown"},
            dc | {"evse_id": "D1", "coupler": "cCCS2", "check": "yes"},
            dc | {"evse_id": "D2", "coupler": "cCCS2", "check": "unknown"},
            dc | {"evse_id": "D3", "coupler": "cG105", "check": "no"},
        )
    )  # fmt: skip
    assert amounts(signs, "at_checking") == {"failed": 1.0}
    assert amounts(signs, "at_not_checking") == {"charged": 1.0}
    assert amounts(signs, "ccs_checking") == {"charged": 1.0}
    assert amounts(signs, "ccs_unknown") == {"charged": 1.0}
    assert amounts(signs, "dc_own_signals") == {"charged": 1.0}


def test_a_generic_word_weighs_by_what_the_model_says_elsewhere() -> None:
    """'OtherError' from a model that named a diode fault at another vehicle is not 'OtherError'
    from one that never does.
    """
    rows = attempts(
        {"fault": "OtherError"}, {"fault": None}, {"vehicle_id": "W", "fault": "DiodeFault"},
        {"evse_model": "N", "fault": "OtherError"}, {"evse_model": "N", "fault": "ConnectorLockFailure"},
    )  # fmt: skip
    words = with_words(rows).sort("plugged_at_utc")["fault_word"].to_list()
    assert words == ["generic_though_named", "generic_though_named", "diode", "generic", "lock"]


def test_a_word_only_ever_said_of_this_vehicle_names_nothing_elsewhere() -> None:
    """The vehicle's own diode fault does not make its other words suspicious."""
    words = (
        with_words(attempts({"fault": "DiodeFault"}, {"fault": "OtherError"}))
        .sort("plugged_at_utc")["fault_word"]
        .to_list()
    )
    assert words == ["diode", "generic"]


def evse_suspect(rows: pl.DataFrame) -> dict[str, Any]:
    """Judgement of E1 where attribution blames it."""
    known = pl.DataFrame(
        [("E1", 0.97, "fault", "it is.", None, None)], orient="row",
        schema={"evse_id": pl.String, "p_evse": pl.Float64, "verdict": pl.String, "reason": pl.String, "onset_utc": UTC_US,
                "onset_lo_utc": UTC_US},
    )  # fmt: skip
    nothing = pl.DataFrame()
    inputs = ReferInputs(rows, Attributed(nothing, known, nothing, nothing), nothing, nothing)
    return judge_evses(inputs, rows, ReferSettings()).row(0, named=True)


@pytest.mark.parametrize(
    ("change", "suspect"),
    [
        ({"stage": "requested", "fault": "PowerSwitchFailure"}, "contactor"),
        ({"stage": "energised", "fault": "GroundFailure"}, "residual_current_device"),
        ({"stage": "plugged", "fault": "ConnectorLockFailure"}, "connector_lock"),
        ({"stage": "plugged", "fault": "NoInternet"}, "communication"),
        ({"stage": "delivering", "fault": "HighTemperature", "coupler": "cType2"}, "cable"),
        ({"stage": "offered", "fault": "PilotFault"}, "pilot_generator"),
    ],
)
def test_suspects_of_an_evse(change: dict[str, Any], suspect: str) -> None:
    """Each part by where attempts stop and what the EVSE says, over five vehicles (sequence of IEC
    61851-1, judgement).
    """
    rows = attempts(
        *({"vehicle_id": f"V{i}", "p_vehicle": 0.0, "p_evse": 1.0} | change for i in range(5))
    )
    found = evse_suspect(rows)
    assert (found["call"], found["suspect"]) == ("faulty", suspect)


def test_a_broken_generator_is_not_many_broken_diodes() -> None:
    """All vehicles at E1 read -9 V on the negative level: the EVSE's levels are out of band, its pilot
    generator the suspect.

    The same negative level of one vehicle at an EVSE where others read -12 V leaves that EVSE's levels in
    band.
    """
    rng = np.random.default_rng(0)
    blame = {"p_vehicle": 0.0, "p_evse": 1.0, "pilot_high_b_v": 9.0}
    weak = attempts(
        *(
            blame | {"vehicle_id": f"V{i}", "pilot_low_b_v": -9 + rng.normal(0, 0.05)}
            for i in range(6)
        )
    )
    assert evse_suspect(weak)["suspect"] == "pilot_generator"
    assert evse_suspect(weak)["p_suspect"] > 0.9
    mixed = attempts(
        *(
            blame | {"vehicle_id": f"V{i}", "pilot_low_b_v": -8.8 if i == 0 else -12.0}
            for i in range(6)
        )
    )
    odds = [
        p / (1 - p) for p in (evse_suspect(weak)["p_suspect"], evse_suspect(mixed)["p_suspect"])
    ]
    assert odds[0] > 20 * odds[1]
    assert evse_suspect(mixed)["pilot_low_v"] == pytest.approx(-12.0)


def test_evse_signs_count_vehicles() -> None:
    """Ten failures of one vehicle are one witness against the EVSE."""
    rows = attempts(
        *([{"p_evse": 1.0}] * 10), {"vehicle_id": "W", "p_evse": 1.0, "stage": "requested"}
    )
    assert amounts(evse_signs(at_evses(rows)), "evse_stopped_at") == pytest.approx(
        {"offered": 1.0, "requested": 1.0}
    )


@pytest.mark.parametrize(
    ("stage", "early", "vehicle", "evse"),
    [
        ("plugged", True, "before_pwm", "before_pwm"), ("offered", True, "early_b", "offered"),
        ("requested", True, "early_b", "requested"), ("offered", False, "late_b", "offered"),
        ("requested", False, "late_b", "requested"), ("energised", False, "closed", "closed"),
        ("delivering", False, "delivering", "delivering"),
    ],
)  # fmt: skip
def test_where_an_attempt_stopped(stage: str, early: bool, vehicle: str, evse: str) -> None:  # noqa: FBT001
    """Each stage has its category, all of them declared (states B1 to C2 in order, IEC 61851-1
    Annex A).
    """
    row = attempts({"stage": stage, "early_b": early})
    assert row.select(stopped_at()).item() == vehicle
    assert row.select(evse_stopped_at()).item() == evse
    assert vehicle in declared("vehicle")["stopped_at"].categories
    assert evse in declared("evse")["evse_stopped_at"].categories


def test_what_the_vehicle_says_of_its_failures() -> None:
    """A charge fault, nothing, or no word at all, which is no sign either way."""
    rows = attempts(
        {"vehicle_fault": True}, {"vehicle_fault": False, "evse_id": "E2"}, {"evse_id": "E3"}
    )
    assert amounts(vehicle_signs(rows), "vehicle_says") == {"charge_fault": 1.0, "nothing": 1.0}


def test_every_sign_is_declared() -> None:
    """Whatever attempts show, its signature and category stand in the declared tables."""
    rows = [
        {"supply": s, "coupler": c, "outcome": o, "check": k, "evse_id": f"{s}{c}{o}{k}", "fault": f, "vehicle_fault": f is None}
        for s, c in (("AC", "sType2"), ("DC", "cCCS1"), ("DC", "cCCS2"), ("DC", "cG105"), ("DC", "cGBT"), ("DC", "cChaoJi"))
        for o in ("charged", "failed") for k in ("yes", "no", "unknown") for f in (None, "DiodeFault")
    ]  # fmt: skip
    for signs, kind in (
        (vehicle_signs(attempts(*rows)), "vehicle"),
        (evse_signs(at_evses(attempts(*rows))), "evse"),
    ):
        tables = declared(kind)
        assert signs.columns == ["unit", "signature", "category", "amount"]
        assert all(
            c in tables[n].categories for n, c in signs.select("signature", "category").iter_rows()
        )
    table = amounts(vehicle_signs(attempts(*rows)), "dc_own_signals")
    assert table == pytest.approx({"charged": 9.0, "failed": 9.0})
    assert amounts(vehicle_signs(attempts(*rows)), "ccs_not_checking") == pytest.approx(
        {"charged": 2.0, "failed": 2.0}
    )


def test_weight_and_blame_multiply() -> None:
    """A doubtful record counts less, a charge by its weight alone; the unknown are no unit.

    A partner is one witness at most.
    """
    rows = attempts(
        {"weight": 0.5, "p_vehicle": 0.5}, {"evse_id": "E2", "outcome": "charged", "p_vehicle": None, "weight": 0.4},
        {"evse_id": "E3", "p_vehicle": None}, {"vehicle_id": None}, {"evse_id": "E4"}, {"evse_id": "E4"},
        {"evse_id": "E5", "p_vehicle": 0.75}, {"evse_id": "E5", "p_vehicle": 0.75, "early_b": False},
    )  # fmt: skip
    signs = vehicle_signs(rows)
    assert amounts(signs, "at_checking") == pytest.approx(
        {"failed": 0.25 + 1.0 + 1.0, "charged": 0.4}
    )
    assert amounts(signs, "stopped_at") == pytest.approx(
        {"early_b": 0.25 + 1.0 + 0.5, "late_b": 0.5}
    )
    assert set(signs["unit"]) == {"V"}


def test_an_unknown_vehicle_is_a_witness_against_an_evse() -> None:
    """Failures of unknown vehicles count each for itself; those of one vehicle once.

    By blame times weight.
    """
    blamed = {"p_evse": 1.0, "p_vehicle": 0.0}
    rows = attempts(
        blamed | {"vehicle_id": None}, blamed | {"vehicle_id": None}, blamed, blamed,
        {"vehicle_id": "W", "p_evse": 0.5, "weight": 0.5},
        blamed | {"vehicle_id": "X", "outcome": "charged"}, {"vehicle_id": "Y", "p_evse": None},
    )  # fmt: skip
    signs = evse_signs(at_evses(rows))
    assert amounts(signs, "evse_stopped_at") == pytest.approx({"offered": 3.25})
    assert amounts(signs, "evse_fault_word") == pytest.approx({"no_word": 3.25})


def test_a_sign_shown_or_not_is_one_witness() -> None:
    """Levels, drift and codes count once a vehicle."""
    made = once(pl.DataFrame({"unit": ["V", "W"], "category": ["steady", "rising"]}), "drift")
    assert made.rows() == [("V", "drift", "steady", 1.0), ("W", "drift", "rising", 1.0)]


def test_a_pilot_word_makes_silence_telling_too() -> None:
    """A model that named a pilot fault at two vehicles would have named this one's.

    Another word stays what it is.
    """
    rows = attempts(
        {"vehicle_id": "W", "fault": "PilotFault"}, {"vehicle_id": "X", "fault": "PilotFault"}, {"fault": None},
        {"fault": "a word of no list"}, {"fault": "GroundFailure"}, {"vehicle_id": "W", "fault": None},
    )  # fmt: skip
    words = with_words(rows)
    assert words["fault_word"].to_list() == [
        "pilot",
        "pilot",
        "generic_though_named",
        "generic_though_named",
        "ground",
        "generic_though_named",
    ]
    assert "named_at" not in words.columns
    assert "named_first" not in words.columns
