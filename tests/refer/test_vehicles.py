"""What is thought of a vehicle, piece by piece.

Since when, the negative level's category, trouble codes, priors, odds, counts.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest
from made_levels import no_levels
from numpy.typing import NDArray

from pipeline.circuit.pilot import low_v
from pipeline.core.weeks import LookBack
from pipeline.refer.findings import SHARED
from pipeline.refer.inputs import Attributed, ReferInputs, join_findings
from pipeline.refer.suspects.events import own_events, weeks_to_show
from pipeline.refer.suspects.known import known_vehicles, since
from pipeline.refer.suspects.lessons import lessons
from pipeline.refer.suspects.level_factors import LevelFactors, level_factors
from pipeline.refer.suspects.posterior import fault_odds, priors
from pipeline.refer.suspects.signatures import learnt
from pipeline.refer.suspects.signs import trouble_codes
from pipeline.refer.suspects.vehicles import (
    _measured,
    _suspected,
)
from pipeline.refer.suspects.weighing import Verdicts
from pipeline.registry import empty, polars_schema
from pipeline.settings.refer import ReferSettings

SETTINGS = ReferSettings()
UTC_US = pl.Datetime("us", "UTC")
LOOK_BACK = LookBack.of("2026-W14", 12)
DAY = timedelta(days=1)
AT = datetime(2026, 3, 20, tzinfo=UTC)
NOTHING = pl.DataFrame()


def told(*rows: tuple[str, datetime, str, datetime | None]) -> pl.DataFrame:
    """Findings: vehicle, when, what, when repaired."""
    frame = pl.DataFrame(
        rows, orient="row",
        schema={"vehicle_id": pl.String, "at_utc": UTC_US, "finding": pl.String, "repaired_at_utc": UTC_US},
    )  # fmt: skip
    return join_findings(
        pl.concat([empty("raw_finding"), frame], how="diagonal"), empty("decision_finding")
    )


def inputs(**given: Any) -> ReferInputs:
    """Inputs with nothing but what is given."""
    usual = {
        "attempts": NOTHING,
        "attributed": Attributed(NOTHING, NOTHING, NOTHING, NOTHING),
        "fleet": NOTHING,
        "equipment": NOTHING,
    }
    return ReferInputs(**(usual | given))


def test_a_vehicle_is_judged_since_its_onset_or_its_last_repair() -> None:
    """The later of the onset's early end and the last repair.

    A finding without a repair bounds nothing; nor does nothing.
    """
    known = pl.DataFrame(
        {
            "vehicle_id": ["onset", "repair", "both", "neither"],
            "onset_lo_utc": [AT, None, AT, None],
        },
        schema_overrides={"onset_lo_utc": UTC_US},
    )
    found = told(
        ("repair", AT - 9 * DAY, "diode_shorted", AT - 8 * DAY), ("repair", AT - 6 * DAY, "diode_shorted", AT - 5 * DAY),
        ("both", AT, "diode_shorted", AT + DAY), ("neither", AT, "diode_shorted", None),
        ("onset", AT - DAY, "inlet_or_wiring", AT - DAY),
    )  # fmt: skip
    assert dict(since(inputs(findings=found), known).iter_rows()) == {
        "onset": AT,
        "repair": AT - 5 * DAY,
        "both": AT + DAY,
        "neither": None,
    }


def recent_levels(*rows: tuple[str, str, float, bool], se_v: float = 0.01) -> pl.DataFrame:
    """Readings in B2 as `recent` gives them.

    Vehicle, EVSE, CP–PE reverse resistance in ohm, whether the usual level is only nominal.
    """
    return pl.DataFrame(
        [(v, e, "B2", low_v(ohm), low_v(ohm) + 12, -12.0, se_v, 0.0, nominal, None, None) for v, e, ohm, nominal in rows],
        orient="row",
        schema={
            "vehicle_id": pl.String, "evse_id": pl.String, "state": pl.String, "low_v": pl.Float64, "above_v": pl.Float64,
            "usual_v": pl.Float64, "se_v": pl.Float64, "usual_se_v": pl.Float64, "nominal": pl.Boolean,
            "high_off_v": pl.Float64, "high_se_v": pl.Float64,
        },
    )  # fmt: skip


def test_trouble_codes_count_from_when_the_trouble_began() -> None:
    """Confirmed and pending codes are stored; cleared ones and empty read-outs are none.

    Only from the bound to the end.
    """
    rows = [
        ("stored", AT, "P0D00", "confirmed"), ("pending", AT, "P0D00", "pending"), ("plain", AT, "P0D00", None),
        ("cleared", AT, "P0D00", "cleared"), ("empty", AT, None, None),
        ("mixed", AT, None, None), ("mixed", AT + DAY, "P0D00", "confirmed"),
        ("early", AT - DAY, "P0D00", "confirmed"), ("late", LOOK_BACK.to_utc, "P0D00", "confirmed"),
        ("old", LOOK_BACK.from_utc - DAY, "P0D00", "confirmed"), ("first", LOOK_BACK.from_utc, "P0D00", "confirmed"),
        ("stranger", AT, "P0D00", "confirmed"),
    ]  # fmt: skip
    schema = {"vehicle_id": pl.String, "at_utc": UTC_US, "dtc": pl.String, "dtc_status": pl.String}
    codes = pl.concat(
        [empty("raw_dtc"), pl.DataFrame(rows, schema=schema, orient="row")], how="diagonal"
    )
    bounds = pl.DataFrame(
        [(v, None if v in {"old", "first"} else AT) for v in dict.fromkeys(r[0] for r in rows) if v != "stranger"],
        schema={"vehicle_id": pl.String, "since_utc": UTC_US}, orient="row",
    )  # fmt: skip
    found = dict(trouble_codes(codes, bounds, LOOK_BACK).iter_rows())
    assert found == {
        "stored": "stored", "pending": "stored", "plain": "stored", "cleared": "none_stored", "empty": "none_stored",
        "mixed": "stored", "first": "stored",
    }  # fmt: skip


def test_findings_of_a_model_draw_its_prior() -> None:
    """Row = (5 x fleet's prior + the model's own cases) / (5 + cases).

    A finding that names no single part is shared out by the declared prior; a model without cases
    keeps the fleet's (derived).
    """
    tables = learnt("vehicle", empty("decision_lesson"))
    vehicles = pl.DataFrame(
        {"vehicle_id": ["V", "W", "X"], "vehicle_model": ["Crate", "Barrow", None]}
    )
    fleet = pl.DataFrame(
        {"vehicle_id": ["V", "W", "Y"], "vehicle_model": ["Crate", "Barrow", "Crate"]}
    )
    found = told(
        ("V", AT, "inlet_or_wiring", None), ("Y", AT, "inlet_or_wiring", None), ("Y", AT + DAY, "charger_other", None),
        ("Y", AT, "no_fault_found", None),
    )  # fmt: skip
    table = priors(vehicles, inputs(fleet=fleet, findings=found), tables)
    base = tables["vehicle_prior"]
    declared = dict(zip(base.categories, base.table[0], strict=True))
    own = np.zeros(len(declared))
    for cases, parts in ((2.0, SHARED["inlet_lock"]), (1.0, SHARED["charger_input"])):
        total = sum(declared[part] for part in parts)
        for part in parts:
            own[base.categories.index(part)] = cases * declared[part] / total
    of_fleet = (10 * base.table[0] + own) / 13.0
    assert table[0] == pytest.approx((5 * of_fleet + own) / 8)
    assert table[1] == pytest.approx(of_fleet)
    assert table[2] == pytest.approx(of_fleet)
    assert table.sum(axis=1) == pytest.approx(1.0)


def test_looks_tell_whether_it_was_the_vehicles_not_whether_it_still_is() -> None:
    """Derived: at odds of 999 at its height, failures that look a tenth as likely leave 99.9 to 1 that it was; charged lately, it is
    there still with .6 / .999 of that. Judged as if they told of today it would be .13.
    """
    one = np.array([[1.0]])
    verdicts = Verdicts(pl.Series(["V"]), ("inlet_lock",), one, one, one, {}, np.array([0.1]))
    none = LevelFactors(0 * one, -999 * one, 0 * one, no_levels(1, 1).evidence, np.array([-1]))
    odds, *_ = fault_odds(
        np.array([0.6]), np.array([0.999]), np.array([0.0]), verdicts, none, SETTINGS
    )
    was = 99.9 / 100.9
    assert odds[0, 0] / (1 + odds[0, 0]) == pytest.approx(was * 0.6 / 0.999)


def test_levels_tell_which_part_it_was_not_whether_it_is_gone() -> None:
    """Derived: a vehicle that surely was at fault and is so now with .2. Its failures look as likely like a leak's as like a lock's;
    its levels, the same all along, rule the leak out (1 to 10,000). It was the lock then, and is so now with .2 (.11, were the levels
    held against a fault that is there, but not against one that is mended). A leak's levels while it failed, none since: mended.
    """
    one = np.array([[0.5, 0.5]])
    verdicts = Verdicts(
        pl.Series(["V"]), ("pilot_leakage", "inlet_lock"), one, one * 2, one, {}, np.array([1.0])
    )
    ruled_out = np.log([[1e-4, 1.0]])
    never = np.array([[-999.0, -999.0]])
    at = np.array([0.2]), np.array([1.0]), np.array([0.0])
    row = np.array([-1])
    evidence = no_levels(1, 2).evidence

    def now(gone: NDArray[np.float64]) -> float:
        factors = LevelFactors(ruled_out, never, gone, evidence, row)
        odds, *_ = fault_odds(*at, verdicts, factors, SETTINGS)
        return float(odds.sum() / (1 + odds.sum()))

    assert now(ruled_out) == pytest.approx(0.2, rel=1e-3)
    assert now(0 * ruled_out) == pytest.approx(0.1 / 0.9, rel=1e-3)
    assert now(np.log([[1e4, 1.0]])) < 1e-4


def test_a_leak_that_failed_attempts_is_no_quiet_one_for_a_few_that_charged() -> None:
    """Derived: at fault for certain, and still so with .9, its levels those of a leak (10,000 to 1) all along. What they tell of a leak
    that is there they tell of one mended, so nine to one remain; they are no second leak that never failed an attempt, whose odds
    would be .004 times 10,000. Where it was a lock that is mended, and the levels tell of a leak only since, they are.
    """
    one = np.array([[1.0, 0.0]])
    verdicts = Verdicts(
        pl.Series(["V"]), ("pilot_diode_leaky", "inlet_lock"), one, one, one, {}, np.array([1.0])
    )
    leak, unlike = np.log([[1e4, 1.0]]), np.log([[1.0, 1.0]])
    row, evidence = np.array([-1]), no_levels(1, 2).evidence
    at = np.array([0.9]), np.array([1.0]), np.array([0.0])
    all_along = LevelFactors(leak, leak, leak, evidence, row)
    odds, failing, _ = fault_odds(*at, verdicts, all_along, SETTINGS)
    assert failing.sum() == pytest.approx(9, rel=1e-3)
    assert (odds - failing).sum() == pytest.approx(SETTINGS.quiet_prevalence, rel=0.01)
    since = LevelFactors(unlike, leak, unlike, evidence, row)
    odds, failing, _ = fault_odds(*at, verdicts, since, SETTINGS)
    assert (odds - failing).sum() == pytest.approx(40, rel=1e-3)


def test_quiet_faults_have_a_prevalence_of_their_own() -> None:
    """Odds = attribution's, times how telling the failures look, shared by looks, times the levels' factor, plus 0.4 % of quiet
    leaks times theirs.

    All times the direct signs (derived).
    """
    suspects = (
        "pilot_diode_shorted",
        "pilot_diode_leaky",
        "charger_input",
        "inlet_lock",
        "never_requests",
        "unclear",
    )
    looks = np.array([[0.4, 0.1, 0.2, 0.1, 0.1, 0.1]])
    direct = np.array([[2.0, 3.0, 1.0, 1.0, 5.0, 1.0]])
    verdicts = Verdicts(pl.Series(["V"]), suspects, looks, direct, looks, {}, np.array([1 / 9]))
    loud = np.log([[0.01, 2.0, 1.0, 1.0, 1.0, 1.0]])
    quiet = np.log([[0.1, 10.0, 1.0, 1.0, 1.0, 1.0]])
    factors = LevelFactors(loud, quiet, loud, no_levels(1, 6).evidence, np.array([-1]))
    odds, failing, _ = fault_odds(
        np.array([12 / 13]), np.array([12 / 13]), np.array([1 / 4]), verdicts, factors, SETTINGS
    )
    assert odds[0] == pytest.approx(
        [
            (4 * 0.4 * 0.01 + 0.001 * 0.1) * 2,
            (4 * 0.1 * 2 + 0.004 * 10) * 3,
            0.8,
            0.4,
            0.4 * 5,
            0.4,
        ]
    )
    assert (odds - failing)[0] == pytest.approx([0.001 * 0.1 * 2, 0.004 * 10 * 3, 0, 0, 0, 0])
    known = pl.DataFrame({"vehicle_id": ["V"], "p_vehicle": [0.8]})
    row = _suspected(known, odds, suspects).row(0, named=True)
    total = odds.sum()
    assert (row["p_attributed"], row["p_vehicle"]) == pytest.approx((0.8, total / (1 + total)))
    assert row["p_diode"] == pytest.approx((odds[0, 0] + odds[0, 1]) / (1 + total))
    assert (row["suspect"], row["p_suspect"]) == (
        "pilot_diode_leaky",
        pytest.approx(odds[0, 1] / total),
    )
    none = _suspected(known.clear(), odds[:0], suspects)
    assert none.is_empty()
    assert none.schema["suspect"] == pl.String


def stays_in_vain(*vehicles: str) -> pl.DataFrame:
    """Two minutes plugged in without charge, as each vehicle reported them."""
    rows = [
        (v, AT + timedelta(minutes=2 * i), event, i)
        for v in vehicles
        for i, event in enumerate(("plugged", "unplugged"))
    ]
    schema = {"vehicle_id": pl.String, "at_utc": UTC_US, "event": pl.String, "line": pl.Int64}
    return pl.DataFrame(rows, schema=schema, orient="row")


def test_every_vehicle_with_an_attempt_is_known() -> None:
    """In order of id, with its model; where attribution is silent it is insufficient_data with no counts.

    Who has no attempt is left out, unless a listed vehicle reported a stay in vain itself.
    """
    counts = (
        "ac_attempts",
        "ac_failures",
        "evses_failed_at",
        "early_b_failures",
        "dc_attempts",
        "dc_charged",
    )
    attributed = pl.DataFrame(
        {"vehicle_id": ["V", "gone"], "p_vehicle": [0.6, 0.5], "verdict": ["doubt", "clear"], "separable": [True, True],
         "reason": ["x", "y"],
         **{name: [3, 1] for name in counts}},
    )  # fmt: skip
    fleet = pl.DataFrame(
        {"vehicle_id": ["V", "U"], "vehicle_model": ["Crate", "Barrow"], "vin": ["1", "2"]}
    )
    attempts = pl.DataFrame({"vehicle_id": ["W", "V", None, "V"]})
    table = known_vehicles(
        inputs(attributed=Attributed(attributed, NOTHING, NOTHING, NOTHING), fleet=fleet),
        attempts,
        stays_in_vain("U", "V", "stranger"),
    )
    assert table["vehicle_id"].to_list() == ["U", "V", "W"]
    assert table["vehicle_model"].to_list() == ["Barrow", "Crate", None]
    _, v, w = table.to_dicts()
    assert (v["p_vehicle"], v["verdict"], v["separable"], v["reason"], *(v[c] for c in counts)) == (
        0.6,
        "doubt",
        True,
        "x",
        *[3] * 6,
    )
    nothing = "no attempt that charged or failed in the look-back."
    assert (w["p_vehicle"], w["verdict"], w["separable"], w["reason"], *(w[c] for c in counts)) == (
        0.0,
        "insufficient_data",
        False,
        nothing,
        *[0] * 6,
    )
    assert "vin" not in table.columns


def test_blame_is_counted_by_weight_and_evse() -> None:
    """AC attempts that failed; the EVSEs count with half a failure or silence or more.

    Blame times weight.
    """
    rows = [
        ("V", "E1", "AC", "failed", 0.3, 1.0), ("V", "E1", "AC", "failed", 0.4, 0.5), ("V", "E2", "AC", "failed", 0.9, 1.0),
        ("V", "E3", "AC", "failed", 0.49, 1.0), ("V", "E4", "AC", "charged", 1.0, 1.0), ("V", "E5", "DC", "failed", 1.0, 1.0),
        ("V", "E6", "AC", "failed", None, 1.0), (None, "E1", "AC", "failed", 1.0, 1.0), ("W", "E1", "AC", "charged", None, 1.0),
        ("V", "E7", "AC", "not_requested", 0.6, 1.0),
    ]  # fmt: skip
    schema = {"vehicle_id": pl.String, "evse_id": pl.String, "supply": pl.String, "outcome": pl.String, "p_vehicle": pl.Float64,
              "weight": pl.Float64}  # fmt: skip
    frame = pl.DataFrame(rows, schema=schema, orient="row")
    table = own_events(frame.with_columns(silent=pl.col("outcome") == "not_requested"))
    assert table.columns == ["vehicle_id", "blamed", "own_events", "blamed_evses"]
    failed = 0.3 + 0.2 + 0.9 + 0.49
    assert table.rows() == [("V", pytest.approx(failed), pytest.approx(failed + 0.6), 3)]


def test_who_shows_seldom_is_waited_for_the_longer() -> None:
    """Derived, events by chance (Poisson): three own in six weeks, a week holds one with 1 - exp(-1/2); two since Friday are two a week;
    what others explain counts by its share; charges and DC count for nothing; without an onset, since the look-back began.
    """
    end = LOOK_BACK.to_utc
    begun = {"S": end - timedelta(weeks=6), "F": end - timedelta(days=2), "N": None, "H": end - timedelta(weeks=1)}  # fmt: skip
    rows = [("S", "AC", "failed", 1.0)] * 3 + [
        ("S", "AC", "charged", 1.0),
        ("S", "DC", "failed", 1.0),
    ]
    rows += (
        [("F", "AC", "failed", 1.0)] * 2
        + [("N", "AC", "silent", 1.0)] * 12
        + [("H", "AC", "failed", 0.5)] * 2
    )
    frame = pl.DataFrame(
        rows, schema=["vehicle_id", "supply", "outcome", "p_vehicle"], orient="row"
    ).with_columns(weight=1.0, silent=pl.col("outcome") == "silent")
    since_utc = pl.DataFrame(
        {"vehicle_id": list(begun), "since_utc": list(begun.values())},
        schema_overrides={"since_utc": UTC_US},
    )
    table = weeks_to_show(frame, since_utc, LOOK_BACK).sort("vehicle_id")
    mean = {"F": 2.0, "H": 1.0, "N": 1.0, "S": 0.5}
    assert dict(table.rows()) == pytest.approx({v: 1 / (1 - np.exp(-m)) for v, m in mean.items()})


def test_levels_of_what_charged_do_not_clear_a_fault_that_comes_and_goes() -> None:
    """85 % of the faults are there at all attempts, of the rest only the levels at failures tell (derived)."""
    usual, bitten = no_levels(2, 3), no_levels(2, 3)
    usual = replace(usual, loud=np.array([[-9.0, 2.0, 0.0], [0.0, 0.0, 0.0]]))
    bitten = replace(bitten, loud=np.array([[0.0, 5.0, 0.0], [0.0, 0.0, 0.0]]))
    both = np.exp(usual.or_at_failures(bitten).loud)
    assert both[0] == pytest.approx(
        [0.85 * np.exp(-9) + 0.15, 0.85 * np.exp(2) + 0.15 * np.exp(5), 1.0]
    )
    assert both[1] == pytest.approx(1.0)
    assert np.array_equal(usual.or_at_failures(bitten).quiet, usual.quiet)


def test_what_is_measured_over_time_joins_the_row() -> None:
    """Median levels in B2, the trend, and the CP–PE reverse resistance, each one row a vehicle."""
    levels = pl.DataFrame(
        {
            "vehicle_id": ["V"] * 4,
            "state": ["B2", "B2", "B2", "C2"],
            "low_v": [-12.0, -11.0, -9.0, -5.0],
        }
    )
    drift = pl.DataFrame(
        {"vehicle_id": ["V", "W", "X"], "category": ["rising", "steady", "jumped"], "drift_since_utc": [AT, None, AT],
         "above_v": [0.2, 0.0, 3.0],
         "weeks": [5, 5, 5]}
    )  # fmt: skip
    levels = levels.with_columns(high_v=pl.Series([9.0, 8.9, 8.8, 6.0]))
    now = recent_levels(("V", "E1", 20e3, False), ("W", "E1", 10e3, False))
    factors = level_factors(now, pl.Series(["V", "W"]), ("pilot_leakage", "unclear"))
    table = pl.DataFrame(
        {"vehicle_id": ["V", "W"], "suspect": ["pilot_diode_leaky", "pilot_leakage"]}
    )
    low, path, drifts = _measured(levels, now, factors, table, drift)
    assert low.rows() == [("V", -11.0, 8.9)]
    assert low.columns == ["vehicle_id", "pilot_low_v", "pilot_high_v"]
    assert path["vehicle_id"].to_list() == ["V", "W"]
    assert path["reverse_path_ohm"][1] == pytest.approx(10e3, rel=0.2)
    assert path["reverse_path_ohm"][0] == pytest.approx(20e3, rel=0.05)
    assert drifts.rows() == [("V", True, AT, 0.2), ("W", False, None, 0.0), ("X", False, AT, 3.0)]
    assert drifts.columns == ["vehicle_id", "drifting", "drift_since_utc", "above_v"]


def test_a_case_teaches_what_it_looked_like_in_the_four_weeks_before() -> None:
    """Attempts from four weeks before the last finding up to it; each vehicle once.

    Nothing of who has no case.
    """
    found_at = AT
    usual: dict[str, Any] = {
        "vehicle_id": "V", "evse_id": "E1", "evse_model": "M", "supply": "AC", "coupler": "sType2", "outcome": "failed",
        "stage": "offered", "early_b": True, "fault": "PilotFault", "vehicle_fault": None, "check": "yes", "weight": 1.0,
        "p_vehicle": 1.0, "silent": False, "source": "ocpp16", "plugged_at_utc": found_at - DAY,
        "unplugged_at_utc": found_at,
    }  # fmt: skip
    rows = [
        usual, usual | {"evse_id": "E2", "plugged_at_utc": found_at - timedelta(weeks=4)},
        usual | {"evse_id": "E3", "plugged_at_utc": found_at - timedelta(weeks=4, seconds=1)},
        usual | {"evse_id": "E4", "plugged_at_utc": found_at}, usual | {"evse_id": "E5", "weight": 0.0},
        usual | {"evse_id": "E6", "outcome": "abandoned"}, usual | {"vehicle_id": "W"},
        usual | {"evse_id": "E7", "outcome": "charged", "p_vehicle": None},
    ]  # fmt: skip
    attempts = pl.DataFrame(
        rows, schema_overrides={"vehicle_fault": pl.Boolean, "plugged_at_utc": UTC_US}
    )
    found = told(
        ("V", found_at - 20 * DAY, "inlet_or_wiring", None), ("V", found_at, "diode_shorted", None),
        ("V", LOOK_BACK.to_utc, "charger_other", None), ("W", AT, "no_fault_found", None),
    )  # fmt: skip
    table = lessons(inputs(findings=found), attempts, LOOK_BACK, SETTINGS)
    assert table.schema == polars_schema("decision_lesson")
    assert set(table.select("vehicle_id", "found_at_utc", "suspect").rows()) == {
        ("V", found_at, "pilot_diode_shorted")
    }
    assert table.select("signature", "category", "amount").rows() == [
        ("at_checking", "charged", 1.0), ("at_checking", "failed", 2.0), ("at_socket", "charged", 1.0),
        ("at_socket", "failed", 2.0), ("fault_word", "pilot", 2.0), ("silence", "loud", 2.0), ("stopped_at", "early_b", 2.0),
    ]  # fmt: skip
    many = pl.concat(
        [attempts.with_columns(evse_id=pl.format("{}-{}", "evse_id", pl.lit(i))) for i in range(4)]
    )
    assert (
        lessons(inputs(findings=found), many, LOOK_BACK, SETTINGS)["amount"].max()
        == SETTINGS.witnesses_at_most
    )
