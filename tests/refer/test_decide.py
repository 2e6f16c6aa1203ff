"""Calls by stated costs, the cap on false referrals, and what people decided."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.core.weeks import LookBack
from pipeline.refer.decision import (
    call_units,
    call_vehicles,
    within_cap,
    worth_acting,
    worth_watching,
)
from pipeline.refer.inputs import Attributed, ReferInputs, join_findings
from pipeline.refer.review_status import review_status
from pipeline.registry import empty
from pipeline.settings.refer import ReferSettings

SETTINGS = ReferSettings()
UTC_US = pl.Datetime("us", "UTC")
LOOK_BACK = LookBack.of("2026-W14", 12)
DAY = timedelta(days=1)
END = LOOK_BACK.to_utc

USUAL: dict[str, Any] = {
    "vehicle_id": "V", "p_vehicle": 0.95, "separable": True, "p_mended": 0.0,
    "verdict": "fault", "blamed": 6.0, "own_events": 6.0, "blamed_evses": 1,
    "dismissed": False, "held": False, "accepted": False, "found": None, "repaired_at_utc": None, "drifting": False,
    "onset_utc": None, "suspect": "charger_input", "level_factor": 0.0, "fails_within": None,
    "weeks_to_show": 1.0,
}  # fmt: skip
PROVING = pl.DataFrame(schema={"vehicle_id": pl.String, "proving": pl.String, "tried": pl.Int64, "failed": pl.Int64,
                               "decided_at_utc": UTC_US})  # fmt: skip


def called(
    *rows: dict[str, Any], settings: ReferSettings = SETTINGS, proving: pl.DataFrame = PROVING
) -> pl.DataFrame:
    """Calls of vehicles that differ from a clear case for referral as stated."""
    types = {
        "fails_within": pl.Float64,
        "found": pl.String,
        "repaired_at_utc": UTC_US,
        "onset_utc": UTC_US,
    }
    table = pl.DataFrame(
        [USUAL | {"vehicle_id": f"V{i}"} | row for i, row in enumerate(rows)],
        schema_overrides=types,
    )
    return call_vehicles(table, proving, settings)


def test_break_even_probability() -> None:
    """Acting pays from visit / (visit + week).

    250 / 370 with the default costs, where both expectations are equal (derived).
    """
    p = worth_acting(250.0, 120.0)
    assert p == pytest.approx(250 / 370)
    assert p * 120.0 == pytest.approx((1 - p) * 250.0)
    assert worth_watching(15.0, 120.0) == pytest.approx(0.125)


@pytest.mark.parametrize(
    ("change", "call", "why"),
    [
        ({}, "refer", "costs more"),
        ({"p_vehicle": 0.66}, "watch", "not sure enough"),
        ({"separable": False}, "watch", "cannot tell it from what it was plugged into"),
        ({"separable": False, "level_factor": 3.1}, "refer", "costs more"),
        ({"separable": False, "blamed_evses": 2}, "refer", "costs more"),
        (
            {"separable": False, "blamed_evses": 1, "p_vehicle": 0.99},
            "watch",
            "cannot tell it from what",
        ),
        ({"separable": False, "level_factor": 2.9}, "watch", "cannot tell it from what"),
        (
            {"suspect": "pilot_diode_leaky", "blamed": 0.1, "fails_within": 0.9},
            "refer",
            "expected to fail",
        ),
        (
            {"suspect": "pilot_diode_leaky", "blamed": 0.1, "fails_within": 0.05},
            "watch",
            "not expected to fail",
        ),
        (
            {"suspect": "pilot_diode_leaky", "blamed": 3.0, "fails_within": 0.05},
            "refer",
            "waiting a week",
        ),
        (
            {
                "p_vehicle": 0.9,
                "drifting": True,
                "blamed": 0.0,
                "blamed_evses": 0,
                "verdict": "clear",
                "separable": False,
            },
            "watch",
            "cannot tell it from what",
        ),
        ({"p_vehicle": 0.01, "verdict": "clear"}, "clear", "too little speaks"),
        ({"p_vehicle": 0.01, "verdict": "clear", "p_mended": 0.6}, "clear", "for that being over"),
        ({"p_vehicle": 0.01, "verdict": "insufficient_data"}, "insufficient_data", "too little"),
        ({"dismissed": True}, "watch", "dismissed"),
        ({"held": True}, "watch", "held"),
        ({"found": "charger_input", "p_vehicle": 0.01}, "refer", "not reported repaired"),
    ],
)
def test_calls(change: dict[str, Any], call: str, why: str) -> None:
    """Each way to a call, and the reason given for it."""
    row = called(change).row(0, named=True)
    assert row["call"] == call
    assert why in row["why"]


@pytest.mark.parametrize(
    ("state", "change", "call"),
    [
        ("proving", {"own_events": 0.4}, "proving"),
        ("proving", {"own_events": 0.5, "blamed": 0.0}, "refer"),
        ("proving", {"own_events": 0.5, "p_vehicle": 0.6}, "proving"),
        ("proved", {"p_vehicle": 0.1, "verdict": "clear"}, "proved"),
        ("proved", {"p_vehicle": 0.2}, "watch"),
        ("proved", {}, "refer"),
        ("back", {}, "refer"),
    ],
)
def test_calls_after_repair(state: str, change: dict[str, Any], call: str) -> None:
    """Under test it stays so until it is likely at fault again, by failing or by silence, since the probability knows of the
    repair; a proved one is judged as any other: relapses are seen.
    """
    proving = pl.DataFrame(
        [("V0", state, 5, 0, END - 5 * DAY)], schema=PROVING.schema, orient="row"
    )
    repaired = {"found": "pilot_diode_shorted", "repaired_at_utc": END - 20 * DAY}
    assert called(repaired | change, proving=proving)["call"].to_list() == [call]


@given(st.lists(st.floats(0.0, 1.0), max_size=30), st.floats(0.1, 3.0))
def test_the_list_keeps_its_cap(ps: list[float], cap: float) -> None:
    """Law.

    Expected false referrals stay within the cap, and no vehicle waits while a less probable one is
    listed.
    """
    settings = ReferSettings(cap_false_referrals=cap)
    table = called(*({"p_vehicle": p} for p in ps), settings=settings) if ps else None
    if table is None:
        return
    listed = table.filter(pl.col("call") == "refer")["p_vehicle"].to_list()
    waiting = table.filter(pl.col("why").str.contains("list is full"))["p_vehicle"].to_list()
    assert sum(1 - p for p in listed) <= cap + 1e-9
    assert not listed or not waiting or min(listed) >= max(waiting)


def test_cap_counts_only_the_listed() -> None:
    """Vehicles that are not due take no room (derived: 0.1 + 0.2 within 0.35, 0.1 more not)."""
    frame = pl.DataFrame({"p": [0.9, 0.85, 0.8, 0.75], "due": [True, False, True, True]})
    kept = frame.select(within_cap(pl.col("p"), pl.col("due"), 0.35)).to_series().to_list()
    assert kept == [True, False, True, False]
    at_the_cap = pl.DataFrame({"p": [0.75, 0.75, 0.75], "due": [True] * 3})
    within = at_the_cap.select(within_cap(pl.col("p"), pl.col("due"), 0.5)).to_series().to_list()
    assert within == [True, True, False]


@pytest.mark.parametrize(("share", "listed"), [(0.0, 3), (0.05, 3), (0.2, 10)])
def test_a_long_list_may_hold_its_share_of_needless_visits(share: float, listed: int) -> None:
    """Ten vehicles at 0.9 are one expected needless visit: within a fifth of ten, not within 0.35 or a twentieth of ten (derived)."""
    settings = ReferSettings(cap_false_referrals=0.35, cap_false_share=share)
    table = called(*[{"p_vehicle": 0.9}] * 10, settings=settings)
    assert (table["call"] == "refer").sum() == listed


def test_equipment_is_faulty_only_where_attribution_is_sure() -> None:
    """Probability alone makes watch; that it can be told from its partners makes faulty.

    Thin and clear stay apart.
    """
    table = pl.DataFrame(
        {
            "p_evse": [0.97, 0.97, 0.3, 0.0, 0.0],
            "verdict": ["fault", "doubt", "doubt", "insufficient_data", "clear"],
            "sure": [True, False, True, True, True],
        }
    )
    assert call_units(table, "p_evse", 0.53, 0.08)["call"].to_list() == [
        "faulty",
        "watch",
        "watch",
        "insufficient_data",
        "clear",
    ]


def stood(
    reviews: list[tuple[str, datetime]], failures: list[tuple[datetime, str, float]], finding: tuple[str, datetime] | None = None,
    code_at: datetime | None = None, code: tuple[str | None, str | None] = ("P0D00", "confirmed"),
) -> dict[str, Any]:  # fmt: skip
    """Standing of V after reviews (decision, when), AC failures (when, EVSE, blame), a finding and
    a trouble code.
    """
    review = pl.DataFrame(
        [("V", "2026-W10", decision, "because", "Ines", at) for decision, at in reviews],
        schema=empty("decision_review").schema, orient="row",
    )  # fmt: skip
    attempts = pl.DataFrame(
        [("V", e, at, "AC", "failed", 1.0, p) for at, e, p in failures],
        schema={"vehicle_id": pl.String, "evse_id": pl.String, "plugged_at_utc": UTC_US, "supply": pl.String,
                "outcome": pl.String, "weight": pl.Float64, "p_vehicle": pl.Float64}, orient="row",
    )  # fmt: skip
    found = pl.DataFrame(
        [("V", finding[1], finding[0])] if finding else [], schema=FOUND, orient="row"
    )
    codes = pl.DataFrame([("V", code_at, *code)] if code_at else [], schema=CODES, orient="row")
    nothing = pl.DataFrame()
    inputs = ReferInputs(
        attempts=nothing, attributed=Attributed(nothing, nothing, nothing, nothing), fleet=nothing, equipment=nothing,
        dtcs=pl.concat([empty("raw_dtc"), codes], how="diagonal"), reviews=review,
        findings=join_findings(pl.concat([empty("raw_finding"), found], how="diagonal"), empty("decision_finding")),
    )  # fmt: skip
    return review_status(inputs, attempts, LOOK_BACK, SETTINGS).row(0, named=True)


FOUND = {"vehicle_id": pl.String, "at_utc": UTC_US, "finding": pl.String}
CODES = {"vehicle_id": pl.String, "at_utc": UTC_US, "dtc": pl.String, "dtc_status": pl.String}
SAID = END - 30 * DAY
OLD = [(SAID - d * DAY, f"E{d}", 1.0) for d in range(1, 9)]


def test_the_last_word_counts() -> None:
    """A later review supersedes an earlier one."""
    assert stood([("dismiss", SAID - DAY), ("hold", SAID)], [])["held"]
    assert not stood([("dismiss", SAID - DAY), ("accept", SAID)], [])["dismissed"]


def test_a_dismissed_vehicle_returns_only_on_new_evidence() -> None:
    """What failed before the dismissal does not bring it back, however much.

    New failures at two EVSEs do, so does a new code.
    """
    assert stood([("dismiss", SAID)], OLD)["dismissed"]
    one_evse = [(SAID + d * DAY, "E1", 1.0) for d in range(1, 9)]
    assert stood([("dismiss", SAID)], one_evse)["dismissed"]
    chance = [(SAID + d * DAY, f"E{d}", 0.1) for d in range(1, 9)]
    assert stood([("dismiss", SAID)], chance)["dismissed"]
    two = [(SAID + DAY, "E1", 0.99), (SAID + 2 * DAY, "E2", 0.99), (SAID + 3 * DAY, "E1", 0.9)]
    back = stood([("dismiss", SAID)], OLD + two)
    assert not back["dismissed"]
    assert back["new_failures"] == pytest.approx(2.88)
    assert not stood([("dismiss", SAID)], OLD, code_at=SAID + DAY)["dismissed"]
    assert stood([("dismiss", SAID)], OLD, code_at=SAID - DAY)["dismissed"]


def test_no_fault_found_stands_like_a_dismissal() -> None:
    """The workshop's word counts as a dismissal from its day on, over an earlier acceptance."""
    row = stood([("accept", SAID - DAY)], OLD, finding=("no_fault_found", SAID))
    assert row["dismissed"]
    assert row["said_by"] == "the workshop"
    assert row["found"] is None


def test_reviews_of_a_later_week_do_not_count() -> None:
    """A report of a past week shows what was known then."""
    with pytest.raises(pl.exceptions.OutOfBoundsError):
        stood([("dismiss", END + DAY)], [])


@pytest.mark.parametrize(
    ("change", "call"),
    [
        ({"p_vehicle": 0.676}, "refer"),
        ({"p_vehicle": 0.675}, "watch"),
        ({"blamed": 0.0, "blamed_evses": 0}, "refer"),
        ({"fails_within": 0.10, "blamed": 0.49}, "watch"),
        ({"fails_within": 0.12, "blamed": 0.49}, "refer"),
        ({"fails_within": 0.11, "blamed": 0.5}, "refer"),
        ({"p_vehicle": 0.125, "verdict": "clear"}, "watch"),
        ({"p_vehicle": 0.124, "verdict": "clear"}, "clear"),
        ({"dismissed": True, "p_vehicle": 0.1, "verdict": "clear"}, "clear"),
        ({"held": True, "p_vehicle": 0.1, "verdict": "clear"}, "watch"),
        (
            {
                "found": "charger_input",
                "repaired_at_utc": END - DAY,
                "p_vehicle": 0.01,
                "verdict": "clear",
            },
            "clear",
        ),
        ({"found": "charger_input", "dismissed": True, "p_vehicle": 0.01}, "refer"),
    ],
)
def test_calls_at_their_bounds(change: dict[str, Any], call: str) -> None:
    """250 / 370, a chance to fail of 0.05 · 250 / (0.95 · 120) = 0.11, 15 / 120.

    At the bound it is acted on, under it not (decided costs; derived).
    """
    assert called(change)["call"].to_list() == [call]


@pytest.mark.parametrize(
    ("p", "weeks", "call", "why"),
    [
        (0.60, 1.0, "watch", "not sure enough to refer"),
        (
            0.60,
            1.5,
            "refer",
            "it may take weeks to show again, and waiting so long costs more than a needless visit",
        ),
        (0.70, 1.5, "refer", "waiting a week costs more"),
        (
            0.52,
            2.0,
            "refer",
            "it may take weeks to show again, and waiting so long costs more than a needless visit",
        ),
        (0.50, 9.0, "watch", "not sure enough to refer"),
    ],
)
def test_waiting_lasts_until_it_shows_again(p: float, weeks: float, call: str, why: str) -> None:
    """Derived: p × weeks × 120 ≥ (1 − p) × 250 from p = .581 at a week and a half, .510 at two weeks, the most that counts."""
    row = called({"p_vehicle": p, "weeks_to_show": weeks}).row(0, named=True)
    assert row["call"] == call
    assert row["why"].startswith(why)


def test_a_leak_that_does_not_fail_yet_is_judged_by_the_week() -> None:
    """It has shown nothing to wait for: its plan says how soon it will."""
    row = {"p_vehicle": 0.6, "weeks_to_show": 2.0, "fails_within": 1.0, "blamed": 0.0}
    assert called(row)["call"].to_list() == ["watch"]


def test_the_first_reason_that_holds_is_given() -> None:
    """A full list, a vehicle not told from its EVSE, a rising negative level.

    Each with its own words, in order of vehicle.
    """
    rows = [
        {"p_vehicle": 0.7}, {"p_vehicle": 0.99, "separable": False}, {"p_vehicle": 0.98},
        {"p_vehicle": 0.5, "drifting": True}, {"p_vehicle": 0.5},
        {"p_vehicle": 0.98, "dismissed": True}, {"p_vehicle": 0.98, "held": True},
        {"p_vehicle": 0.01, "verdict": "insufficient_data"},
        {"p_vehicle": 0.01, "verdict": "clear"}, {"p_vehicle": 0.01, "found": "inlet_lock"},
    ]  # fmt: skip
    table = called(*rows, settings=ReferSettings(cap_false_referrals=0.1))
    assert table["vehicle_id"].to_list() == [f"V{i}" for i in range(len(rows))]
    assert table.select("call", "why").rows() == [
        ("watch", "due, but the week's list is full"),
        ("watch", "the data cannot tell it from what it was plugged into"),
        ("refer", "waiting a week costs more than a needless visit"),
        ("watch", "the pilot's negative level rises; not sure enough to refer"),
        ("watch", "not sure enough to refer"),
        ("watch", "dismissed, and nothing new enough since"),
        ("watch", "held by a reviewer"),
        ("insufficient_data", "too little evidence"),
        ("clear", "too little speaks against it to watch it"),
        ("refer", "the workshop found it and it is not reported repaired"),
    ]


@pytest.mark.parametrize(
    ("state", "why"),
    [
        ("back", "back from repair it failed the proving test"), ("proved", "back from repair it passed the proving test"),
        ("proving", "back from repair, too few attempts yet that would show"),
    ],
)  # fmt: skip
def test_reasons_after_repair(state: str, why: str) -> None:
    """What the proving test said stands in the reason, and while it runs or has passed the vehicle
    is not due.
    """
    proving = pl.DataFrame(
        [("V0", state, 5, 0, END - 5 * DAY)], schema=PROVING.schema, orient="row"
    )  # fmt: skip
    p = 0.1 if state == "proved" else 0.95
    change = {"repaired_at_utc": END - 20 * DAY, "own_events": 0.0, "p_vehicle": p}
    row = called(change, proving=proving).row(0, named=True)
    assert row["why"] == why
    assert row["due"] == (state == "back")


def test_equals_are_listed_in_order_of_id() -> None:
    """Where the cap cuts between vehicles of one probability, the list is the same whatever order
    they came in.
    """
    settings = ReferSettings(cap_false_referrals=0.11)
    rows = [{"vehicle_id": v, "p_vehicle": 0.9} for v in ("B", "A", "C")]
    types = {
        "fails_within": pl.Float64,
        "found": pl.String,
        "repaired_at_utc": UTC_US,
        "onset_utc": UTC_US,
    }
    for order in (rows, rows[::-1]):
        table = call_vehicles(
            pl.DataFrame([USUAL | r for r in order], schema_overrides=types), PROVING, settings
        )
        assert table.select("vehicle_id", "call").rows() == [
            ("A", "refer"),
            ("B", "watch"),
            ("C", "watch"),
        ]


def test_watching_is_never_dearer_than_even_odds() -> None:
    """However dear watching is, a unit more likely faulty than not is watched."""
    assert worth_watching(1000.0, 120.0) == 0.5


def test_equipment_at_its_bounds() -> None:
    """At the bound a unit is acted on or watched."""
    table = pl.DataFrame(
        {"p": [0.53, 0.529, 0.08, 0.079], "verdict": ["fault", "fault", "clear", "clear"]}
    ).with_columns(sure=pl.lit(value=True))
    assert call_units(table, "p", 0.53, 0.08)["call"].to_list() == [
        "faulty",
        "watch",
        "watch",
        "clear",
    ]


def test_where_people_left_a_vehicle() -> None:
    """Who said what, when and why; a finding's word and repair beside it.

    Counts of what failed since.
    """
    row = stood([("hold", SAID)], OLD, finding=("diode_leaky", SAID - DAY))
    assert (row["held"], row["dismissed"], row["accepted"]) == (True, False, False)
    assert (row["said_by"], row["said_why"], row["said_at_utc"]) == ("Ines", "because", SAID)
    assert (row["found"], row["finding"], row["found_at_utc"]) == (
        "pilot_diode_leaky",
        "diode_leaky",
        SAID - DAY,
    )
    assert (row["new_failures"], row["new_evses"]) == (0.0, 0)
    assert stood([("accept", SAID)], [])["accepted"]
    over = stood([("dismiss", SAID)], [], finding=("no_fault_found", SAID - DAY))
    assert (over["said_by"], over["said_at_utc"], over["dismissed"]) == ("Ines", SAID, True)
    same = stood([("hold", SAID)], [], finding=("no_fault_found", SAID))
    assert (same["said_by"], same["said_why"], same["dismissed"], same["held"]) == (
        "the workshop",
        "no fault found",
        True,
        False,
    )
    alone = stood([], [], finding=("no_fault_found", SAID))
    assert (alone["said_by"], alone["said_at_utc"], alone["dismissed"]) == (
        "the workshop",
        SAID,
        True,
    )
    told = stood([], OLD, finding=("charger_other", SAID))
    assert (told["said_by"], told["said_at_utc"], told["dismissed"], told["found"]) == (
        None,
        None,
        False,
        "charger_input",
    )


@pytest.mark.parametrize(
    ("since", "dismissed"),
    [
        ([(DAY, "E1", 1.0), (DAY, "E2", 1.0)], False),
        ([(DAY, "E1", 1.0), (DAY, "E2", 0.99)], True),
        ([(DAY, "E1", 1.6), (DAY, "E2", 0.5)], False),
        ([(DAY, "E1", 1.6), (DAY, "E2", 0.49)], True),
        ([(0 * DAY, "E1", 1.0), (DAY, "E2", 1.0), (DAY, "E3", 0.9)], True),
    ],
)
def test_what_brings_a_dismissed_vehicle_back(
    since: list[tuple[timedelta, str, float]],
    dismissed: bool,  # noqa: FBT001
) -> None:
    """Two vehicle-caused failures at two EVSEs blamed by half or more, after the word (bounds as
    set).
    """
    assert (
        stood([("dismiss", SAID)], [(SAID + d, e, p) for d, e, p in since])["dismissed"]
        == dismissed
    )


def test_a_code_told_without_its_status_counts() -> None:
    """Not every reader gives a status.

    A code without one is as new as a confirmed or pending one.
    """
    for status in (None, "pending", "confirmed"):
        assert not stood([("dismiss", SAID)], OLD, code_at=SAID + DAY, code=("P0D00", status))[
            "dismissed"
        ]


def test_codes_that_bring_nobody_back() -> None:
    """Cleared, empty or at the very moment of the word, a read-out is nothing new.

    Nor is one after the week.
    """
    for at, dtc, status in [(SAID + DAY, "P0D00", "cleared"), (SAID + DAY, None, None), (SAID, "P0D00", "confirmed"),
                            (END, "P0D00", "confirmed")]:  # fmt: skip
        assert stood([("dismiss", SAID)], OLD, code_at=at, code=(dtc, status))["dismissed"]


def test_the_ends_belong_to_what_they_bound() -> None:
    """A leak creeps below the stated number of failures, not at it; a vehicle relapses from the stated probability on (decided)."""
    settings = ReferSettings()
    refer_at = worth_acting(settings.cost_needless_visit, settings.cost_week_without_ac)
    less, enough = ({"fails_within": 0.5, "blamed": settings.not_yet_failures - k} for k in (1, 0))
    told = called(
        *({"p_vehicle": refer_at, "own_events": 99.0} | row for row in (less, enough)),
        settings=settings,
    )
    assert told["creeps"].to_list() == [True, False]
    assert told["relapsed"].to_list() == [True, True]
    assert told["likely"].to_list() == [True, True]
