"""Which attempts were silent, and what speaks for a fault."""

from __future__ import annotations

import math
from datetime import timedelta
from typing import Any

import polars as pl
import pytest

from pipeline.attribute.silence import WEIGHTS, with_silence
from pipeline.attribute.stays import UNTOLD
from tests.attribute.planted import END

BASE: dict[str, Any] = {
    "attempt_id": "a", "vehicle_id": "v", "supply": "AC", "outcome": "not_requested",
    "stage": "offered", "plugged_at_utc": END, "unplugged_at_utc": END + timedelta(hours=2),
    "asked": False, "suspended_evse": False, "charged_later": False, "full_before": None,
    "soc_plug_pct": None, "soc_leave_pct": None, "wait_s": None,
}  # fmt: skip
TYPES = {
    "full_before": pl.Boolean, "wait_s": pl.Float64, "soc_plug_pct": pl.Float64, "soc_leave_pct": pl.Float64,
    "plugged_at_utc": pl.Datetime("us", "UTC"), "unplugged_at_utc": pl.Datetime("us", "UTC"),
}  # fmt: skip


def told(*changes: dict[str, Any]) -> pl.DataFrame:
    """The attempts with these changes, judged."""
    rows = [BASE | {"attempt_id": f"a{k}"} | change for k, change in enumerate(changes)]
    return (
        with_silence(pl.DataFrame(rows, schema_overrides=TYPES).lazy()).sort("attempt_id").collect()
    )


@pytest.mark.parametrize(
    ("change", "silent"),
    [
        ({}, True),
        ({"supply": "DC"}, False),
        ({"outcome": "failed", "stage": "requested", "asked": True}, False),
        ({"outcome": "abandoned"}, False),
        ({"outcome": "abandoned", "wait_s": 59.0}, False),
        ({"outcome": "abandoned", "wait_s": 74.0}, True),
        ({"outcome": "abandoned", "wait_s": 74.0, "asked": True}, False),
        ({"suspended_evse": True}, False),
        ({"charged_later": True}, False),
        ({"full_before": True}, False),
        ({"soc_plug_pct": 96.0}, False),
        ({"soc_leave_pct": 96.0}, False),
        ({"soc_plug_pct": 60.0}, True),
        ({"soc_plug_pct": 60.0, "soc_leave_pct": 96.0}, False),
        ({"asked": True, "stage": "requested"}, True),
    ],
    ids=[
        "never asked",
        "dc",
        "failed",
        "pulled out",
        "soon",
        "gave up",
        "asked and pulled",
        "load managed",
        "timer",
        "moved full",
        "full",
        "left full",
        "not full",
        "filled",
        "let go",
    ],
)  # fmt: skip
def test_a_silence_is_what_nothing_seen_explains(change: dict[str, Any], *, silent: bool) -> None:
    """Contract: never asked, or asked and let go, and no timer, full battery or load management."""
    row = told(change)
    assert row["silent"].to_list() == [silent]
    assert not (row["silent"] & row["asked"]).any()


@pytest.mark.parametrize(
    ("stage", "asked"),
    [
        ("offered", False),
        ("requested", True),
        ("energised", True),
        ("delivering", True),
        (None, False),
    ],
)
def test_a_failure_asked_from_its_stage_on(stage: str | None, *, asked: bool) -> None:
    """State C or later: the vehicle asked (IEC 61851-1); of a failure before nobody knows."""
    row = told({"outcome": "failed", "stage": stage, "asked": None})
    assert row["asked"].to_list() == [asked]


@pytest.mark.parametrize(("minutes", "again"), [(15.0, True), (15.1, False)])
def test_a_new_plug_in_counts_within_a_quarter_of_an_hour(minutes: float, *, again: bool) -> None:
    """From unplugging to the next plug-in; the quarter belongs to it (decided)."""
    later = {"plugged_at_utc": END + timedelta(hours=2, minutes=minutes)}
    assert told({}, later)["wish"][0] == pytest.approx(math.log(WEIGHTS["again"]) if again else 0.0)


@pytest.mark.parametrize(("hours", "counts"), [(3.0, True), (3.1, False)])
def test_a_charge_on_dc_counts_within_three_hours(hours: float, *, counts: bool) -> None:
    """From unplugging to the plug-in at DC; the three hours belong to it (decided)."""
    later = {
        "plugged_at_utc": END + timedelta(hours=2 + hours),
        "supply": "DC",
        "outcome": "charged",
    }
    want = math.log(WEIGHTS["direct_current"]) if counts else 0.0
    assert told({}, later)["wish"][0] == pytest.approx(want)


def test_what_happens_next_speaks_for_a_fault() -> None:
    """A new plug-in within minutes and a DC charge soon after; another vehicle's say nothing."""
    soon = {"plugged_at_utc": END + timedelta(hours=2, minutes=5)}
    fast = {**soon, "supply": "DC", "outcome": "charged"}
    again, direct = math.log(WEIGHTS["again"]), math.log(WEIGHTS["direct_current"])
    assert told({}, soon)["wish"][0] == pytest.approx(again)
    assert told({}, fast)["wish"][0] == pytest.approx(again + direct)
    assert told({}, fast | {"vehicle_id": "w"})["wish"][0] == 0.0
    late = {**fast, "plugged_at_utc": END + timedelta(hours=4)}
    assert told({}, late)["wish"][0] == pytest.approx(direct)


def test_what_came_before_says_nothing_of_what_comes_after() -> None:
    """Derived: of each attempt the same is said with all of its past and with none, so the report may leave out what lies
    before its look-back; what comes next counts.
    """
    times = [END + timedelta(hours=3 * k) for k in range(6)]
    rows = [
        {"vehicle_id": "vw"[k % 2], "plugged_at_utc": at, "unplugged_at_utc": at + timedelta(minutes=20),
         "supply": "AC" if k < 4 else "DC", "outcome": "not_requested" if k < 4 else "charged"}
        for k, at in enumerate(times)
    ]  # fmt: skip
    whole = told(*rows)
    for k, begin in enumerate(times):
        late = whole.filter(pl.col("plugged_at_utc") >= begin)
        alone = told(*rows[k:]).drop("attempt_id")
        assert alone.sort("plugged_at_utc").equals(late.drop("attempt_id").sort("plugged_at_utc"))


@pytest.mark.parametrize(
    ("soc", "left"), [(0.0, 0), (49.9, 0), (50.0, 1), (79.0, 1), (80.0, 2), (None, UNTOLD)]
)
def test_the_charge_at_leaving_is_low_between_or_high(soc: float | None, left: int) -> None:
    """Bounds of SOC_PCT, the upper one belonging to the next class; not known is a class of its own."""
    assert told({"soc_leave_pct": soc})["left"].to_list() == [left]


def test_columns_that_are_not_there_are_not_known() -> None:
    """Attempts of an export without a stage: who charged has asked, who waited was silent."""
    rows = pl.DataFrame(
        [BASE, BASE | {"attempt_id": "b", "outcome": "charged"}], schema_overrides=TYPES
    )
    bare = rows.select("attempt_id", "vehicle_id", "supply", "outcome", "plugged_at_utc")
    found = with_silence(bare.lazy()).sort("attempt_id").collect()
    assert found["silent"].to_list() == [True, False]
    assert found["asked"].to_list() == [False, True]


@pytest.mark.parametrize(
    ("change", "late"),
    [
        ({"charged_later": True}, True),
        ({"charged_later": True, "suspended_evse": True}, False),
        ({"charged_later": None}, False),
        ({"charged_later": True, "outcome": "not_requested"}, False),
    ],
    ids=["timer", "load managed", "not known", "no charge"],
)
def test_a_charge_long_after_the_plug_in_is_a_timer(change: dict[str, Any], *, late: bool) -> None:
    """Where the EVSE held it back it is load management."""
    rows = told({"outcome": "charged", "stage": "delivering"} | change)
    assert rows["late"].to_list() == [late]


@pytest.mark.parametrize(
    ("minutes", "stay"),
    [(0, 0), (9.9, 0), (10, 1), (59, 1), (60, 2), (240, 3), (480, 4), (None, UNTOLD)],
)
def test_a_stay_has_a_class_by_its_length(minutes: float | None, stay: int) -> None:
    """Bounds belong to the class above; a stay without an end has none."""
    at = BASE["plugged_at_utc"]
    end = None if minutes is None else at + timedelta(minutes=minutes)
    assert told({"unplugged_at_utc": end})["stay"].to_list() == [stay]


def test_a_stay_after_which_the_driver_plugs_in_again_at_once_is_weighed_as_that() -> None:
    """The new plug-in and the short stay tell of one thing: it counts once."""
    rows = told({}, {"plugged_at_utc": END + timedelta(minutes=5), "unplugged_at_utc": None})
    assert rows.sort("plugged_at_utc")["stay"][0] == UNTOLD
