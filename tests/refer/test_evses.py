"""EVSEs and pairings: their levels, counts and calls, recounted by hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.refer.inputs import Attributed, ReferInputs
from pipeline.refer.suspects.evses import (
    _band_category,
    _part_priors,
    co_occurring_onsets,
    evse_levels,
    judge_evses,
)
from pipeline.refer.suspects.pairings import judge_pairings
from pipeline.refer.suspects.signatures import learnt
from pipeline.settings.refer import ReferSettings

SETTINGS = ReferSettings()
UTC_US = pl.Datetime("us", "UTC")
AT = datetime(2026, 3, 20, tzinfo=UTC)
NOTHING = pl.DataFrame()
NO_LESSONS = pl.DataFrame(
    schema={
        "suspect": pl.String,
        "signature": pl.String,
        "category": pl.String,
        "amount": pl.Float64,
    }
)
USUAL: dict[str, Any] = {
    "p_pairing": 0.0, "p_other": 0.0,
    "vehicle_id": "V", "vehicle_model": "Crate", "evse_id": "E1", "site_id": "depot", "evse_model": "M", "firmware": "1",
    "supply": "AC", "coupler": "sType2", "outcome": "failed", "stage": "requested", "early_b": True,
    "fault": "PowerSwitchFailure", "vehicle_fault": None, "check": "yes", "weight": 1.0, "p_vehicle": 0.0, "p_evse": 1.0,
    "source": "ocpp16+pilot",
    "pilot_high_b_v": None, "pilot_low_b_v": None, "plugged_at_utc": AT,
}  # fmt: skip
TYPES = {
    "vehicle_id": pl.String, "vehicle_model": pl.String, "firmware": pl.String, "fault": pl.String, "vehicle_fault": pl.Boolean,
    "pilot_high_b_v": pl.Float64, "pilot_low_b_v": pl.Float64, "plugged_at_utc": UTC_US,
}  # fmt: skip


def attempts(*rows: dict[str, Any]) -> pl.DataFrame:
    """Attempts that differ as stated from a failure at E1 when the contactor should close."""
    frame = pl.DataFrame([USUAL | row for row in rows], schema_overrides=TYPES)
    return frame.with_columns(attempt_id=pl.format("A{}", pl.int_range(pl.len())))


def test_an_evse_s_level_is_the_median_of_its_vehicles_medians() -> None:
    """A vehicle that came often weighs once.

    The levels of now need as many vehicles as the setting says.
    """
    frame = attempts(
        *({"pilot_high_b_v": 8.0, "pilot_low_b_v": low} for low in (-9.0, -9.2, -9.1)),
        {"vehicle_id": "W", "pilot_high_b_v": 9.0, "pilot_low_b_v": -12.0},
        {"vehicle_id": None, "pilot_high_b_v": 9.2, "pilot_low_b_v": -12.1},
        {"vehicle_id": "X", "pilot_high_b_v": 4.0, "pilot_low_b_v": -4.0, "weight": 0.0},
        {"evse_id": "E2", "pilot_high_b_v": 9.0}, {"evse_id": "E2", "vehicle_id": "W", "pilot_low_b_v": -11.0},
        {"evse_id": "E3"},
    )  # fmt: skip
    levels = evse_levels(frame, 3).sort("evse_id")
    assert levels.columns == ["evse_id", "pilot_high_v", "pilot_low_v", "high_now_v", "low_now_v"]
    assert levels.rows() == [("E1", 9.0, -12.0, 9.0, -12.0), ("E2", 9.0, -11.0, None, None)]


@pytest.mark.parametrize(
    ("high", "low", "category"),
    [
        (9.0, -12.0, "in_band"), (9.75, -12.0, "in_band"), (9.85, -12.0, "out_of_band"), (8.2, -12.0, "in_band"),
        (8.1, -12.0, "out_of_band"), (9.0, -11.25, "in_band"), (9.0, -11.15, "out_of_band"), (9.0, -12.75, "in_band"),
        (9.0, -12.85, "out_of_band"), (9.0, None, "in_band"), (None, -9.0, "out_of_band"), (None, None, None),
    ],
)  # fmt: skip
def test_a_generator_is_out_of_band_beyond_the_windows_and_the_meter(
    high: float | None, low: float | None, category: str | None
) -> None:
    """B2 8.37..9.59 V and -12.6..-11.4 V (derived.

    IEC 61851-1 Table A.3 from memory), widened by 0.2 V of meter error.
    """
    levels = pl.DataFrame(
        {"evse_id": ["E"], "high_now_v": [high], "low_now_v": [low]},
        schema_overrides={"high_now_v": pl.Float64, "low_now_v": pl.Float64},
    )
    found = _band_category(levels)
    assert found.columns == ["unit", "category"]
    assert found.rows() == ([] if category is None else [("E", category)])


def judged(
    frame: pl.DataFrame, *known: tuple[str, float, str, datetime | None]
) -> list[dict[str, Any]]:
    """EVSEs judged, with attribution's answer (evse_id, p_evse, verdict, onset_lo_utc)."""
    attributed = pl.DataFrame(
        [(e, p, lo, lo, verdict, f"of {e}") for e, p, verdict, lo in known], orient="row",
        schema={"evse_id": pl.String, "p_evse": pl.Float64, "onset_utc": UTC_US, "onset_lo_utc": UTC_US, "verdict": pl.String,
                "reason": pl.String},
    )  # fmt: skip
    inputs = ReferInputs(frame, Attributed(NOTHING, attributed, NOTHING, NOTHING), NOTHING, NOTHING)
    return judge_evses(inputs, frame, SETTINGS).to_dicts()


def test_an_evse_s_counts_and_call() -> None:
    """Attempts that charged or failed, failures, known vehicles that failed.

    Thin where attribution is silent; in order of id.
    """
    frame = attempts(
        {"evse_id": "E2", "outcome": "charged"}, {}, {"vehicle_id": "W"}, {"vehicle_id": None}, {}, {"outcome": "charged"},
        {"outcome": "declined"}, {"evse_id": "E3", "outcome": "abandoned"},
    )  # fmt: skip
    one, two, three = judged(frame, ("E1", 0.97, "fault", None), ("E2", 0.05, "clear", None))
    assert (
        one["evse_id"],
        one["site_id"],
        one["attempts"],
        one["failures"],
        one["vehicles_failed"],
    ) == ("E1", "depot", 5, 4, 2)
    assert (one["call"], one["ground_fault"], one["suspect"]) == ("faulty", "of E1", "contactor")
    assert one["p_evse"] > 0.99
    assert two["p_evse"] == pytest.approx(0.05)
    assert (
        two["evse_id"],
        two["call"],
        two["attempts"],
        two["failures"],
        two["vehicles_failed"],
    ) == ("E2", "clear", 1, 0, 0)
    assert (three["evse_id"], three["call"], three["p_evse"], three["attempts"]) == (
        "E3",
        "insufficient_data",
        0.0,
        0,
    )
    assert three["reason"] is None


def test_an_evse_is_called_by_its_own_costs() -> None:
    """Faulty from 200 / 380 with attribution's verdict, watch from 15 / 180 (costs as decided in
    the settings; derived).
    """
    for p, verdict, call in [
        (0.53, "fault", "faulty"), (0.52, "fault", "watch"), (0.53, "doubt", "watch"), (0.09, "clear", "watch"),
        (0.08, "clear", "clear"),
    ]:  # fmt: skip
        charged = attempts({"outcome": "charged"})
        assert judged(charged, ("E1", p, verdict, None))[0]["call"] == call


@pytest.mark.parametrize(("fault_from", "call"), [(0.7, "watch"), (0.5, "faulty")])
def test_an_evse_is_called_from_attribution_s_line_on(fault_from: float, call: str) -> None:
    """Its probability of 60 %, after the looks of its failures, is above the line of costs and has attribution's line to meet besides."""
    frame = attempts({"outcome": "charged"})
    attributed = pl.DataFrame(
        [("E1", 0.6, AT, AT, "doubt", "so.", fault_from, True)], orient="row",
        schema={"evse_id": pl.String, "p_evse": pl.Float64, "onset_utc": UTC_US, "onset_lo_utc": UTC_US, "verdict": pl.String,
                "reason": pl.String, "fault_from": pl.Float64, "provable": pl.Boolean},
    )  # fmt: skip
    inputs = ReferInputs(frame, Attributed(NOTHING, attributed, NOTHING, NOTHING), NOTHING, NOTHING)
    assert judge_evses(inputs, frame, SETTINGS)["call"].to_list() == [call]


def test_only_failures_since_the_onset_say_what_is_wrong() -> None:
    """What an EVSE failed by before its trouble began names no part of it.

    Levels shown are those of the whole look-back.
    """
    before = {
        "fault": "ConnectorLockFailure",
        "stage": "plugged",
        "plugged_at_utc": AT - timedelta(days=9),
        "pilot_low_b_v": -9.0,
    }
    now = {"pilot_low_b_v": -12.0}
    frame = attempts(
        *({"vehicle_id": f"V{i}"} | before for i in range(9)),
        *({"vehicle_id": f"W{i}"} | now for i in range(4)),
    )
    assert judged(frame, ("E1", 0.97, "fault", AT))[0]["suspect"] == "contactor"
    assert judged(frame, ("E1", 0.97, "fault", AT))[0]["pilot_low_v"] == -9.0
    assert judged(frame, ("E1", 0.97, "fault", None))[0]["suspect"] == "connector_lock"
    weightless = attempts(
        *({"vehicle_id": f"V{i}"} | before | {"weight": 0.0} for i in range(9)), now
    )
    assert judged(weightless, ("E1", 0.97, "fault", None))[0]["suspect"] == "contactor"


def test_a_part_that_is_not_there_is_hardly_ever_named() -> None:
    """IEC 61851-1: in case C the cable is attached to the EVSE, so it has no lock of a plug; in cases A and B the vehicle brings
    the cable. An EVSE with both, and one nobody listed, may have either.
    """
    frame = attempts(
        {"evse_id": "C", "coupler": "cType2"}, {"evse_id": "S", "coupler": "sType2"},
        {"evse_id": "CS", "coupler": "cType2"}, {"evse_id": "CS", "coupler": "sType2"}, {"evse_id": "N", "coupler": None},
    )  # fmt: skip
    known = learnt("evse", NO_LESSONS)["evse_prior"]
    evses = pl.Series(["C", "S", "CS", "N"])
    lock, cable = (known.categories.index(part) for part in ("connector_lock", "cable"))
    prior = _part_priors(evses, frame, known)
    usual = known.table[0]
    assert prior.sum(axis=1) == pytest.approx(1.0)
    assert prior[0, lock] < 0.02 * usual[lock] < prior[0, cable]
    assert prior[1, cable] < 0.02 * usual[cable] < prior[1, lock]
    assert prior[2:] == pytest.approx(np.stack([usual, usual]))


def fleet_of(model: str, *words: str, each: int = 30) -> list[dict[str, Any]]:
    """Failures by chance of a model, at EVSEs of their own."""
    return [
        {"evse_id": f"{model}{i}{word}", "vehicle_id": f"{model}{i}", "evse_model": model, "fault": word, "p_evse": 0.0, "p_other": 1.0}
        for word in words for i in range(each)
    ]  # fmt: skip


def p_of(frame: pl.DataFrame, p: float) -> float:
    """Probability of E1 after its failures' looks, `p` before."""
    known = [(e, p if e == "E1" else 0.001, "doubt", None) for e in set(frame["evse_id"])]
    rows = judged(frame, *known)
    return float(next(row["p_evse"] for row in rows if row["evse_id"] == "E1"))


def test_alike_failures_that_chance_seldom_brings_speak_for_the_evse() -> None:
    """Five of one word, where passing troubles of the model bring many, raise 30 % over 80; five of as many words lower it."""
    words = (
        "GroundFailure",
        "OtherError",
        "ConnectorLockFailure",
        "OverCurrentFailure",
        "EVCommunicationError",
    )
    fleet = fleet_of("M", *words)
    half = {"p_evse": 0.3, "p_other": 0.7}
    alike = [
        half | {"vehicle_id": f"V{i}", "fault": "GroundFailure", "stage": "energised"}
        for i in range(5)
    ]
    mixed = [half | {"vehicle_id": f"V{i}", "fault": word} for i, word in enumerate(words)]
    assert p_of(attempts(*fleet, *alike), 0.3) > 0.8
    assert p_of(attempts(*fleet, *mixed), 0.3) < 0.3


def test_a_model_with_one_word_for_everything_convicts_none_of_its_evses() -> None:
    """All that befalls this model is called a ground fault: five more at one EVSE tell nothing, however rare the word is elsewhere."""
    fleet = fleet_of("M", "GroundFailure") + fleet_of(
        "N", "OtherError", "ConnectorLockFailure", "OverCurrentFailure"
    )
    alike = [
        {"vehicle_id": f"V{i}", "fault": "GroundFailure", "p_evse": 0.3, "p_other": 0.7}
        for i in range(5)
    ]
    assert p_of(attempts(*fleet, *alike), 0.3) < 0.5


def test_words_of_its_vehicles_faults_are_no_sign_of_the_evse() -> None:
    """Where leaking diodes call, an EVSE that may share in their failures has their words: they tell as little of it as they do elsewhere."""
    fleet = fleet_of("M", "OtherError", "OverCurrentFailure", "EVCommunicationError")
    theirs = [
        {
            "evse_id": f"F{i}",
            "vehicle_id": f"D{i % 5}",
            "stage": "offered",
            "fault": "DiodeFault",
            "p_evse": 0.0,
            "p_vehicle": 1.0,
        }
        for i in range(60)
    ]
    shared = [
        {
            "vehicle_id": f"D{i}",
            "stage": "offered",
            "fault": "DiodeFault",
            "p_evse": 0.3,
            "p_vehicle": 0.7,
        }
        for i in range(5)
    ]
    by_chance = [row | {"p_vehicle": 0.0, "p_other": 0.7} for row in shared]
    assert p_of(attempts(*fleet, *theirs, *shared), 0.3) < 0.45
    assert p_of(attempts(*fleet, *theirs, *by_chance), 0.3) > 0.8


def test_nothing_to_judge() -> None:
    """No attempt, no EVSE."""
    assert judged(attempts({}).clear()) == []


def test_pairings_with_a_failure() -> None:
    """Counts by vehicle model, EVSE model and firmware; unknown firmware is a firmware.

    Calls by the pairing's own costs.
    """
    ok = {"outcome": "charged"}
    frame = attempts(
        {}, ok | {"vehicle_id": "W", "evse_id": "E2"}, {"vehicle_id": None}, {"outcome": "declined"},
        {"firmware": None}, {"firmware": None}, ok | {"evse_model": "N"}, {"vehicle_model": None}, {"vehicle_model": "Barrow"},
    )  # fmt: skip
    known = pl.DataFrame(
        [("Crate", "M", "1", 0.7, "fault", "seven of ten."), ("Crate", "M", None, 0.06, "clear", "few.")], orient="row",
        schema=["vehicle_model", "evse_model", "firmware", "p_pairing", "verdict", "reason"],
    )  # fmt: skip
    inputs = ReferInputs(frame, Attributed(NOTHING, NOTHING, known, NOTHING), NOTHING, NOTHING)
    table = judge_pairings(inputs, frame, SETTINGS)
    shown = table.select(
        "vehicle_model",
        "evse_model",
        "firmware",
        "call",
        "p_pairing",
        "attempts",
        "failures",
        "vehicles",
        "evses",
        "reason",
    )
    assert shown.rows() == [
        ("Barrow", "M", "1", "insufficient_data", 0.0, 1, 1, 1, 1, "too little to say."),
        ("Crate", "M", "", "clear", 0.06, 2, 2, 1, 1, "few."),
        (
            "Crate",
            "M",
            "1",
            "faulty",
            0.7,
            3,
            2,
            2,
            2,
            "seven of ten. Probability that the pairing is at fault: 70 %.",
        ),
    ]
    # 400 / 600 and 15 / 200 (decided costs; derived)
    for p, call in ((0.66, "watch"), (0.67, "faulty"), (0.075, "watch"), (0.074, "clear")):
        moved = known.with_columns(
            p_pairing=pl.lit(p), verdict=pl.lit("fault" if p > 0.5 else "clear")
        )
        inputs = ReferInputs(frame, Attributed(NOTHING, NOTHING, moved, NOTHING), NOTHING, NOTHING)
        assert judge_pairings(inputs, frame, SETTINGS)["call"].to_list()[2] == call


def test_a_site_that_fails_at_once_is_told() -> None:
    """Three or more of a site, and half of it, called and begun within two days of each other.

    Maybe one cause behind all.
    """
    day = timedelta(days=1)
    rows = [
        ("A1", "a", "faulty", AT), ("A2", "a", "watch", AT + 2 * day), ("A3", "a", "faulty", AT - day), ("A4", "a", "clear", AT),
        ("A5", "a", "insufficient_data", None), ("A6", "a", "faulty", AT + 9 * day),
        ("B1", "b", "faulty", AT), ("B2", "b", "faulty", AT), ("C1", "c", "faulty", AT), ("C2", "c", "faulty", AT),
        ("C3", "c", "faulty", AT), *((f"C{i}", "c", "clear", None) for i in range(4, 8)), ("N1", None, "faulty", AT),
    ]  # fmt: skip
    called = pl.DataFrame(rows, schema={"evse_id": pl.String, "site_id": pl.String, "call": pl.String, "onset_utc": UTC_US},
                          orient="row")  # fmt: skip
    told = co_occurring_onsets(called)
    assert told["evse_id"].to_list() == [row[0] for row in rows]
    assert dict(
        told.filter(pl.col("at_once").is_not_null()).select("evse_id", "at_once").iter_rows()
    ) == {"A1": 3}
    assert dict(told.select("site_id", "at_site").unique().iter_rows()) == {
        "a": 6,
        "b": 2,
        "c": 7,
        None: 1,
    }
