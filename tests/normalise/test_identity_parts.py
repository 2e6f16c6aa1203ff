"""Who and what, step by step: the last delivery, tokens at a time, conflicts, firmware in force."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest

from pipeline.normalise.sessions.identities import by_token, conflicts, described, firmwares, latest
from tests.normalise.rows import frame, seconds_of


def test_the_last_delivery_of_a_key_counts() -> None:
    """By when its file was read, then by file and line.

    Rows come in order of their key, without where they came from.
    """
    rows = [
        {"vehicle_id": "b", "firmware": "new", "ingested_at_utc": 2, "file_id": "f1", "line": 1},
        {"vehicle_id": "b", "firmware": "old", "ingested_at_utc": 1, "file_id": "f9", "line": 9},
        {"vehicle_id": "a", "firmware": "first", "ingested_at_utc": 1, "file_id": "f1", "line": 2},
        {"vehicle_id": "a", "firmware": "second", "ingested_at_utc": 1, "file_id": "f1", "line": 3},
        {"vehicle_id": "c", "firmware": "z", "ingested_at_utc": 1, "file_id": "f2", "line": 1},
        {"vehicle_id": "c", "firmware": "y", "ingested_at_utc": 1, "file_id": "f1", "line": 5},
    ]
    assert latest(frame(rows), ["vehicle_id"]).rows() == [("a", "second"), ("b", "new"), ("c", "z")]


def token(vehicle: str, start: float | None, end: float | None, name: str = "T1") -> dict[str, Any]:
    """A row of the tokens' list."""
    return {"id_token": name, "vehicle_id": vehicle, "valid_from_utc": start, "valid_to_utc": end}


def test_spans_of_one_token_that_overlap_are_a_conflict() -> None:
    """Contract: two rows that overlap for one token; blank is open.

    Spans that touch do not overlap; case is nothing.
    """

    def spans(*rows: dict[str, Any]) -> list[tuple[Any, ...]]:
        found = conflicts(frame(list(rows)))
        starts, ends = seconds_of(found["valid_from_utc"]), seconds_of(found["valid_to_utc"])
        return list(
            zip(found["id_token"].to_list(), starts, ends, found["detail"].to_list(), strict=True)
        )

    said = "assigned to v1 and to v2 at once"
    assert spans(token("v1", 0, 100), token("v2", 50, None, "t1 ")) == [("T1", 50, 100, said)]
    assert spans(token("v1", None, 100), token("v2", None, 50)) == [("T1", None, 50, said)]
    assert spans(token("v1", None, None), token("v2", None, None)) == [("T1", None, None, said)]
    assert spans(token("v1", 0, None), token("v2", 50, None)) == [("T1", 50, None, said)]
    assert spans(token("v1", 0, 100), token("v2", 100, 200)) == []
    assert spans(token("v1", 100, 200), token("v2", 0, 100)) == []
    assert spans(token("v1", 0, 100), token("v1", 50, 150)) == []
    assert spans(token("v1", 0, 100), token("v2", 0, 100, "T2")) == []


@pytest.mark.parametrize(
    ("at", "told", "vehicle", "known_by"),
    [
        (-1, None, None, "none"),
        (0, None, "v1", "token"),
        (99, None, "v1", "token"),
        (100, None, None, "none"),
        (250, None, None, "conflict"),
        (250, "v9", None, "conflict"),
        (0, "v9", "v9", "export"),
        (-1, "v9", "v9", "export"),
        (350, None, "v3", "token"),
    ],
)
def test_who_charged_is_decided_by_the_token_at_that_time(
    at: float, told: str | None, vehicle: str | None, known_by: str
) -> None:
    """From its first instant on, not at its last; in an overlap nobody.

    The export's own word goes before the token's.
    """
    tokens = frame(
        [token("v1", 0, 100), token("v2", 200, 300), token("v3", 240, None), token("v3", 310, None)]
    )
    row = {"plugged_at_utc": at, "id_token": " t1", "vehicle_id": told}
    attempts = frame([row]).with_columns(attempt_id=pl.lit("a"))
    made = by_token(attempts, tokens).row(0, named=True)
    assert (made["vehicle_id"], made["vehicle_known_by"]) == (vehicle, known_by)


def test_an_attempt_without_a_card_is_nobodys() -> None:
    """And a card nobody holds too."""
    rows = [{"plugged_at_utc": 0}, {"plugged_at_utc": 0, "id_token": "other"}]
    attempts = frame(rows, "id_token", "vehicle_id").with_row_index("attempt_id")
    made = by_token(attempts, frame([token("v1", None, None)]))
    assert made["vehicle_known_by"].to_list() == ["none", "none"]
    assert made["vehicle_id"].to_list() == [None, None]


def test_firmware_changes_with_the_boot_that_names_another() -> None:
    """A boot with the same firmware is no change; each holds until the next.

    A boot that names none says nothing.
    """
    rows = [
        {"at_utc": 30, "firmware": "2"},
        {"at_utc": 0, "firmware": "1"},
        {"at_utc": 10, "firmware": "1"},
        {"at_utc": 20, "firmware": None},
        {"at_utc": 40, "firmware": "1"},
        {"at_utc": 5, "firmware": "9", "station_id": "st2"},
    ]
    found = firmwares(frame(rows, station_id="st1"))
    assert found.select("station_id", "firmware").rows() == [
        ("st1", "1"),
        ("st1", "2"),
        ("st1", "1"),
        ("st2", "9"),
    ]
    assert seconds_of(found["valid_from_utc"]) == [0, 30, 40, 5]
    assert seconds_of(found["valid_to_utc"]) == [30, 40, None, None]


def test_of_two_boots_at_one_instant_the_greater_firmware_counts() -> None:
    """One order, however the frames came."""
    rows = [{"at_utc": 0, "firmware": "b"}, {"at_utc": 0, "firmware": "a"}]
    assert firmwares(frame(rows, station_id="st1"))["firmware"].to_list() == ["b"]


def test_an_attempt_is_described_by_what_held_when_it_began() -> None:
    """The boot's firmware from its instant on, the list's before any.

    Models and supply by the lists; unknown stays null.
    """
    evse = {
        "evse_id": "e", "station_id": "st1", "connector_id": 1, "site_id": "s", "evse_model": "m", "supply": "AC",
        "diode_check": "yes", "connector_type": "sType2", "firmware": "9",
    }  # fmt: skip
    evses = pl.DataFrame([evse])
    boots = frame(
        [{"valid_from_utc": 100, "firmware": "10"}, {"valid_from_utc": 200, "firmware": "11"}],
        station_id="st1",
    )
    vehicles = pl.DataFrame({"vehicle_id": ["v"], "vehicle_model": ["vm"]})
    rows = [
        {"plugged_at_utc": t, "evse_id": "e", "vehicle_id": v}
        for t, v in ((99, "v"), (100, "x"), (250, None))
    ]
    made = described(
        frame([*rows, {"plugged_at_utc": 0, "evse_id": "gone"}]), evses, boots, vehicles
    ).sort("plugged_at_utc")
    assert made["firmware"].to_list() == [None, "9", "10", "11"]
    assert made["vehicle_model"].to_list() == [None, "vm", None, None]
    assert made["evse_model"].to_list() == [None, "m", "m", "m"]
    assert made["coupler"].to_list() == [None, "sType2", "sType2", "sType2"]
    assert made.height == 4
