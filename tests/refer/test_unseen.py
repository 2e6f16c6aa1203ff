"""Plug-ins that only the vehicle reported: an open pilot line, told from charging elsewhere and from missing logs."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl
import pytest

from pipeline.refer.suspects.unseen import CAP, stays, unseen, with_seen

UTC_US = pl.Datetime("us", "UTC")
AT = datetime(2026, 3, 2, 8, tzinfo=UTC)
DAY, MINUTE = timedelta(days=1), timedelta(minutes=1)


def told(*rows: tuple[str, float, str]) -> pl.DataFrame:
    """What vehicles reported: vehicle, days since the beginning, event."""
    schema = {"vehicle_id": pl.String, "day": pl.Float64, "event": pl.String}
    frame = pl.DataFrame(rows, schema=schema, orient="row")
    at = pl.lit(AT).cast(UTC_US) + pl.duration(seconds=(pl.col("day") * 86_400).cast(pl.Int64))
    return frame.with_columns(at_utc=at, line=pl.int_range(pl.len())).drop("day")


def stay(vehicle: str, day: float, *, charged: bool = False) -> list[tuple[str, float, str]]:
    """One stay of about an hour."""
    begun = [(vehicle, day + 0.001, "charge_started")] if charged else []
    return [(vehicle, day, "plugged"), *begun, (vehicle, day + 0.04, "unplugged")]


def recorded(
    *rows: tuple[str, float],
    source: str = "ocpp16+telematics",
    outcome: str = "charged",
    stage: str = "delivering",
    minutes: float = 60.0,
) -> pl.DataFrame:
    """Attempts an EVSE recorded: vehicle, day."""
    frame = pl.DataFrame(rows, schema={"vehicle_id": pl.String, "day": pl.Float64}, orient="row")
    at = pl.lit(AT).cast(UTC_US) + pl.duration(seconds=(pl.col("day") * 86_400).cast(pl.Int64))
    return frame.with_columns(
        plugged_at_utc=at, unplugged_at_utc=at + timedelta(minutes=minutes), source=pl.lit(source), outcome=pl.lit(outcome),
        stage=pl.lit(stage), evse_id=pl.format("E{}", pl.int_range(pl.len()) % 3), coupler=pl.lit("sType2"),
        p_evse=pl.lit(None, dtype=pl.Float64), p_pairing=pl.lit(None, dtype=pl.Float64),
    )  # fmt: skip


def fleet(*extra: tuple[str, float, str]) -> pl.DataFrame:
    """Twenty vehicles with five stays each, and what is added."""
    usual = [
        row
        for v in range(20)
        for d in range(5)
        for row in stay(f"S{v:02d}", float(d), charged=True)
    ]
    return told(*usual, *extra)


SEEN = recorded(*((f"S{v:02d}", float(d)) for v in range(20) for d in range(5)))


def test_a_stay_is_from_plugged_to_unplugged() -> None:
    """Events between belong to it; what comes without a plugging is none."""
    frame = told(
        *stay("V", 0.0, charged=True),
        ("V", 1.0, "charge_started"),
        ("V", 1.1, "unplugged"),
        *stay("V", 2.0),
    )
    table = stays(frame).sort("from_utc")
    assert table["charged"].to_list() == [True, False]
    assert table["from_utc"].to_list() == [AT, AT + 2 * DAY]


@pytest.mark.parametrize(("away_min", "seen"), [(-62, True), (-64, False), (60, True), (62, False)])
def test_it_is_seen_where_an_evse_recorded_it_within_minutes(
    away_min: float, *, seen: bool
) -> None:
    """Three minutes between the two clocks still tell of one plug-in."""
    attempt = recorded(("V", away_min / 1440))
    found = with_seen(stays(told(*stay("V", 0.0))), attempt)
    assert found["seen"].to_list() == [seen]
    assert with_seen(stays(told(*stay("V", 0.0))), recorded(("V", 0.0), source="telematics"))[
        "seen"
    ].to_list() == [False]


def test_unseen_stays_are_weighed_against_logs_that_are_missing() -> None:
    """Three of 0.75, or 0.35, each against the fleet's hardly any, or, once in 33 vehicles, against 0.5 of lost logs; many are
    capped at 100,000 to 1 (derived).
    """
    three = fleet(*(row for d in range(3) for row in stay("V", float(d))))
    one = unseen(three, SEEN).filter(pl.col("vehicle_id") == "V").row(0, named=True)
    share = max(3 / 103, 0.02)
    mean = ((0.75 / share) ** 3 + (0.35 / share) ** 3) / 2
    usual = 0.97 + 0.03 * (0.5 / share) ** 3
    assert one["unseen_log_factor"] == pytest.approx(math.log(mean / usual))
    assert (one["stays"], one["unseen"], one["unseen_since_utc"]) == (3, 3, AT)
    many = fleet(*(row for d in range(40) for row in stay("V", float(d))))
    assert unseen(many, SEEN).filter(pl.col("vehicle_id") == "V")["unseen_log_factor"].item() == CAP


def test_a_stay_an_evse_recorded_without_a_name_was_seen() -> None:
    """Who pulls the plug before showing a card is nameless; plug and unplug at the vehicle's own times make it this vehicle."""
    frame = told(*stay("V", 0.0))
    until = stays(frame)["until_utc"].item()
    nameless = recorded(("V", 0.0)).with_columns(
        vehicle_id=pl.lit(None, dtype=pl.String), unplugged_at_utc=pl.lit(until)
    )
    assert with_seen(stays(frame), nameless)["seen"].to_list() == [True]
    other = nameless.with_columns(pl.col("unplugged_at_utc") + timedelta(minutes=4))
    assert with_seen(stays(frame), other)["seen"].to_list() == [False]


def test_charging_elsewhere_and_retries_say_nothing_more() -> None:
    """A stay that charged was elsewhere; two plug-ins within two hours are one visit."""
    charged = fleet(*(row for d in range(5) for row in stay("V", float(d), charged=True)))
    assert unseen(charged, SEEN).filter(pl.col("vehicle_id") == "V").is_empty()
    retries = fleet(*stay("V", 0.0), *stay("V", 0.05), *stay("V", 0.1))
    assert unseen(retries, SEEN).filter(pl.col("vehicle_id") == "V")["unseen"].to_list() == [1]


def test_who_is_seen_again_is_cleared() -> None:
    """An EVSE that sees it afterwards speaks against an open line, by 0.97 / 0.65 to 1 and more each time (derived)."""
    rows = [row for d in range(2) for row in stay("V", float(d))] + [
        row for d in range(2, 12) for row in stay("V", float(d), charged=True)
    ]
    attempts = pl.concat([SEEN, recorded(*(("V", float(d)) for d in range(2, 12)))])
    row = unseen(fleet(*rows), attempts).filter(pl.col("vehicle_id") == "V").row(0, named=True)
    assert row["unseen_log_factor"] < math.log(4)


def test_who_charges_elsewhere_is_plugged_in_there_too() -> None:
    """Ten stays charged at equipment that is not ours make five without charge worth little (derived: 0.75 / 0.5 each at most)."""
    rows = [row for d in range(10) for row in stay("V", float(d), charged=True)]
    rows += [row for d in range(10, 15) for row in stay("V", float(d))]
    row = unseen(fleet(*rows), SEEN).filter(pl.col("vehicle_id") == "V").row(0, named=True)
    assert row["unseen"] == 5
    mean = ((0.75 / 0.5) ** 5 + (0.35 / 0.5) ** 5) / 2
    assert row["unseen_log_factor"] == pytest.approx(math.log(mean), abs=0.3)


def test_a_card_after_which_no_vehicle_came_is_such_a_visit() -> None:
    """Accepted and abandoned before anything was seen, where messages alone tell; not where the pilot was recorded."""
    usual: dict[str, Any] = {"outcome": "abandoned", "stage": "offered", "minutes": 3.0}
    cards = recorded(*(("V", float(d)) for d in range(5)), source="ocpp16", **usual)
    row = (
        unseen(told(), pl.concat([SEEN, cards]))
        .filter(pl.col("vehicle_id") == "V")
        .row(0, named=True)
    )
    assert (row["unseen"], row["stays"]) == (5, 5)
    assert row["unseen_log_factor"] > math.log(1e4)
    watched = recorded(*(("V", float(d)) for d in range(5)), source="ocpp16+pilot", **usual)
    seen = unseen(told(), pl.concat([SEEN, watched])).filter(pl.col("vehicle_id") == "V")
    assert seen["unseen_log_factor"].item() == 0
    waits = recorded(
        *(("V", float(d)) for d in range(5)), source="ocpp16", **(usual | {"minutes": 16.0})
    )
    assert (
        unseen(told(), pl.concat([SEEN, waits]))
        .filter(pl.col("vehicle_id") == "V")["unseen"]
        .item()
        == 0
    )


def test_a_cable_that_was_not_in_use_is_not_open() -> None:
    """Unseen where the EVSE has its own cable: a line open in the vehicle, not in the cable it carries."""
    usual: dict[str, Any] = {"outcome": "abandoned", "stage": "offered", "minutes": 3.0}
    cards = recorded(*(("V", float(d)) for d in range(5)), source="ocpp16", **usual)
    for coupler, open_cable in (("cType2", False), ("sType2", True)):
        rows = pl.concat([SEEN, cards.with_columns(coupler=pl.lit(coupler))])
        row = unseen(told(), rows).filter(pl.col("vehicle_id") == "V").row(0, named=True)
        assert row["unseen_log_factor"] > math.log(1e4)
        assert (row["unseen_cable_log_factor"] > math.log(1e4)) == open_cable


def test_who_pulls_out_within_a_minute_wanted_nothing() -> None:
    """Stays of a minute and less that no EVSE told of are none."""
    at_once = told(
        *(
            ("V", d + m / 1440, what)
            for d in range(5)
            for m, what in ((0.0, "plugged"), (1.0, "unplugged"))
        )
    )
    assert unseen(at_once, SEEN).filter(pl.col("vehicle_id") == "V").is_empty()


def test_what_is_laid_on_the_evse_says_nothing_of_the_vehicle() -> None:
    """Unseen cards that attribution blames the EVSE for are no visits of the vehicle's line."""
    usual: dict[str, Any] = {"outcome": "abandoned", "stage": "offered", "minutes": 3.0}
    cards = recorded(*(("V", float(d)) for d in range(5)), source="ocpp16", **usual)
    blamed = cards.with_columns(p_evse=pl.lit(0.9), p_pairing=pl.lit(0.0))
    assert unseen(told(), pl.concat([SEEN, blamed])).filter(pl.col("vehicle_id") == "V").is_empty()


def test_an_evse_where_others_are_not_seen_either_speaks_for_itself() -> None:
    """Where half of the others' cards lead to nothing, five of one vehicle's are worth little (derived: 0.75 / 0.45 each at most)."""
    usual: dict[str, Any] = {"outcome": "abandoned", "stage": "offered", "minutes": 3.0}
    others = pl.concat(
        [
            recorded(
                *((f"W{i}", float(d)) for d in range(9)),
                source="ocpp16",
                **(usual if i % 2 else {}),
            )
            for i in range(40)
        ]
    )
    own = recorded(*(("V", float(d)) for d in range(5)), source="ocpp16", **usual)
    row = (
        unseen(told(), pl.concat([others, own]))
        .filter(pl.col("vehicle_id") == "V")
        .row(0, named=True)
    )
    assert row["unseen_log_factor"] < math.log(10)


def test_nobody_reports_nothing() -> None:
    """Without a visit there is no row."""
    assert unseen(fleet().clear(), SEEN.clear()).is_empty()
