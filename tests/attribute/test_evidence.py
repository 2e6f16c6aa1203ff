"""From attempts to evidence.

What counts, in which order, and which attempts may echo a failure before them.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import polars as pl
import pytest

from pipeline.attribute.echoes import ECHO_EVSE, ECHO_NONE, ECHO_SAME, ECHO_VEHICLE
from pipeline.attribute.evidence import (
    CHECK_NO,
    CHECK_UNKNOWN,
    CHECK_YES,
    Evidence,
    gather,
)
from pipeline.settings.attribute import AttributeSettings
from tests.attribute.planted import END, WEEK

SETTINGS = AttributeSettings()
USUAL = {
    "coupler": "cType2", "vehicle_model": "vm", "evse_model": "em", "firmware": "1", "supply": "AC", "outcome": "failed",
    "weight": 1.0, "diode_check": "yes",
}  # fmt: skip


def tried(vehicle: str | None, evse: str | None, at: datetime, **more: Any) -> dict[str, Any]:
    """One attempt; failed unless said otherwise."""
    return {"vehicle_id": vehicle, "evse_id": evse, "plugged_at_utc": at, **USUAL, **more}


def evidence(
    rows: list[dict[str, Any]], weeks: int = 12, repairs: pl.DataFrame | None = None
) -> Evidence:
    """Evidence on AC of the rows, named by their place in the list."""
    named = [{"attempt_id": f"a{i}", **row} for i, row in enumerate(rows)]
    times = pl.col("plugged_at_utc").cast(pl.Datetime("us", "UTC"))
    return gather(
        pl.DataFrame(named, infer_schema_length=None).with_columns(times),
        SETTINGS,
        WEEK,
        "AC",
        weeks,
        repairs,
    )


def minutes(after: float) -> datetime:
    """So many minutes after noon of the report week's Wednesday."""
    return END - timedelta(days=4.5) + timedelta(minutes=after)


def test_the_look_back_is_half_open() -> None:
    """Two weeks to 2026-W14 are [23 March, 6 April).

    An attempt on the first instant counts, one on the last does not.
    """
    begin, end = END - timedelta(days=14), END
    tick = timedelta(microseconds=1)
    rows = [tried("v", "e", at) for at in (begin - tick, begin, end - tick, end)]
    found = evidence(rows, weeks=2)
    assert found.attempt_id.to_list() == ["a1", "a2"]
    assert (found.day.tolist(), found.days, found.cut) == ([0, 13], 14, False)


def test_only_charged_and_failed_attempts_of_the_supply_at_a_known_evse_count() -> None:
    """Contract: a technical failure, a charge and a silence are evidence.

    Who was declined or left tells nothing.
    """
    ends = ("charged", "failed", "declined", "abandoned", "not_requested", "unknown")
    rows = [tried("v", "e", minutes(k), outcome=end) for k, end in enumerate(ends)]
    rows += [
        tried("v", None, minutes(7)),
        tried("v", "e", minutes(8), supply="DC"),
        tried("v", "e", minutes(9), supply=None),
    ]
    found = evidence(rows)
    assert found.attempt_id.to_list() == ["a0", "a1", "a4"]
    assert found.failed.tolist() == [False, True, False]
    assert found.silent.tolist() == [False, False, True]
    assert found.asked.tolist() == [True, False, False]


def test_the_logs_begin_on_the_monday_of_the_first_week_with_an_attempt_of_any_supply() -> None:
    """Twenty days before the end lies in the third last week.

    Three weeks remain, and they are said to be cut.
    """
    rows = [
        tried("v", "e", END - timedelta(days=1)),
        tried("v", "e", END - timedelta(days=20), supply="DC"),
    ]
    found = evidence(rows)
    assert (found.begin_utc, found.days, found.cut) == (END - timedelta(days=21), 21, True)
    assert found.at_days.tolist() == [20.0]
    first = evidence([tried("v", "e", END - timedelta(days=84))])
    assert (first.begin_utc, first.days, first.cut) == (END - timedelta(days=84), 84, False)


def test_attempts_stand_in_order_of_time_then_evse_then_id() -> None:
    """Rows in any order give one order, so that sums do not depend on how the attempts came."""
    at = minutes(0)
    rows = [
        tried("v", "e2", at),
        tried("w", "e1", at),
        tried("u", "e1", at),
        tried("x", "e3", at - timedelta(hours=1)),
    ]
    found = evidence(rows)
    assert found.attempt_id.to_list() == ["a3", "a1", "a2", "a0"]


def test_units_are_numbered_in_order_of_their_names_and_the_hidden_come_last() -> None:
    """A vehicle with neither id nor token is the number past the last, and so is its pairing.

    A token without a vehicle, and a vehicle or EVSE of unknown model, are units of their own that
    are not listed.  An EVSE is split by its coupler.
    """
    rows = [
        tried("v2", "e1", minutes(0)),
        tried("v1", "e1", minutes(200), coupler="cCCS2"),
        tried(None, "e2", minutes(400), vehicle_model=None),
        tried("v1", "e2", minutes(600), evse_model=None),
        tried("v2", "e2", minutes(800), firmware=None),
        tried(None, "e2", minutes(900), vehicle_model=None) | {"id_token": "t"},
        tried("v3", "e2", minutes(1000), vehicle_model=None),
    ]
    found = evidence(rows)
    listed = found.vehicles.filter("listed")["vehicle_id"].to_list()
    assert listed == ["v1", "v2", "v3"]
    assert found.vehicles.height == 4
    assert found.vehicle.tolist() == [1, 0, 4, 0, 1, 3, 2]
    evses = found.evses.select("evse_id", "coupler").rows()
    assert evses == [("e1", "cCCS2"), ("e1", "cType2"), ("e2", "cType2")]
    assert found.evse.tolist() == [1, 0, 2, 2, 2, 2, 2]
    pairings = found.pairings.filter("listed").drop("listed").rows()
    assert pairings == [("vm", "em", ""), ("vm", "em", "1")]
    assert found.pairing[[0, 1, 4]].tolist() == [1, 1, 0]
    assert found.pairing[2] == found.sizes[2] - 1
    assert len({*found.pairing[[3, 5, 6]].tolist(), 0, 1, found.sizes[2] - 1}) == 6


def test_places_and_hours_are_asked_of_only_where_somebody_was_silent() -> None:
    """A habit of not charging is one of a vehicle at a site, and at a quarter of the day; all
    places met are counted, so that the silent ones are not taken for the usual.
    """
    rows = [
        tried("v", "e", minutes(0), site_id="s", outcome="not_requested"),
        tried("v", "f", minutes(300), site_id="s", outcome="charged"),
        tried("v", "g", minutes(900), site_id="t", outcome="charged"),
        tried("w", "g", minutes(1000), site_id="t", outcome="charged"),
    ]
    found = evidence(rows)
    assert found.place.tolist() == [0, 0, 1, 1]
    assert found.sizes[4] == 2
    assert found.met[4] == 3
    assert found.hour[0] == 0
    assert found.sizes[5] == 2
    assert found.site.tolist() == [0, 0, 1, 1]
    assert found.sites["site_id"].to_list() == ["s"]


def test_weights_lie_between_nought_and_one_and_a_missing_one_is_full() -> None:
    """Distrust is a share: nothing counts more than once, nothing less than not at all."""
    rows = [
        tried("v", "e", minutes(200 * k), weight=w) for k, w in enumerate((None, 2.0, 0.3, -1.0))
    ]
    assert evidence(rows).weight.tolist() == [1.0, 1.0, 0.3, 0.0]


def test_a_habit_of_checking_that_is_not_listed_is_unknown() -> None:
    """Contract: `diode_check` is yes, no or unknown, and may be absent."""
    rows = [
        tried("v", "e", minutes(200 * k), diode_check=word)
        for k, word in enumerate(("yes", "no", "unknown", None))
    ]
    assert evidence(rows).check.tolist() == [CHECK_YES, CHECK_NO, CHECK_UNKNOWN, CHECK_UNKNOWN]


@pytest.mark.parametrize(
    ("vehicle", "evse", "after", "echo"),
    [
        ("v", "e", 30.0, ECHO_SAME),
        ("v", "e", 30.5, ECHO_EVSE),
        ("v", "f", 30.0, ECHO_VEHICLE),
        ("v", "f", 30.5, ECHO_NONE),
        ("w", "e", 120.0, ECHO_EVSE),
        ("w", "e", 120.5, ECHO_NONE),
        ("w", "f", 1.0, ECHO_NONE),
        (None, "e", 1.0, ECHO_EVSE),
        (None, "f", 1.0, ECHO_NONE),
    ],
)
def test_who_may_meet_a_passing_cause_again(
    vehicle: str | None, evse: str, after: float, echo: int
) -> None:
    """A retry within half an hour, by the same vehicle; anybody at the same EVSE within two hours.

    The limits count in.
    """
    found = evidence([tried("v", "e", minutes(0)), tried(vehicle, evse, minutes(after))])
    assert found.echo.tolist() == [ECHO_NONE, echo]
    assert found.previous.tolist() == [-1, 0 if echo else -1]


def test_a_charge_leaves_no_echo() -> None:
    """Only what failed can be met again."""
    found = evidence([tried("v", "e", minutes(0), outcome="charged"), tried("v", "e", minutes(1))])
    assert (found.echo.tolist(), found.previous.tolist()) == ([ECHO_NONE, ECHO_NONE], [-1, -1])


def test_a_vehicles_own_retry_goes_before_the_evses_outage() -> None:
    """Two failures a minute ago, its own elsewhere and another vehicle's here.

    It is its own that it may echo.
    """
    rows = [tried("v", "f", minutes(0)), tried("w", "e", minutes(1)), tried("v", "e", minutes(2))]
    found = evidence(rows)
    assert (found.echo.tolist(), found.previous.tolist()) == (
        [ECHO_NONE, ECHO_NONE, ECHO_VEHICLE],
        [-1, -1, 0],
    )


def test_two_unknown_vehicles_at_one_evse_count_as_one_and_elsewhere_as_strangers() -> None:
    """Nothing tells them apart at one EVSE; at two EVSEs nothing says that they are one."""
    here = evidence([tried(None, "e", minutes(0)), tried(None, "e", minutes(5))])
    assert here.echo.tolist() == [ECHO_NONE, ECHO_SAME]
    there = evidence([tried(None, "e", minutes(0)), tried(None, "f", minutes(5))])
    assert there.echo.tolist() == [ECHO_NONE, ECHO_NONE]


def test_the_last_attempt_before_counts_not_any_before() -> None:
    """A charge between two failures ends the passing cause."""
    rows = [
        tried("v", "e", minutes(0)),
        tried("v", "e", minutes(5), outcome="charged"),
        tried("v", "e", minutes(10)),
    ]
    found = evidence(rows)
    assert (found.echo.tolist(), found.previous.tolist()) == (
        [ECHO_NONE, ECHO_SAME, ECHO_NONE],
        [-1, 0, -1],
    )
