"""OCPP 1.6 frames of attempts: status moves within the 53 that section 4.9 allows."""

from __future__ import annotations

import polars as pl

from sample_logs.generator.emit.events import TOLD_16, Keep, event, filled, spread, told

VERSION = "1.6"
ACCEPTED = '{"idTagInfo":{"status":"Accepted"}}'
SHOWN_FAULT = ("EVCommunicationError", "NoAnswer")
"""The first is a warning, never with Faulted (section 4.7); the second nobody can tell."""
REFUSALS = ("Invalid", "Blocked", "Expired")
METER_EVERY_S = 900.0


def _status(
    frame: pl.DataFrame, at: pl.Expr | float, status: str, *, rank: int, keep: Keep = "live"
) -> pl.DataFrame:
    """StatusNotification without an error."""
    payload = filled(
        '{"connectorId":{},"errorCode":"NoError","status":"{}","timestamp":"@TS"}',
        "connector_id",
        pl.lit(status),
    )
    return event(frame, at, "StatusNotification", payload, rank=rank, keep=keep)


def _trouble(frame: pl.DataFrame, at: pl.Expr, status: str, *, rank: int) -> pl.DataFrame:
    """StatusNotification with the fault as this world tells it in 1.6.

    An error is replayed later.
    """
    fault = pl.col("fault")
    vendor = told(fault, TOLD_16, 1)
    more = pl.when(vendor != "").then(
        filled(
            ',"vendorId":"{}","vendorErrorCode":"{}","info":"{}"',
            vendor,
            told(fault, TOLD_16, 2),
            told(fault, TOLD_16, 3),
        )
    )
    payload = filled(
        '{"connectorId":{},"errorCode":"{}","status":"{}","timestamp":"@TS"{}}',
        "connector_id",
        told(fault, TOLD_16, 0),
        pl.lit(status),
        more.otherwise(pl.lit("")),
    )
    return event(frame, at, "StatusNotification", payload, rank=rank, keep="queued")


def _authorise(a: pl.DataFrame) -> list[pl.DataFrame]:
    """Authorize and its answer; none where the fault came first or the driver left."""
    asked = a.filter(pl.col("auth_s").is_not_null() & (pl.col("auth_s") < pl.col("left_s")))
    asked = asked.filter(pl.col("fault_s").is_null() | (pl.col("auth_s") < pl.col("fault_s")))
    refusal = pl.lit(list(REFUSALS)).list.get((pl.col("u") * 1000).cast(pl.Int64) % 3)
    status = pl.when(pl.col("outcome") == "declined").then(refusal).otherwise(pl.lit("Accepted"))
    answer = pl.when(pl.col("fault").ne_missing("NoAnswer")).then(
        filled('{"idTagInfo":{"status":"{}"}}', status)
    )
    payload = filled('{"idTag":"{}"}', "id_token")
    return [event(asked, pl.col("auth_s"), "Authorize", payload, answer, rank=1)]


def _transaction(a: pl.DataFrame) -> list[pl.DataFrame]:
    """StartTransaction as the PWM starts, MeterValues, StopTransaction; with their answers."""
    started = a.filter(pl.col("pwm_s").is_not_null())
    start = filled(
        '{"connectorId":{},"idTag":"{}","meterStart":{},"timestamp":"@TS"}',
        "connector_id",
        "id_token",
        "meter_start",
    )
    reply = filled('{"idTagInfo":{"status":"Accepted"},"transactionId":{}}', "tx")
    stop = filled(
        '{"transactionId":{},"idTag":"{}","meterStop":{},"timestamp":"@TS","reason":"{}"}',
        "tx",
        "id_token",
        "meter_stop",
        _reason(),
    )
    return [
        event(
            started, pl.col("pwm_s") - 0.2, "StartTransaction", start, reply, rank=2, keep="queued"
        ),
        event(started, _stop_at(), "StopTransaction", stop, ACCEPTED, rank=8, keep="queued"),
        event(
            spread(started, METER_EVERY_S),
            pl.col("reading_s"),
            "MeterValues",
            _values(),
            rank=6,
            keep="queued",
        ),
    ]


def _values() -> pl.Expr:
    """Payload of MeterValues: register and power."""
    return filled(
        '{"connectorId":{},"transactionId":{},"meterValue":[{"timestamp":"@TS","sampledValue":['
        '{"value":"{}","context":"Sample.Periodic","measurand":"Energy.Active.Import.Register","unit":"Wh"},'
        '{"value":"{}","context":"Sample.Periodic","measurand":"Power.Active.Import","unit":"W"}]}]}',
        "connector_id",
        "tx",
        "reading_wh",
        "power_w",
    )


def pulled() -> pl.Expr:
    """Whether the driver ends by pulling the plug rather than at the station."""
    return pl.col("u") > 0.55


def _reason() -> pl.Expr:
    """Reason of the stop: trouble is `Other`.

    A wait or a full battery ends with the plug pulled.
    """
    silent_vehicle = (pl.col("stage") == "energised") & pl.col("fault").is_null()
    return (
        pl.when((pl.col("outcome") == "failed") & ~silent_vehicle)
        .then(pl.lit("Other"))
        .when((pl.col("outcome") != "charged") | pl.col("full") | pulled())
        .then(pl.lit("EVDisconnected"))
        .otherwise(pl.lit("Local"))
    )


def _stop_at() -> pl.Expr:
    """When the transaction stops, in s after plug-in."""
    silent_vehicle = (pl.col("stage") == "energised") & pl.col("fault").is_null()
    return (
        pl.when((pl.col("outcome") == "failed") & ~silent_vehicle)
        .then(pl.col("fault_s") + 0.6)
        .when((pl.col("outcome") == "charged") & ~pl.col("full") & ~pulled())
        .then(pl.col("stop_s"))
        .otherwise(pl.col("left_s") - 1.2)
    )


def _statuses(a: pl.DataFrame) -> list[pl.DataFrame]:
    """Status moves of all attempts, by how they went."""
    closed = a.filter(pl.col("closed_s").is_not_null())
    failed = a.filter(pl.col("outcome") == "failed")
    shown = failed.filter(pl.col("fault").is_not_null() & ~pl.col("fault").is_in(SHOWN_FAULT))
    warned = failed.filter(pl.col("fault") == "EVCommunicationError")
    mute = failed.filter(pl.col("fault").is_null())
    begun = pl.col("pwm_s").is_not_null()
    waits = a.filter(pl.col("outcome") == "not_requested")
    charged = a.filter(pl.col("outcome") == "charged")
    halted = pl.concat(
        [
            charged.filter("full"),
            mute.filter(pl.col("stage") == "energised").with_columns(stop_s=pl.col("fault_s")),
        ]
    )
    straight = charged.filter(~pl.col("full"))
    end = pl.col("left_s")
    after = pl.when(~pulled()).then(pl.col("stop_s") + 0.3).otherwise(end - 1.0)
    return [
        _status(a, 0.0, "Preparing", rank=0),
        _status(closed, pl.col("closed_s") + 0.1, "Charging", rank=5),
        _trouble(shown, pl.col("fault_s") + 0.2, "Faulted", rank=7),
        _trouble(warned, pl.col("fault_s") + 0.2, "SuspendedEV", rank=7),
        _status(warned.filter(begun), pl.col("fault_s") + 1.5, "Finishing", rank=9),
        _status(
            mute.filter(begun & (pl.col("stage") != "energised")),
            pl.col("fault_s") + 1.0,
            "Finishing",
            rank=9,
        ),
        _status(waits, pl.col("pwm_s") + 2.0, "SuspendedEV", rank=5),
        _status(halted, pl.col("stop_s") + 0.1, "SuspendedEV", rank=7),
        _status(pl.concat([waits, halted]), end - 1.0, "Finishing", rank=9),
        _status(straight, after, "Finishing", rank=9),
        _status(a, end, "Available", rank=10, keep="final"),
    ]


def events_16(attempts: pl.DataFrame) -> pl.DataFrame:
    """All 1.6 events of these attempts (one row an event)."""
    a = attempts.filter(pl.col("version") == VERSION)
    return pl.concat([*_authorise(a), *_transaction(a), *_statuses(a)])
