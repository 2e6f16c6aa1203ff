"""What we read of a message agrees with the published JSON schemas of OCPP 1.6 and 2.0.1 (bundled
by the `ocpp` package).
"""

from __future__ import annotations

import copy
import json
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from delivered import frame, put, read, reasons
from jsonschema import Draft6Validator

from pipeline.ingest.frame_paths import ANSWER, CALL, REQUIRED
from pipeline.storage.warehouse import Connection, query

MESSAGES = sorted(REQUIRED)
TIME = "2026-03-02T10:00:00Z"
METER = [{"timestamp": TIME, "sampledValue": [{"value": "1500", "unit": "Wh"}]}]
METER201 = [
    {
        "timestamp": TIME,
        "sampledValue": [{"value": 1.5, "unitOfMeasure": {"unit": "Wh", "multiplier": 3}}],
    }
]
EVENT = {
    "eventId": 1, "timestamp": TIME, "trigger": "Alerting", "actualValue": "true",
    "eventNotificationType": "HardWiredNotification",
    "component": {"name": "ControlPilot", "evse": {"id": 2, "connectorId": 1}}, "variable": {"name": "Problem"},
    "techCode": "X1", "techInfo": "negative level", "cleared": False, "transactionId": "t1",
}  # fmt: skip
PAYLOADS: dict[tuple[str, str], dict[str, Any]] = {
    ("1.6", "StatusNotification"): {
        "connectorId": 1, "errorCode": "NoError", "status": "Preparing", "timestamp": TIME,
        "info": "i", "vendorId": "v", "vendorErrorCode": "e",
    },
    ("1.6", "StartTransaction"): {"connectorId": 1, "idTag": "T", "meterStart": 5, "timestamp": TIME},
    ("1.6", "StopTransaction"): {
        "transactionId": 7, "meterStop": 9, "timestamp": TIME, "reason": "EVDisconnected", "idTag": "T", "transactionData": METER,
    },
    ("1.6", "MeterValues"): {"connectorId": 1, "transactionId": 7, "meterValue": METER},
    ("1.6", "BootNotification"): {"chargePointModel": "M", "chargePointVendor": "V", "firmwareVersion": "1"},
    ("1.6", "Authorize"): {"idTag": "T"},
    ("1.6", "Heartbeat"): {},
    ("2.0.1", "StatusNotification"): {"timestamp": TIME, "connectorStatus": "Occupied", "evseId": 1, "connectorId": 1},
    ("2.0.1", "TransactionEvent"): {
        "eventType": "Ended", "timestamp": TIME, "triggerReason": "EVDeparted", "seqNo": 3, "offline": True,
        "transactionInfo": {"transactionId": "t1", "chargingState": "Idle", "stoppedReason": "EVDisconnected"},
        "idToken": {"idToken": "T", "type": "ISO14443"}, "evse": {"id": 2, "connectorId": 1}, "meterValue": METER201,
    },
    ("2.0.1", "NotifyEvent"): {"generatedAt": TIME, "seqNo": 0, "eventData": [EVENT]},
    ("2.0.1", "MeterValues"): {"evseId": 1, "meterValue": METER201},
    ("2.0.1", "BootNotification"): {
        "reason": "PowerUp", "chargingStation": {"model": "M", "vendorName": "V", "firmwareVersion": "1"},
    },
    ("2.0.1", "Authorize"): {"idToken": {"idToken": "T", "type": "ISO14443"}},
    ("2.0.1", "Heartbeat"): {},
}  # fmt: skip


def schema(version: str, action: str, *, answer: bool = False) -> dict[str, Any]:
    """A published schema of a message, or of its answer."""
    folder = "v16" if version == "1.6" else "v201"
    ending = "Response" if answer else ("" if version == "1.6" else "Request")
    text = (
        files("ocpp")
        .joinpath(folder, "schemas", f"{action}{ending}.json")
        .read_text(encoding="utf-8-sig")
    )
    loaded: dict[str, Any] = json.loads(text)
    return loaded


def part(whole: dict[str, Any], path: str) -> dict[str, Any] | None:
    """The schema of a nested field, references followed.

    None where the message has no such field.
    """
    at: dict[str, Any] = whole
    for step in path.replace("[0]", "").split("."):
        at = at.get("items", at)
        at = whole["definitions"][at["$ref"].rsplit("/", 1)[1]] if "$ref" in at else at
        if step not in at.get("properties", {}):
            return None
        at = at["properties"][step]
    return at


@pytest.mark.parametrize(("version", "action"), MESSAGES)
def test_payloads_of_these_tests_are_valid(version: str, action: str) -> None:
    """Every message this file feeds to the reader is valid by the published schema."""
    Draft6Validator(schema(version, action)).validate(PAYLOADS[version, action])


@pytest.mark.parametrize(("version", "action"), MESSAGES)
def test_required_fields_are_those_of_the_schema(version: str, action: str) -> None:
    """The fields without which a message is rejected are exactly those that the schema requires, at
    the top and below.
    """
    whole = schema(version, action)
    ours = {path.split(".")[0] for path in REQUIRED[version, action]}
    assert ours == set(whole.get("required", []))
    for path in REQUIRED[version, action]:
        assert part(whole, path) is not None
        if "." in path:
            above, name = path.rsplit(".", 1)
            ref = (part(whole, above) or {})["$ref"].rsplit("/", 1)[1]
            assert name in whole["definitions"][ref]["required"]


@pytest.mark.parametrize("path", sorted(set(CALL.values())))
def test_every_path_read_exists(path: str) -> None:
    """No path is read that no published message has."""
    assert any(part(schema(version, action), path) is not None for version, action in MESSAGES)


@pytest.mark.parametrize("path", sorted(set(ANSWER.values())))
def test_every_answer_path_read_exists(path: str) -> None:
    """No path is read from answers that no published answer has."""
    answered = [*MESSAGES, ("1.6", "StartTransaction")]
    assert any(
        part(schema(version, action, answer=True), path) is not None for version, action in answered
    )


def test_valid_messages_are_used(con: Connection, delivery: Path) -> None:
    """Every valid message of every kind becomes a row with its action, and its times and numbers
    typed.
    """
    lines = [
        frame(2, f"id{i}", action, PAYLOADS[version, action], version=version)
        for i, (version, action) in enumerate(MESSAGES)
    ]
    put(delivery, "f.jsonl", "\n".join(lines))
    report = read(con, delivery)
    assert report.files["used"].to_list() == [len(MESSAGES)]
    rows = query(con, "SELECT * FROM raw_frame ORDER BY line")
    assert list(zip(rows["version"], rows["action"], strict=True)) == MESSAGES
    found = {(r["version"], r["action"]): r for r in rows.to_dicts()}
    event = found["2.0.1", "TransactionEvent"]
    assert (event["connector_id"], event["seq_no"], event["offline"], event["charging_state"]) == (
        2,
        3,
        True,
        "Idle",
    )
    assert (event["transaction_id"], event["stop_reason"], event["id_token"]) == (
        "t1",
        "EVDisconnected",
        "T",
    )
    stop = found["1.6", "StopTransaction"]
    assert (stop["transaction_id"], stop["meter_wh"], stop["stop_reason"]) == (
        "7",
        9.0,
        "EVDisconnected",
    )
    samples = query(
        con,
        "SELECT DISTINCT sample_value, unit, measurand, sample_context, location FROM raw_sample",
    ).to_dicts()
    assert samples == [
        {
            "sample_value": 1500.0, "unit": "Wh", "measurand": "Energy.Active.Import.Register",
            "sample_context": "Sample.Periodic", "location": "Outlet",
        }
    ]  # fmt: skip
    one = query(
        con,
        "SELECT connector_id, vendor_error_code, info, cleared, transaction_id, component FROM raw_event",
    ).to_dicts()
    assert one == [
        {
            "connector_id": 2, "vendor_error_code": "X1", "info": "negative level", "cleared": False,
            "transaction_id": "t1", "component": "ControlPilot",
        }
    ]  # fmt: skip


def _without(payload: dict[str, Any], path: str) -> dict[str, Any]:
    cut = copy.deepcopy(payload)
    at = cut
    *above, last = path.split(".")
    for step in above:
        at = at[step]
    del at[last]
    return cut


def test_a_message_without_a_required_field_is_rejected(con: Connection, delivery: Path) -> None:
    """Each required field, left out in turn, rejects that line with a reason naming the field."""
    cases = [(v, a, path) for (v, a), needs in REQUIRED.items() for path in needs]
    lines = [
        frame(2, str(i), a, _without(PAYLOADS[v, a], path), version=v)
        for i, (v, a, path) in enumerate(cases)
    ]
    put(delivery, "f.jsonl", "\n".join(lines) + "\n")
    read(con, delivery)
    found = reasons(con)
    assert len(found) == len(cases)
    for (_, action, path), reason in zip(cases, found, strict=True):
        assert reason.startswith(f"{action} lacks or misstates ")
        assert path in reason
