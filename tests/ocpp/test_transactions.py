"""Starts and stops of OCPP 1.6 without an id (0 or below), worked by hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl
import pytest

from pipeline.ocpp.transactions import paired, without_ids
from pipeline.settings.energy import EnergySettings

T0 = datetime(2026, 3, 2, 8, tzinfo=UTC)
SCHEMA: dict[str, pl.DataType] = {
    "station_id": pl.String(),
    "version": pl.String(),
    "action": pl.String(),
    "event_type": pl.String(),
    "status": pl.String(),
    "connector_id": pl.Int64(),
    "transaction_id": pl.String(),
    "id_token": pl.String(),
    "meter_wh": pl.Float64(),
    "at_utc": pl.Datetime("us", "UTC"),
    "station_at_utc": pl.Datetime("us", "UTC"),
}
EVSES = pl.DataFrame(
    [("st", 1, 7.4), ("st", 2, 7.4), ("st", 3, 22.0), ("other", 1, 7.4)],
    schema={"station_id": pl.String(), "connector_id": pl.Int64(), "max_power_kw": pl.Float64()},
    orient="row",
)


def said(*messages: dict[str, Any]) -> pl.DataFrame:
    """Messages of station `st`, 1.6; `minute` from the first."""
    rows = []
    for message in messages:
        at = T0 + timedelta(minutes=message["minute"])
        told = {"station_id": "st", "version": "1.6", "at_utc": at, "station_at_utc": at} | message
        rows.append({name: told.get(name) for name in SCHEMA} | {"id_token": message.get("card")})
    return pl.DataFrame(rows, schema=SCHEMA)


def start(minute: float, connector: int, wh: float | None = 0.0, **told: Any) -> dict[str, Any]:
    """A start at a connector."""
    return {
        "minute": minute,
        "action": "StartTransaction",
        "connector_id": connector,
        "meter_wh": wh,
    } | told


def stop(minute: float, wh: float | None = 0.0, **told: Any) -> dict[str, Any]:
    """A stop; 1.6 names no connector in it."""
    return {"minute": minute, "action": "StopTransaction", "meter_wh": wh} | told


def available(minute: float, connector: int, status: str = "Available") -> dict[str, Any]:
    """A connector's own word that it is over."""
    return {"minute": minute, "action": "StatusNotification", "connector_id": connector, "status": status}  # fmt: skip


def ends(*messages: dict[str, Any]) -> list[int | None]:
    """The connector each stop was given, in order of the messages."""
    rows = paired(said(*messages), EVSES, EnergySettings())
    named = rows.filter(pl.col("transaction_id").is_not_null())
    begun = named.filter(pl.col("action") == "StartTransaction")
    stops = rows.filter(pl.col("action") == "StopTransaction")
    joined = stops.join(
        begun.select("transaction_id", begun="connector_id"), on="transaction_id", how="left",
        maintain_order="left",
    )  # fmt: skip
    assert joined["begun"].to_list() == joined["connector_id"].to_list()
    return joined["connector_id"].to_list()


@pytest.mark.parametrize(
    ("told", "version", "want"),
    [
        ("0", "1.6", None),
        ("-1", "1.6", None),
        ("1", "1.6", "1"),
        ("0", "2.0.1", "0"),
        ("a1b2", "1.6", "a1b2"),
        ("0", None, "0"),
    ],
)
def test_nought_and_below_is_no_id_in_1_6(told: str, version: str | None, want: str | None) -> None:
    """OCPP 1.6 StartTransaction.conf gives an integer of the centre's; in 2.0.1 the station's own text (published schemas)."""
    rows = pl.DataFrame(
        {"transaction_id": [told], "version": [version]}, schema_overrides={"version": pl.String}
    )
    assert without_ids(rows)["transaction_id"].to_list() == [want]
    assert without_ids(rows.drop("version"))["transaction_id"].to_list() == [
        None if told in {"0", "-1"} else told
    ]


def test_a_start_without_an_id_and_its_stop_share_one_made_of_connector_and_time() -> None:
    """The made id is the same at both; the stop learns its connector; other rows and their order stay."""
    rows = paired(
        said(start(0, 2), available(30, 2, "Finishing"), stop(30, 2000.0)), EVSES, EnergySettings()
    )
    made = f"no id, connector 2, {int(T0.timestamp() * 1000)}"
    assert rows["transaction_id"].to_list() == [made, None, made]
    assert rows["connector_id"].to_list() == [2, 2, 2]
    assert rows.columns == list(SCHEMA)


def test_rows_without_such_a_start_are_left_as_they_are() -> None:
    """A start with an id and its stop; nothing to pair."""
    rows = said(start(0, 1, transaction_id="7"), stop(10, transaction_id="7"))
    assert paired(rows, EVSES, EnergySettings()).equals(rows)


def test_a_stop_with_the_id_of_a_known_start_is_not_taken() -> None:
    """Two run at once; the stop of number 7 is its own, though the start without an id would fit."""
    rows = said(start(0, 1, transaction_id="7"), start(1, 2), stop(10, transaction_id="7"))
    done = paired(rows, EVSES, EnergySettings())
    assert done["transaction_id"].to_list()[0::2] == ["7", "7"]
    assert done["connector_id"].to_list() == [1, 2, None]


@pytest.mark.parametrize(
    ("messages", "want"),
    [
        ([start(0, 1), start(1, 2, 50_000.0), stop(30, 1000.0)], [1]),
        ([start(0, 1, 40_000.0), start(1, 2), stop(30, 1000.0)], [2]),
        ([start(0, 1), start(1, 3), stop(60, 9500.0)], [3]),
        ([start(0, 1, card="A"), start(1, 2, card="B"), stop(30, 1000.0, card="A")], [1]),
        ([start(0, 1, card="A"), start(1, 2, card="B"), stop(30, 1000.0, card="B")], [2]),
        ([start(0, 1), start(1, 2), stop(30, 1000.0), available(30.5, 1)], [1]),
        ([start(0, 1), start(1, 2), stop(30, 1000.0), available(30.5, 2)], [2]),
        ([start(0, 1), start(1, 2), stop(30, 1000.0), available(30.5, 2, "Finishing")], [2]),
        ([start(0, 1), start(1, 2), stop(30, 1000.0), available(32, 2)], [1]),
        ([start(0, 1, 500.0), start(1, 2), stop(30, 1000.0)], [1]),
        ([start(0, 1), start(1, 2), stop(30, 1000.0)], [1]),
        ([start(0, 1), start(1, 2), stop(30, 1000.0), stop(31, 900.0)], [2, 1]),
        ([start(0, 9), stop(30, 1000.0)], [9]),
        ([start(5, 1), stop(0, 0.0)], [None]),
        ([start(0, 1), stop(14 * 1440, 100.0)], [1]),
        ([start(0, 1), stop(14 * 1440 + 1, 100.0)], [None]),
        ([start(0, 1), start(10, 1, transaction_id="8"), stop(20, 100.0, transaction_id="5")], [None]),
    ],
    ids=[
        "a register cannot fall", "nor the other", "nor rise faster than the rating", "same card", "the other card",
        "the connector says so", "the other does", "it is finishing", "too late to say so", "least rise", "else the first begun",
        "each start once", "a connector no list names", "not before its start", "fourteen days", "no longer", "the next start ended it",
    ],
)  # fmt: skip
def test_which_start_a_stop_without_an_id_ends(
    messages: list[dict[str, Any]], want: list[int | None]
) -> None:
    """By register, then card, then the connector's own word, then the least rise, then who began first (decided)."""
    assert ends(*messages) == want


def test_a_stop_that_names_another_connector_stays_its_own() -> None:
    """Some stations add the connector to a stop."""
    rows = paired(said(start(0, 1), stop(20, 100.0, connector_id=2)), EVSES, EnergySettings())
    assert rows.select("transaction_id", "connector_id").row(1) == (None, 2)


def test_another_stations_stop_is_another_matter() -> None:
    """Pairs are of one station."""
    rows = said(start(0, 1), stop(10, 100.0, station_id="other"))
    assert paired(rows, EVSES, EnergySettings())["transaction_id"].to_list()[1] is None


def ids(*messages: dict[str, Any]) -> list[str | None]:
    """The transaction of each message, in order."""
    return paired(said(*messages), EVSES, EnergySettings())["transaction_id"].to_list()


def test_a_start_whose_answer_is_lost_takes_the_id_of_its_stop_and_of_its_meters_values() -> None:
    """One transaction, not two: else its energy counts twice, by start and stop and by the meter's values."""
    values = {"minute": 15, "action": "MeterValues", "connector_id": 1, "transaction_id": "1118"}
    told = ids(start(0, 1, 100.0), values, stop(60, 3400.0, transaction_id="1118"))
    assert told == ["1118"] * 3


def test_an_id_that_two_stops_bear_is_nobodys() -> None:
    """A station that writes one id into every stop whose start got none: two transactions stay two."""
    one = {"transaction_id": "7"}
    told = ids(
        start(0, 1, 0.0), stop(60, 900.0, **one), start(70, 1, 900.0), stop(99, 1900.0, **one)
    )
    assert told[0] == told[1] != told[2] == told[3]
    assert "7" not in told
