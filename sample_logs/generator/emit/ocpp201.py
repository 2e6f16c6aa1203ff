"""OCPP 2.0.1 frames of attempts: TransactionEvent, StatusNotification, NotifyEvent, Authorize."""

from __future__ import annotations

import polars as pl

from sample_logs.generator.emit.events import (
    EMPTY_REPLY,
    TOLD_201,
    Keep,
    event,
    filled,
    spread,
    told,
)
from sample_logs.generator.emit.ocpp16 import METER_EVERY_S, REFUSALS, pulled

VERSION = "2.0.1"
ACCEPTED = '{"idTokenInfo":{"status":"Accepted"}}'
SEQ = "@SEQ"


def _status(
    frame: pl.DataFrame, at: pl.Expr | float, status: str, *, rank: int, keep: Keep = "live"
) -> pl.DataFrame:
    """StatusNotification: no error code travels here in 2.0.1."""
    payload = filled(
        '{"timestamp":"@TS","connectorStatus":"{}","evseId":{},"connectorId":1}',
        pl.lit(status),
        "connector_id",
    )
    return event(frame, at, "StatusNotification", payload, rank=rank, keep=keep)


def _transaction(
    frame: pl.DataFrame,
    at: pl.Expr | float,
    kind: str,
    trigger: pl.Expr | str,
    *,
    rank: int,
    info: pl.Expr | str = "",
    more: pl.Expr | str = "",
) -> pl.DataFrame:
    """TransactionEvent; `info` goes inside transactionInfo, `more` beside it."""
    authorised = isinstance(trigger, str) and trigger == "Authorized"
    reply = ACCEPTED if authorised else EMPTY_REPLY
    exprs = [e if isinstance(e, pl.Expr) else pl.lit(e) for e in (trigger, info, more)]
    payload = filled(
        '{"eventType":"{}","timestamp":"@TS","triggerReason":"{}","seqNo":@SEQ@OFF,'
        '"transactionInfo":{"transactionId":"{}-{}"{}},"evse":{"id":{},"connectorId":1}{}}',
        pl.lit(kind),
        exprs[0],
        "station_id",
        "tx",
        exprs[1],
        "connector_id",
        exprs[2],
    )
    return event(frame, at, "TransactionEvent", payload, reply, rank=rank, keep="queued")


def _state(name: str) -> str:
    """Part of transactionInfo that tells the charging state."""
    return f',"chargingState":"{name}"'


def _token() -> pl.Expr:
    """The card, as the frames carry it."""
    return filled(',"idToken":{"idToken":"{}","type":"ISO14443"}', "id_token")


def _meter(wh: str, context: str) -> pl.Expr:
    """A register reading beside transactionInfo."""
    return filled(
        ',"meterValue":[{"timestamp":"@TS","sampledValue":[{"value":{},"context":"{}",'
        '"measurand":"Energy.Active.Import.Register","unitOfMeasure":{"unit":"Wh"}}]}]',
        wh,
        pl.lit(context),
    )


def _authorise(a: pl.DataFrame) -> list[pl.DataFrame]:
    """Authorize, its answer, and the transaction's own mark of it."""
    asked = a.filter(pl.col("auth_s").is_not_null() & (pl.col("auth_s") < pl.col("left_s")))
    asked = asked.filter(pl.col("fault_s").is_null() | (pl.col("auth_s") < pl.col("fault_s")))
    refusal = pl.lit(list(REFUSALS)).list.get((pl.col("u") * 1000).cast(pl.Int64) % 3)
    status = pl.when(pl.col("outcome") == "declined").then(refusal).otherwise(pl.lit("Accepted"))
    answered = pl.col("fault").ne_missing("NoAnswer")
    answer = pl.when(answered).then(filled('{"idTokenInfo":{"status":"{}"}}', status))
    payload = filled('{"idToken":{"idToken":"{}","type":"ISO14443"}}', "id_token")
    good = asked.filter(answered & (pl.col("outcome") != "declined"))
    return [
        event(asked, pl.col("auth_s"), "Authorize", payload, answer, rank=1),
        _transaction(
            good,
            pl.col("auth_s") + 0.15,
            "Updated",
            "Authorized",
            rank=2,
            more=_token(),
        ),
    ]


def _trouble(failed: pl.DataFrame) -> list[pl.DataFrame]:
    """Faulted, and a NotifyEvent with the technical code."""
    shown = failed.filter(pl.col("fault").is_not_null() & (pl.col("fault") != "NoAnswer"))
    fault = pl.col("fault")
    payload = filled(
        '{"generatedAt":"@TS","seqNo":0,"eventData":[{"eventId":{},"timestamp":"@TS","trigger":"Alerting",'
        '"actualValue":"true","techCode":"{}","techInfo":"attempt ended","transactionId":"{}-{}",'
        '"eventNotificationType":"HardWiredNotification","component":{"name":"{}","evse":{"id":{},"connectorId":1}},'
        '"variable":{"name":"{}"}}]}',
        "tx",
        told(fault, TOLD_201, 0),
        "station_id",
        "tx",
        told(fault, TOLD_201, 1).replace("", "ChargingStation"),
        "connector_id",
        told(fault, TOLD_201, 2).replace("", "Problem"),
    )
    faulted = shown.filter(pl.col("fault") != "EVCommunicationError")
    return [
        event(shown, pl.col("fault_s") + 0.1, "NotifyEvent", payload, rank=7, keep="queued"),
        _status(faulted, pl.col("fault_s") + 0.2, "Faulted", rank=8),
    ]


def _ended(a: pl.DataFrame) -> pl.DataFrame:
    """The transaction's end with reason and trigger."""
    failed = pl.col("outcome") == "failed"
    silent_vehicle = (pl.col("stage") == "energised") & pl.col("fault").is_null()
    trouble = failed & ~silent_vehicle
    local = (pl.col("outcome") == "charged") & ~pl.col("full") & ~pulled()
    named = pl.col("fault").replace_strict(
        {"GroundFailure": "GroundFault", "OverCurrentFailure": "OvercurrentFault"}, default="Other"
    )
    reason = (
        pl.when(trouble)
        .then(named)
        .when(local)
        .then(pl.lit("Local"))
        .otherwise(pl.lit("EVDisconnected"))
    )
    trigger = (
        pl.when(trouble)
        .then(pl.lit("AbnormalCondition"))
        .when(local)
        .then(pl.lit("StopAuthorized"))
        .otherwise(pl.lit("EVDeparted"))
    )
    at = (
        pl.when(trouble)
        .then(pl.col("fault_s") + 0.6)
        .when(local)
        .then(pl.col("stop_s") + 0.2)
        .otherwise(pl.col("left_s") - 0.3)
    )
    info = filled(',"stoppedReason":"{}"', reason)
    return _transaction(
        a, at, "Ended", trigger, rank=9, info=info, more=_meter("meter_stop", "Transaction.End")
    )


def events_201(attempts: pl.DataFrame) -> pl.DataFrame:
    """All 2.0.1 events of these attempts (one row an event), numbered within the transaction."""
    a = attempts.filter(pl.col("version") == VERSION)
    closed = a.filter(pl.col("closed_s").is_not_null())
    waits = a.filter(pl.col("outcome") == "not_requested").with_columns(
        halt_s=pl.col("pwm_s") + 2.0
    )
    full = a.filter(pl.col("full")).with_columns(halt_s=pl.col("stop_s"))
    mute = a.filter(
        (pl.col("stage") == "energised")
        & pl.col("fault").is_null()
        & (pl.col("outcome") == "failed")
    )
    halted = pl.concat([waits, full, mute.with_columns(halt_s=pl.col("fault_s"))])
    reading = spread(closed, METER_EVERY_S)
    begin = _transaction(
        a,
        0.1,
        "Started",
        "CablePluggedIn",
        rank=0,
        info=_state("EVConnected"),
        more=_meter("meter_start", "Transaction.Begin"),
    )
    running = _transaction(
        closed,
        pl.col("closed_s") + 0.1,
        "Updated",
        "ChargingStateChanged",
        rank=5,
        info=_state("Charging"),
    )
    resting = _transaction(
        halted,
        pl.col("halt_s") + 0.1,
        "Updated",
        "ChargingStateChanged",
        rank=6,
        info=_state("SuspendedEV"),
    )
    metered = _transaction(
        reading,
        pl.col("reading_s"),
        "Updated",
        "MeterValuePeriodic",
        rank=5,
        more=_meter("reading_wh", "Sample.Periodic"),
    )
    failed = a.filter(pl.col("outcome") == "failed")
    parts = [
        _status(a, 0.0, "Occupied", rank=0),
        begin,
        *_authorise(a),
        running,
        resting,
        metered,
        *_trouble(failed),
        _ended(a),
        _status(a, pl.col("left_s"), "Available", rank=10, keep="final"),
    ]
    return _numbered(pl.concat(parts))


def _numbered(events: pl.DataFrame) -> pl.DataFrame:
    """Put seqNo into transaction events: their order within the transaction, from 0."""
    ordered = events.sort("attempt_id", "t_ms", "rank")
    ours = pl.col("action") == "TransactionEvent"
    place = ours.cast(pl.Int64).cum_sum().over("attempt_id") - 1
    return ordered.with_columns(
        payload=pl.when(ours)
        .then(pl.col("payload").str.replace(SEQ, place.cast(pl.String), literal=True))
        .otherwise("payload")
    )
