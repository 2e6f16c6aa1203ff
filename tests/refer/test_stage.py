"""The refer stage from end to end on a few hand-made attempts.

Who is called what, and what of it is handed on.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import polars as pl
import pytest

from pipeline.core.weeks import LookBack
from pipeline.refer.inputs import Attributed, ReferInputs, join_findings
from pipeline.refer.referral import Referral, refer
from pipeline.registry import conform, empty, polars_schema
from pipeline.settings.refer import ReferSettings

LOOK_BACK = LookBack.of("2026-W14", 12)
END, DAY = LOOK_BACK.to_utc, timedelta(days=1)
UTC_US = pl.Datetime("us", "UTC")
SETTINGS = ReferSettings()
EVSES = ("E1", "E2", "E3", "E4")


def attempt(
    vehicle: str, evse: str, days_ago: float, *, failed: bool, **more: Any
) -> dict[str, Any]:
    """An AC attempt: a pilot fault on the step to C, or a charge."""
    at = END - timedelta(days=days_ago)
    blame = (
        {"p_vehicle": 0.96, "p_evse": 0.01, "p_pairing": 0.01, "p_other": 0.02} if failed else {}
    )
    row = {
        "attempt_id": f"{vehicle}-{evse}-{days_ago}", "vehicle_id": vehicle, "evse_id": evse, "station_id": evse,
        "connector_id": 1, "site_id": "depot", "evse_model": "M", "firmware": "1", "supply": "AC", "coupler": "sType2",
        "diode_check": "yes", "vehicle_model": "Crate", "vehicle_known_by": "token", "id_token": f"T{vehicle}",
        "plugged_at_utc": at, "unplugged_at_utc": at + timedelta(hours=1), "clock_error_s": 1.0, "source": "ocpp16",
        "lineage": [], "outcome": "failed" if failed else "charged", "stage": "requested" if failed else "delivering",
        "stage_seconds": 4.0, "fault": "PilotFault" if failed else None, "early_b": failed, "pilot_low_samples": 0,
        "energy_kwh": 0.0 if failed else 20.0, "distrust": False, "weight": 1.0,
        "suspended_evse": False, "charged_later": False,
    }  # fmt: skip
    return row | blame | more


ROWS = [
    *(attempt("bad", e, 10.5 - i, failed=True) for i, e in enumerate(EVSES)),
    *(attempt(v, e, 9.5 - i, failed=False) for v in ("sound", "back") for i, e in enumerate(EVSES)),
    *(attempt("back", e, 5.5 - i, failed=False) for i, e in enumerate(EVSES)),
    attempt("sound", "E1", 4.25, failed=True, p_vehicle=0.02, p_evse=0.1, p_other=0.87),
    *(attempt("unsure", "E4", 3.2 + i, failed=True, p_vehicle=0.5, p_evse=0.45) for i in range(3)),
    attempt("bad", "E1", -0.5, failed=False), attempt("gone", "E1", 90.0, failed=False),
]  # fmt: skip


def inputs(**given: Any) -> ReferInputs:
    """A fleet of four and a depot of four EVSEs, attributed by hand.

    One bad vehicle, one unsure between it and E4.
    """
    frame = pl.DataFrame(ROWS, infer_schema_length=None)
    counts = {
        "ac_attempts": 4,
        "ac_failures": 4,
        "evses_failed_at": 4,
        "early_b_failures": 4,
        "dc_attempts": 0,
        "dc_charged": 0,
    }
    onset = {
        "onset_utc": END - 11 * DAY,
        "onset_lo_utc": END - 12 * DAY,
        "onset_hi_utc": END - 10 * DAY,
    }
    known = [
        ("bad", 0.98, True, "fault", "4 of 4."), ("sound", 0.001, True, "clear", "1 of 5."),
        ("back", 0.001, True, "clear", "0 of 8."), ("unsure", 0.45, False, "doubt", "3 of 3."),
    ]  # fmt: skip
    names = ["vehicle_id", "p_vehicle", "separable", "verdict", "reason"]
    vehicles = pl.DataFrame(known, schema=names, orient="row").with_columns(
        *(
            pl.when(pl.col("vehicle_id") == "bad").then(pl.lit(at)).cast(UTC_US).alias(name)
            for name, at in onset.items()
        ),
        **{name: pl.lit(n) for name, n in counts.items()},
    )
    evses = pl.DataFrame(
        [(e, None, None, 0.45 if e == "E4" else 0.001, e != "E4", "doubt" if e == "E4" else "clear", "well.") for e in EVSES],
        schema={"evse_id": pl.String, "onset_utc": UTC_US, "onset_lo_utc": UTC_US, "p_evse": pl.Float64, "separable": pl.Boolean,
                "verdict": pl.String, "reason": pl.String}, orient="row",
    )  # fmt: skip
    pairs = pl.DataFrame(
        [("Crate", "M", "1", 0.001, "clear", "few.")], orient="row",
        schema=["vehicle_model", "evse_model", "firmware", "p_pairing", "verdict", "reason"],
    )  # fmt: skip
    blame = frame.select("attempt_id", "p_vehicle", "p_evse", "p_pairing", "p_other").filter(
        pl.col("p_vehicle").is_not_null()
    )
    missing = set(polars_schema("core_attempt")) - set(frame.columns)
    core = conform(frame.with_columns(**{name: pl.lit(None) for name in missing}), "core_attempt")
    cars = ("bad", "sound", "back", "unsure", "gone")
    fleet = pl.DataFrame(
        {
            "vehicle_id": cars,
            "vehicle_model": "Crate",
            "inlets": "cCCS2",
            "vin": None,
            "model_year": 2024,
        }
    )
    place = {"site_id": "depot", "supply": "AC", "connector_type": "sType2", "diode_check": "yes"}
    equipment = pl.DataFrame({"evse_id": EVSES} | place)
    usual = {
        "attempts": core,
        "attributed": Attributed(vehicles, evses, pairs, blame),
        "fleet": fleet,
        "equipment": equipment,
    }
    return ReferInputs(**(usual | given))


def told(*rows: tuple[str, Any, str, Any]) -> pl.DataFrame:
    """Findings: vehicle, when, what, when repaired."""
    schema = {
        "vehicle_id": pl.String,
        "at_utc": UTC_US,
        "finding": pl.String,
        "repaired_at_utc": UTC_US,
    }
    frame = pl.DataFrame(rows, schema=schema, orient="row")
    return join_findings(
        pl.concat([empty("raw_finding"), frame], how="diagonal"), empty("decision_finding")
    )


def decided(table: str, row: tuple[Any, ...]) -> pl.DataFrame:
    """One row of a table of the decisions store."""
    return pl.DataFrame([row], schema=empty(table).schema, orient="row")


REPAIRED = told(("back", END - 8 * DAY, "diode_shorted", END - 7 * DAY))


@pytest.fixture(scope="module")
def said() -> Referral:
    """The week's referral, a vehicle back from repair among them."""
    return refer(inputs(findings=REPAIRED), SETTINGS, "2026-W14")


def calls(referral: Referral) -> dict[str, str]:
    """Calls of the vehicles."""
    return dict(referral.vehicles.select("vehicle_id", "call").iter_rows())


def test_each_vehicle_is_called_by_what_stands_behind_it(said: Referral) -> None:
    """The bad one is referred, the unsure watched, the repaired in proving, the sound clear.

    Who did not plug in is not named.
    """
    assert calls(said) == {"back": "proving", "bad": "refer", "sound": "clear", "unsure": "watch"}
    assert list(said.packs) == ["bad"]
    assert said.listed.select("week", "vehicle_id").rows() == [("2026-W14", "bad")]
    row = said.vehicles.filter(pl.col("vehicle_id") == "bad").row(0, named=True)
    assert row["p_vehicle"] > 0.9
    assert row["onset"] == END - 11 * DAY
    assert [a.at for a in said.packs["bad"].strip] == [
        END - timedelta(days=10.5 - i) for i in range(4)
    ]


def test_equipment_is_called_too(said: Referral) -> None:
    """Counts of each EVSE in the look-back, the unsure one watched; the pairing clear."""
    assert said.evses.select("evse_id", "call", "attempts", "failures", "vehicles_failed").rows() == [
        ("E1", "clear", 5, 2, 2), ("E2", "clear", 4, 1, 1), ("E3", "clear", 4, 1, 1), ("E4", "watch", 7, 4, 2),
    ]  # fmt: skip
    assert said.pairings.select("call", "attempts", "failures", "vehicles", "evses").rows() == [
        ("clear", 20, 8, 4, 4)
    ]


def test_the_undecided_gets_tests(said: Referral) -> None:
    """Its question names E4; it is sent to healthy EVSEs of its site that check the diode."""
    assert said.questions.select("question", "rival").rows() == [("unsure", "E4")]
    assert said.next_tests.select("vehicle_id", "evse_id").rows() == [
        ("unsure", "E1"),
        ("unsure", "E2"),
    ]


def test_a_repair_is_proved_at_healthy_evses(said: Referral) -> None:
    """Four clean attempts since the repair, three at EVSEs neither watched nor faulty.

    Not yet proved; four would be enough.
    """
    assert calls(said)["back"] == "proving"
    quick = SETTINGS.model_copy(
        update={"proving_alpha": 0.2, "proving_beta": 0.2, "proving_faulty_fails": 0.45}
    )
    assert calls(refer(inputs(findings=REPAIRED), quick, "2026-W14"))["back"] == "proved"
    late = told(("back", END - 8 * DAY, "diode_shorted", END))
    assert calls(refer(inputs(findings=late), quick, "2026-W14"))["back"] != "proved"


def test_a_finding_teaches_at_once_and_is_kept(said: Referral) -> None:
    """The repaired vehicle's case stands among the lessons and moves the prior.

    A second run on the kept lessons is the same.
    """
    taught = told(("bad", END - 2 * DAY, "diode_shorted", None))
    first = refer(inputs(findings=taught), SETTINGS, "2026-W14")
    assert set(first.lessons["vehicle_id"]) == {"bad"}
    assert ("stopped_at", "early_b") in first.lessons.select("signature", "category").rows()
    moved = set(first.learning["signature"])
    assert {"vehicle_prior", "stopped_at"} <= moved
    again = refer(inputs(findings=taught, lessons=first.lessons), SETTINGS, "2026-W14")
    assert again.vehicles.equals(first.vehicles)
    assert again.learning.equals(first.learning)
    assert calls(first)["bad"] == "refer"
    assert (
        "not reported repaired" in first.vehicles.filter(pl.col("vehicle_id") == "bad")["reason"][0]
    )
    assert first.vehicles["p_diode"][1] != said.vehicles["p_diode"][1]


def test_what_comes_after_the_week_is_not_known_yet() -> None:
    """Findings, lessons and reviews from the week's end on change nothing of its report."""
    plain = refer(inputs(), SETTINGS, "2026-W14")
    finding = told(("bad", END, "charger_other", None))
    lesson = decided("decision_lesson", ("x", END, "charger_input", "stopped_at", "early_b", 50.0))
    review = decided("decision_review", ("bad", "2026-W14", "dismiss", "no", "Ines", END))
    later = refer(inputs(findings=finding, lessons=lesson, reviews=review), SETTINGS, "2026-W14")
    assert later.vehicles.equals(plain.vehicles)
    assert later.lessons.is_empty()
    assert later.learning.is_empty()
    kept = lesson.with_columns(found_at_utc=pl.lit(END - DAY).dt.cast_time_unit("us"))
    assert not refer(inputs(lessons=kept), SETTINGS, "2026-W14").learning.is_empty()


def test_what_people_decided_stands() -> None:
    """A dismissal after its failures keeps the bad vehicle off the list.

    A past listing with its finding is counted.
    """
    review = decided(
        "decision_review", ("bad", "2026-W14", "dismiss", "new cable", "Ines", END - DAY)
    )
    past = decided("decision_referral", ("2026-W13", "back", 0.9, 0.9, "unclear"))
    out = refer(inputs(reviews=review, findings=REPAIRED, referrals=past), SETTINGS, "2026-W14")
    assert calls(out)["bad"] == "watch"
    assert "Dismissed by Ines" in out.vehicles.filter(pl.col("vehicle_id") == "bad")["reason"][0]
    assert out.packs == {}
    assert out.precision.select("quarter", "referrals", "right", "open").rows() == [
        ("2026-Q1", 1, 1, 0)
    ]


def test_the_look_back_is_as_long_as_asked() -> None:
    """A vehicle last seen ninety days ago is in a look-back of fourteen weeks, not in one of
    twelve.
    """
    names = [
        set(refer(inputs(), SETTINGS, "2026-W14", weeks).vehicles["vehicle_id"])
        for weeks in (12, 14)
    ]
    assert names[1] - names[0] == {"gone"}
    assert names[0] == set(refer(inputs(), SETTINGS, "2026-W14").vehicles["vehicle_id"])


def test_the_order_of_rows_is_of_no_matter(said: Referral) -> None:
    """Attempts in another order give the same tables."""
    given = inputs(findings=REPAIRED)
    again = refer(replace(given, attempts=given.attempts.reverse()), SETTINGS, "2026-W14")
    for name in ("vehicles", "evses", "pairings", "next_tests"):
        assert getattr(again, name).equals(getattr(said, name))
        assert getattr(said, name).schema == polars_schema(f"out_{name}")
