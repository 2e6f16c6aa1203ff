"""What one message says: the predicates, and that the rules' views ask the same questions."""

from __future__ import annotations

from typing import Any

import duckdb
import polars as pl
import pytest

from pipeline.ocpp import predicates
from pipeline.registry import empty, load_folder

COLUMNS = (
    "action",
    "status",
    "event_type",
    "trigger_reason",
    "charging_state",
    "stop_reason",
    "id_token",
    "id_token_status",
    "fault",
)
START, STOP = {"action": "StartTransaction"}, {"action": "StopTransaction"}
EVENT = {"action": "TransactionEvent"}


def holds(predicate: pl.Expr, **told: Any) -> bool:
    """Whether a predicate holds of one message."""
    row = pl.DataFrame([dict.fromkeys(COLUMNS) | told], schema=dict.fromkeys(COLUMNS, pl.String))
    answer = row.select(said=predicate)["said"][0]
    assert isinstance(answer, bool), "a mask is never null"
    return answer


@pytest.mark.parametrize(
    ("name", "message", "want"),
    [
        ("is_start", START, True),
        ("is_start", EVENT | {"event_type": "Started"}, True),
        ("is_start", EVENT | {"event_type": "Updated", "id_token": "T"}, False),
        ("is_start", {"action": "Authorize"}, False),
        ("is_start", {}, False),
        ("is_stop", STOP, True),
        ("is_stop", EVENT | {"event_type": "Ended"}, True),
        ("is_stop", EVENT, False),
        ("takes_token", START | {"id_token": "T"}, True),
        ("takes_token", EVENT | {"event_type": "Updated", "id_token": "T"}, True),
        ("takes_token", EVENT | {"event_type": "Started"}, False),
        ("takes_token", EVENT | {"event_type": "Ended", "id_token": "T"}, False),
        ("takes_token", EVENT | {"event_type": "Updated", "trigger_reason": "StopAuthorized", "id_token": "T"}, False),
        ("takes_token", {"action": "Authorize", "id_token": "T"}, False),
        ("has_left", {"action": "StatusNotification", "status": "Available"}, True),
        ("has_left", {"action": "StatusNotification", "status": "Finishing"}, False),
        ("has_left", STOP | {"stop_reason": "EVDisconnected"}, True),
        ("has_left", STOP | {"stop_reason": "Local"}, False),
        ("has_left", EVENT | {"event_type": "Updated", "charging_state": "Idle"}, True),
        ("has_left", EVENT | {"event_type": "Started", "charging_state": "Idle"}, False),
        ("is_there", EVENT | {"event_type": "Started", "trigger_reason": "CablePluggedIn"}, True),
        ("is_there", EVENT | {"event_type": "Ended", "charging_state": "EVConnected"}, False),
        ("is_meant_stop", STOP, True),
        ("is_meant_stop", STOP | {"stop_reason": "Other"}, False),
        ("is_meant_stop", STOP | {"stop_reason": "PowerLoss", "fault": "PowerLoss"}, False),
        ("is_meant_stop", EVENT | {"event_type": "Ended", "trigger_reason": "AbnormalCondition"}, False),
        ("is_of_transaction", START, True),
        ("is_of_transaction", STOP, True),
        ("is_of_transaction", EVENT | {"event_type": "Updated"}, True),
        ("is_of_transaction", {"action": "Authorize"}, False),
        ("shows_token", {"action": "Authorize"}, True),
        ("shows_token", START, True),
        ("shows_token", EVENT | {"id_token": "T"}, True),
        ("shows_token", EVENT, False),
        ("shows_token", {"action": "StatusNotification", "id_token": "T"}, False),
        ("is_accepted", {}, True),
        ("is_accepted", {"id_token_status": "Accepted"}, True),
        ("is_accepted", {"id_token_status": "Blocked"}, False),
        ("has_left", EVENT | {"event_type": "Updated", "trigger_reason": "EVDeparted"}, True),
        ("has_left", EVENT | {"event_type": "Updated", "charging_state": "EVConnected"}, False),
        ("has_left", {"action": "Authorize", "stop_reason": "EVDisconnected"}, False),
        ("has_left", {"action": "NotifyEvent", "status": "Available"}, False),
        ("is_there", {"action": "StatusNotification", "status": "Charging"}, True),
        ("is_there", {"action": "StatusNotification", "status": "Available"}, False),
        ("is_there", START, True),
        ("is_there", EVENT | {"event_type": "Updated", "charging_state": "Charging"}, True),
        ("is_there", {"action": "Authorize", "trigger_reason": "CablePluggedIn"}, False),
        ("is_arrival", {"action": "StatusNotification", "status": "Preparing"}, True),
        ("is_arrival", {"action": "StatusNotification", "status": "Charging"}, False),
        ("is_arrival", EVENT | {"charging_state": "EVConnected", "trigger_reason": "CablePluggedIn"}, True),
        ("is_arrival", EVENT | {"charging_state": "EVConnected", "trigger_reason": "Authorized"}, False),
        ("is_arrival", EVENT | {"charging_state": "Charging", "trigger_reason": "CablePluggedIn"}, False),
        ("is_abnormal", EVENT | {"trigger_reason": "AbnormalCondition"}, True),
        ("is_abnormal", EVENT, False),
        ("is_meant_stop", STOP | {"fault": "GroundFailure"}, False),
        ("is_personal_stop", STOP | {"stop_reason": "Local", "fault": "GroundFailure"}, False),
        ("is_personal_stop", STOP | {"stop_reason": "Other"}, False),
        ("is_personal_stop", STOP, False),
        ("is_personal_stop", STOP | {"stop_reason": "Local"}, True),
        ("is_personal_stop", EVENT | {"event_type": "Ended", "trigger_reason": "StopAuthorized"}, True),
    ],
)  # fmt: skip
def test_what_one_message_says(name: str, message: dict[str, Any], *, want: bool) -> None:
    """Fields as OCPP 1.6 and 2.0.1 name them (published schemas); meanings decided."""
    assert holds(getattr(predicates, name)(), **message) is want


@pytest.mark.parametrize(
    ("message", "want"),
    [
        ({"action": "StatusNotification", "status": "Preparing", "charging_state": "Idle"}, "Preparing"),
        (EVENT | {"status": "Preparing", "charging_state": "Idle"}, "Idle"),
        (EVENT | {"status": "Preparing"}, None),
    ],
)  # fmt: skip
def test_a_connectors_state_is_its_status_or_the_charging_state(
    message: dict[str, Any], want: str | None
) -> None:
    """OCPP 1.6 StatusNotification, 2.0.1 TransactionEvent (published schemas)."""
    row = pl.DataFrame([dict.fromkeys(COLUMNS) | message], schema=dict.fromkeys(COLUMNS, pl.String))
    assert row.select(said=predicates.state())["said"].to_list() == [want]


@pytest.mark.parametrize(
    ("event", "trouble"),
    [
        ({"trigger_reason": "Delta", "variable": "State", "actual_value": "closed", "info": "Contactor closed"}, False),
        ({"trigger_reason": "Periodic", "variable": "SelfTest", "vendor_error_code": "RCD"}, False),
        ({"trigger_reason": "Delta", "variable": "Problem", "actual_value": "True"}, True),
        ({"trigger_reason": "Delta", "variable": "Tripped", "actual_value": "1"}, True),
        ({"trigger_reason": "Delta", "variable": "Fault", "actual_value": "faulted"}, True),
        ({"trigger_reason": "Delta", "variable": "Tripped", "actual_value": "Tripped"}, True),
        ({"trigger_reason": "Delta", "variable": "Tripped", "actual_value": "false"}, False),
        ({"trigger_reason": "Alerting", "variable": "Problem", "actual_value": "false"}, False),
        ({"trigger_reason": "Alerting", "variable": "Temperature", "actual_value": "91"}, True),
        ({"trigger_reason": "Alerting", "variable": "Problem", "actual_value": "true", "cleared": True}, False),
        ({"trigger_reason": None, "variable": None, "actual_value": None}, False),
    ],
)  # fmt: skip
def test_only_an_alert_or_a_variable_of_trouble_turned_true_tells(
    event: dict[str, Any], *, trouble: bool
) -> None:
    """2.0.1 NotifyEvent: Delta and Periodic report values as they change; what cleared is over (facts, public examples)."""
    rows = pl.DataFrame([event], schema_overrides={"cleared": pl.Boolean})
    rows = rows.with_columns(
        pl.lit(None, dtype=kind).alias(name)
        for name, kind in empty("raw_event").schema.items()
        if name not in rows.columns
    ).with_columns(pl.col("trigger_reason", "variable", "actual_value").cast(pl.String))
    assert rows.select(said=predicates.is_trouble_event())["said"].to_list() == [trouble]


def test_the_rules_views_ask_the_same_of_starts_and_stops() -> None:
    """`begins` and `ends` of the view `transaction` hold where `is_start` and `is_stop` do, over its actions and every event."""
    said = [("TransactionEvent", event) for event in (None, "Started", "Updated", "Ended")]
    said += [("StartTransaction", None), ("StopTransaction", None)]
    rows = [
        dict.fromkeys(COLUMNS) | {"action": action, "event_type": event} for action, event in said
    ]
    frame = pl.DataFrame(rows, schema=dict.fromkeys(COLUMNS, pl.String))
    sql = load_folder("views")["transaction"]["sql"]
    begins = sql.split("(SELECT *, ")[1].split(" AS begins")[0]
    ends = sql.split("AS begins,")[1].split(" AS ends")[0]
    con = duckdb.connect()
    con.register("said", frame.to_arrow())
    asked = con.sql(
        f"SELECT coalesce({begins}, false), coalesce({ends}, false) FROM said"
    ).fetchall()
    wanted = frame.select(begins=predicates.is_start(), ends=predicates.is_stop()).rows()
    assert asked == wanted
