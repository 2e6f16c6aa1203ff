"""What is read from an OCPP-J frame, and what a frame must hold: declarations only.

`call` and `answer` stand for the payload of a CALL (`$.frame[3]`) and of a CALLRESULT
(`$.frame[2]`). Required fields are those that the published schemas of OCPP 1.6 and 2.0.1 require
among the fields read here; tests compare.
"""

from __future__ import annotations

_CALL, _ANSWER = "$.frame[3]", "$.frame[2]"

ENVELOPE = {
    "received": "$.at",
    "station_id": "$.station_id",
    "direction": "$.dir",
    "version_text": "$.version",
    "kind": "$.frame[0]",
    "message_id": "$.frame[1]",
    "third": "$.frame[2]",
    "fourth": "$.frame[3]",
}

# our name → path inside a CALL's payload; OCPP 1.6 and 2.0.1 differ in most names, so one list
# serves both
CALL = {
    "connector": "connectorId",
    "evse": "evseId",
    "evse_inner": "evse.id",
    "status16": "status",
    "status201": "connectorStatus",
    "error": "errorCode",
    "info16": "info",
    "timestamp": "timestamp",
    "vendor": "vendorId",
    "vendor_error": "vendorErrorCode",
    "tag16": "idTag",
    "tag201": "idToken.idToken",
    "meter_start": "meterStart",
    "meter_stop": "meterStop",
    "transaction16": "transactionId",
    "transaction201": "transactionInfo.transactionId",
    "charging": "transactionInfo.chargingState",
    "stopped201": "transactionInfo.stoppedReason",
    "reason": "reason",
    "model16": "chargePointModel",
    "maker16": "chargePointVendor",
    "firmware16": "firmwareVersion",
    "model201": "chargingStation.model",
    "maker201": "chargingStation.vendorName",
    "firmware201": "chargingStation.firmwareVersion",
    "event": "eventType",
    "trigger": "triggerReason",
    "seq": "seqNo",
    "offline_text": "offline",
    "generated": "generatedAt",
    "meter": "meterValue",
    "meter_first": "meterValue[0].timestamp",
    "meter_stop_data": "transactionData",
    "events": "eventData",
}

ANSWER = {
    "current_time": "currentTime",
    "answer_status": "status",
    "answer_transaction": "transactionId",
    "tag_status16": "idTagInfo.status",
    "tag_status201": "idTokenInfo.status",
}

PATHS: dict[str, str] = (
    ENVELOPE
    | {name: f"{_CALL}.{path}" for name, path in CALL.items()}
    | {n: f"{_ANSWER}.{p}" for n, p in ANSWER.items()}
)

# a message's own time, where a meter reading's may stand in
_OWN_TIME = "CASE WHEN timestamp IS NOT NULL THEN station_at_utc END"

# (version, action) → path in the schema: the typed column or expression that is null where the
# field lacks or has another type
REQUIRED: dict[tuple[str, str], dict[str, str]] = {
    ("1.6", "StatusNotification"): {
        "connectorId": "connector_id",
        "errorCode": "error",
        "status": "status16",
    },
    ("1.6", "StartTransaction"): {
        "connectorId": "connector_id",
        "idTag": "tag16",
        "meterStart": "meter_wh",
        "timestamp": _OWN_TIME,
    },
    ("1.6", "StopTransaction"): {
        "transactionId": "transaction16",
        "meterStop": "meter_wh",
        "timestamp": _OWN_TIME,
    },
    ("1.6", "MeterValues"): {"connectorId": "connector_id", "meterValue": "meter_list"},
    ("1.6", "BootNotification"): {"chargePointModel": "model16", "chargePointVendor": "maker16"},
    ("1.6", "Authorize"): {"idTag": "tag16"},
    ("1.6", "Heartbeat"): {},
    ("2.0.1", "StatusNotification"): {
        "timestamp": _OWN_TIME,
        "connectorStatus": "status201",
        "evseId": "evse",
        "connectorId": "connector",
    },
    ("2.0.1", "TransactionEvent"): {
        "eventType": "event",
        "timestamp": _OWN_TIME,
        "triggerReason": "trigger",
        "seqNo": "seq_no",
        "transactionInfo.transactionId": "transaction201",
    },
    ("2.0.1", "NotifyEvent"): {
        "generatedAt": "station_at_utc",
        "seqNo": "seq_no",
        "eventData": "event_list",
    },
    ("2.0.1", "MeterValues"): {"evseId": "connector_id", "meterValue": "meter_list"},
    ("2.0.1", "BootNotification"): {
        "reason": "reason",
        "chargingStation.model": "model201",
        "chargingStation.vendorName": "maker201",
    },
    ("2.0.1", "Authorize"): {"idToken.idToken": "tag201"},
    ("2.0.1", "Heartbeat"): {},
}

# What is unnested from a sampled meter reading (both versions) and from a 2.0.1 event; a part of
# the wrong shape is null.
METER_SHAPE = (
    '[{"timestamp":"VARCHAR","sampledValue":[{"value":"VARCHAR","context":"VARCHAR","measurand":"VARCHAR","phase":"VARCHAR",'
    '"location":"VARCHAR","unit":"VARCHAR","unitOfMeasure":{"unit":"VARCHAR","multiplier":"VARCHAR"}}]}]'
)
EVENT_SHAPE = (
    '[{"timestamp":"VARCHAR","trigger":"VARCHAR","actualValue":"VARCHAR","techCode":"VARCHAR","techInfo":"VARCHAR",'
    '"cleared":"VARCHAR","transactionId":"VARCHAR","component":{"name":"VARCHAR","evse":{"id":"VARCHAR"}},'
    '"variable":{"name":"VARCHAR"}}]'
)
