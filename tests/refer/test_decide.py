"""Calls by stated costs, the cap on false referrals, and what people decided."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.refer.decide import call_units, call_vehicles, within_cap, worth_acting, worth_watching
from pipeline.refer.inputs import Attributed, ReferInputs, join_findings
from pipeline.refer.standing import standing
from pipeline.registry import empty
from pipeline.settings.refer import ReferSettings
from pipeline.weeks import LookBack

SETTINGS = ReferSettings()
UTC_US = pl.Datetime("us", "UTC")
LOOK_BACK = LookBack.of("2026-W14", 12)
DAY = timedelta(days=1)
END = LOOK_BACK.to_utc

USUAL: dict[str, Any] = {
    "vehicle_id": "V", "p_vehicle": 0.95, "separable": True, "verdict": "fault", "blamed": 6.0, "blamed_evses": 3,
    "dismissed": False, "held": False, "accepted": False, "found": None, "repaired_at_utc": None, "drifting": False,
    "asks": "asks", "onset_utc": None, "suspect": "charger_input",
}  # fmt: skip
PROVING = pl.DataFrame(schema={"vehicle_id": pl.String, "proving": pl.String, "tried": pl.Int64, "failed": pl.Int64,
                               "decided_at_utc": UTC_US})  # fmt: skip


def called(*rows: dict[str, Any], settings: ReferSettings = SETTINGS, proving: pl.DataFrame = PROVING) -> pl.DataFrame:
    """Calls of vehicles that differ from a clear case for referral as stated."""
    types = {"found": pl.String, "repaired_at_utc": UTC_US, "onset_utc": UTC_US}
    table = pl.DataFrame([USUAL | {"vehicle_id": f"V{i}"} | row for i, row in enumerate(rows)], schema_overrides=types)
    return call_vehicles(table, proving, settings)


def test_break_even_probability() -> None:
    """Acting pays from visit / (visit + week): 250 / 370 with the default costs, where both expectations are equal (derived)."""
    p = worth_acting(250.0, 120.0)
    assert p == pytest.approx(250 / 370)
    assert p * 120.0 == pytest.approx((1 - p) * 250.0)
    assert worth_watching(15.0, 120.0) == pytest.approx(0.125)


@pytest.mark.parametrize(
    ("change", "call", "why"),
    [
        ({}, "refer", "costs more"),
        ({"p_vehicle": 0.66}, "watch", "not sure enough"),
        ({"separable": False}, "watch", "cannot tell it from its EVSE"),
        ({"blamed_evses": 1}, "watch", "not sure enough"),
        ({"blamed": 1.4}, "watch", "not sure enough"),
        ({"p_vehicle": 0.9, "drifting": True, "blamed": 0.0, "blamed_evses": 0, "verdict": "clear"}, "watch", "rises"),
        ({"p_vehicle": 0.01, "verdict": "clear"}, "clear", "nothing"),
        ({"p_vehicle": 0.01, "verdict": "thin"}, "thin", "too little"),
        ({"dismissed": True}, "watch", "dismissed"),
        ({"held": True}, "watch", "held"),
        ({"blamed": 0.0, "asks": "never_asks", "suspect": "never_requests", "separable": False}, "refer", "costs more"),
        ({"blamed": 0.0, "asks": "seldom_asks", "suspect": "never_requests"}, "watch", "not sure enough"),
        ({"found": "charger_input", "p_vehicle": 0.01}, "refer", "not reported repaired"),
    ],
)
def test_calls(change: dict[str, Any], call: str, why: str) -> None:
    """Each way to a call, and the reason given for it."""
    row = called(change).row(0, named=True)
    assert row["call"] == call
    assert why in row["why"]


@pytest.mark.parametrize(
    ("state", "onset", "call"),
    [("proving", None, "proving"), ("proved", None, "proved"), ("back", None, "refer"), ("proved", END - 1 * DAY, "refer")],
)
def test_calls_after_repair(state: str, onset: datetime | None, call: str) -> None:
    """Proving, proved, back to refer; a proved vehicle with a new onset is judged like any other."""
    proving = pl.DataFrame(
        [("V0", state, 5, 0, END - 5 * DAY)], schema=["vehicle_id", "proving", "tried", "failed", "decided_at_utc"], orient="row"
    ).with_columns(pl.col("decided_at_utc").dt.cast_time_unit("us"))
    change = {"found": "pilot_diode_shorted", "repaired_at_utc": END - 20 * DAY, "onset_utc": onset}
    assert called(change, proving=proving)["call"].to_list() == [call]


@given(st.lists(st.floats(0.0, 1.0), max_size=30), st.floats(0.1, 3.0))
def test_the_list_keeps_its_cap(ps: list[float], cap: float) -> None:
    """Law: expected false referrals stay within the cap, and no vehicle waits while a less probable one is listed."""
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


def test_equipment_is_faulty_only_where_attribution_is_sure() -> None:
    """Probability alone makes watch; the verdict 'fault' makes faulty; thin and clear stay apart."""
    table = pl.DataFrame({"p_evse": [0.97, 0.97, 0.3, 0.0, 0.0], "verdict": ["fault", "doubt", "doubt", "thin", "clear"]})
    assert call_units(table, "p_evse", 0.53, 0.08)["call"].to_list() == ["faulty", "watch", "watch", "thin", "clear"]


def stood(
    reviews: list[tuple[str, datetime]], failures: list[tuple[datetime, str, float]], finding: tuple[str, datetime] | None = None,
    code_at: datetime | None = None,
) -> dict[str, Any]:  # fmt: skip
    """Standing of V after reviews (decision, when), AC failures (when, EVSE, blame), a finding and a trouble code."""
    review = pl.DataFrame(
        [("V", "2026-W10", decision, "because", "Ines", at) for decision, at in reviews],
        schema=empty("decision_review").schema, orient="row",
    )  # fmt: skip
    attempts = pl.DataFrame(
        [("V", e, at, "AC", "failed", 1.0, p) for at, e, p in failures],
        schema={"vehicle_id": pl.String, "evse_id": pl.String, "plugged_at_utc": UTC_US, "supply": pl.String,
                "outcome": pl.String, "weight": pl.Float64, "p_vehicle": pl.Float64}, orient="row",
    )  # fmt: skip
    found = pl.DataFrame([("V", finding[1], finding[0])] if finding else [], schema=FOUND, orient="row")
    codes = pl.DataFrame([("V", code_at, "P0D00", "confirmed")] if code_at else [], schema=CODES, orient="row")
    nothing = pl.DataFrame()
    inputs = ReferInputs(
        attempts=nothing, attributed=Attributed(nothing, nothing, nothing, nothing), fleet=nothing, equipment=nothing,
        dtcs=pl.concat([empty("raw_dtc"), codes], how="diagonal"), reviews=review,
        findings=join_findings(pl.concat([empty("raw_finding"), found], how="diagonal"), empty("decision_finding")),
    )  # fmt: skip
    return standing(inputs, attempts, LOOK_BACK, SETTINGS).row(0, named=True)


FOUND = {"vehicle_id": pl.String, "at_utc": UTC_US, "finding": pl.String}
CODES = {"vehicle_id": pl.String, "at_utc": UTC_US, "dtc": pl.String, "dtc_status": pl.String}
SAID = END - 30 * DAY
OLD = [(SAID - d * DAY, f"E{d}", 1.0) for d in range(1, 9)]


def test_the_last_word_counts() -> None:
    """A later review supersedes an earlier one."""
    assert stood([("dismiss", SAID - DAY), ("hold", SAID)], [])["held"]
    assert not stood([("dismiss", SAID - DAY), ("accept", SAID)], [])["dismissed"]


def test_a_dismissed_vehicle_returns_only_on_new_evidence() -> None:
    """What failed before the dismissal does not bring it back, however much; new failures at two EVSEs do, so does a new code."""
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
