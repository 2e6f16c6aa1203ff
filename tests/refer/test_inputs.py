"""What the stage takes.

The look-back's attempts with blame and check, attribution's answer one row a unit, findings once.
"""

from __future__ import annotations

from datetime import timedelta
from types import SimpleNamespace
from typing import Any, cast

import polars as pl
import pytest

from pipeline.attribute.attribution import Attribution
from pipeline.core.weeks import LookBack
from pipeline.refer.inputs import Attributed, ReferInputs, join_findings, judged_attempts
from pipeline.registry import empty

UTC_US = pl.Datetime("us", "UTC")
LOOK_BACK = LookBack.of("2026-W14", 12)
NOTHING = pl.DataFrame()


def judged(
    rows: list[tuple[str, Any, str, str, str | None]], checks: list[tuple[str, str, float]]
) -> pl.DataFrame:
    """Judged attempts from (attempt_id, plugged_at_utc, diode_check, evse_model, firmware) and what
    was learnt.
    """
    attempts = pl.DataFrame(
        rows, schema={"attempt_id": pl.String, "plugged_at_utc": UTC_US, "diode_check": pl.String, "evse_model": pl.String,
                      "firmware": pl.String}, orient="row",
    )  # fmt: skip
    learnt = pl.DataFrame(checks, schema=["evse_model", "firmware", "p_checks"], orient="row")
    blame = pl.DataFrame({"attempt_id": ["A1", "A9"], "p_vehicle": [0.7, 0.1]})
    inputs = ReferInputs(
        attempts, Attributed(NOTHING, NOTHING, NOTHING, blame, learnt), NOTHING, NOTHING
    )
    return judged_attempts(inputs, LOOK_BACK, 0.9)


def test_the_look_back_is_half_open_and_in_order() -> None:
    """Its first instant belongs to it, its end does not.

    Rows in order of time, then id, each with its blame or none.
    """
    a, z = LOOK_BACK.from_utc, LOOK_BACK.to_utc
    second = timedelta(seconds=1)
    rows: list[tuple[str, Any, str, str, str | None]] = [
        ("A5", z, "yes", "M", "1"), ("A4", z - second, "yes", "M", "1"), ("A9", a + second, "no", "M", None),
        ("A2", a, "unknown", "M", "1"), ("A1", a, "yes", "M", "1"), ("A0", a - second, "yes", "M", "1"),
    ]  # fmt: skip
    table = judged(rows, [("M", "1", 0.5)])
    assert table["attempt_id"].to_list() == ["A1", "A2", "A9", "A4"]
    assert table["p_vehicle"].to_list() == [0.7, None, 0.1, None]
    assert table.columns == [
        "attempt_id",
        "plugged_at_utc",
        "diode_check",
        "evse_model",
        "firmware",
        "p_vehicle",
        "silent",
        "check",
    ]
    assert table["firmware"].to_list() == ["1", "1", None, "1"]


@pytest.mark.parametrize(
    ("given", "learnt", "check"),
    [
        ("yes", 0.0, "yes"), ("no", 1.0, "no"), ("unknown", 0.9, "yes"), ("unknown", 0.89, "unknown"),
        ("unknown", 0.11, "unknown"), ("unknown", 0.09, "no"), ("unknown", None, "unknown"),
    ],
)  # fmt: skip
def test_whether_an_evse_checks_the_diode_is_given_or_learnt(
    given: str, learnt: float | None, check: str
) -> None:
    """What was delivered stands; else what was learnt counts from 90 % on, either way.

    Else it is not known.
    """
    for firmware in ("1", None):
        checks = (
            []
            if learnt is None
            else [("M", firmware or "", learnt), ("M", "2", 1.0), ("N", "1", 1.0)]
        )
        table = judged(
            [("A1", LOOK_BACK.from_utc, given, "M", firmware)], checks or [("N", "1", 1.0)]
        )
        assert table["check"].to_list() == [check]


def test_the_worst_of_a_unit_s_parts_stands() -> None:
    """An EVSE with two couplers, a pairing with two supplies: the likelier fault.

    Unknown vehicles are left out.
    """
    vehicles = pl.DataFrame({"vehicle_id": ["V", None], "p_vehicle": [0.5, 0.9]})
    evses = pl.DataFrame({"evse_id": ["E1", "E2", "E1"], "p_evse": [0.1, 0.2, 0.3]})
    pairs = pl.DataFrame(
        [
            ("Crate", "M", "1", 0.1), ("Crate", "M", "1", 0.4), ("Crate", "M", "2", 0.2), ("Barrow", "M", "1", 0.3),
            ("Crate", "N", "1", 0.05),
        ],
        schema=["vehicle_model", "evse_model", "firmware", "p_pairing"], orient="row",
    )  # fmt: skip
    blame = pl.DataFrame({"attempt_id": ["A"], "p_vehicle": [1.0]})
    models = pl.DataFrame({"evse_model": ["M", "N"], "firmware": ["1", ""], "more": [0, 0]})
    solutions = {
        "AC": SimpleNamespace(evidence=SimpleNamespace(models=models), checks=[0.9, float("nan")]),
        "DC": SimpleNamespace(evidence=SimpleNamespace(models=models.head(1)), checks=[0.5]),
    }
    answer = SimpleNamespace(
        vehicles=vehicles, evses=evses, pairings=pairs, blame=blame, solutions=solutions
    )
    taken = Attributed.of(cast("Attribution", answer))
    assert taken.vehicles["vehicle_id"].to_list() == ["V"]
    assert taken.evses.rows() == [("E1", 0.3), ("E2", 0.2)]
    assert taken.pairings["p_pairing"].to_list() == [0.4, 0.3, 0.2, 0.05]
    assert taken.blame.equals(blame)
    assert taken.checks.columns == ["evse_model", "firmware", "p_checks"]
    assert [row[:2] for row in taken.checks.rows()] == [("M", "1")]
    assert taken.checks["p_checks"][0] == pytest.approx(0.7)
    none = Attributed.of(cast("Attribution", SimpleNamespace(**(vars(answer) | {"solutions": {}}))))
    assert none.checks.is_empty()
    assert none.checks.schema == taken.checks.schema


def test_findings_of_both_ways_in_are_one_list() -> None:
    """By file and by hand, once each, in order of time, then vehicle.

    Every column the workshop can fill is kept.
    """
    at = LOOK_BACK.from_utc

    def told(name: str, *rows: tuple[str, Any, str, float | None]) -> pl.DataFrame:
        frame = pl.DataFrame(
            rows, schema={"vehicle_id": pl.String, "at_utc": UTC_US, "finding": pl.String, "cp_pe_reverse_ohm": pl.Float64},
            orient="row",
        )  # fmt: skip
        return pl.concat([empty(name), frame], how="diagonal")

    later = at + timedelta(days=1)
    files = told(
        "raw_finding", ("W", later, "no_fault_found", None), ("V", later, "diode_shorted", 2740.0)
    )
    by_hand = told(
        "decision_finding", ("V", later, "diode_shorted", 2740.0), ("X", at, "diode_leaky", 9e3)
    )
    joined = join_findings(files, by_hand)
    assert joined.columns == [
        "vehicle_id", "at_utc", "finding", "pp_pe_v", "cp_pe_forward_ohm", "cp_pe_reverse_ohm", "repaired_at_utc", "note",
    ]  # fmt: skip
    assert joined.select("vehicle_id", "finding", "cp_pe_reverse_ohm").rows() == [
        ("X", "diode_leaky", 9e3), ("V", "diode_shorted", 2740.0), ("W", "no_fault_found", None),
    ]  # fmt: skip


def test_without_word_from_people_or_workshop_there_are_empty_frames() -> None:
    """What was not delivered or said is an empty table as declared, not a missing one."""
    bare = ReferInputs(NOTHING, Attributed(NOTHING, NOTHING, NOTHING, NOTHING), NOTHING, NOTHING)
    for name, table in {
        "dtcs": "raw_dtc",
        "reviews": "decision_review",
        "lessons": "decision_lesson",
        "referrals": "decision_referral",
    }.items():
        assert getattr(bare, name).equals(empty(table))
    assert bare.findings.equals(join_findings(empty("raw_finding"), empty("decision_finding")))
    assert bare.attributed.checks.columns == ["evse_model", "firmware", "p_checks"]
