"""What a station of OCPP 2.0.1 says about each plug-in. Written from the contract alone.

A call is a row as in `calls16`; `seqNo` is put in where the payload says ##, counted within each transaction.
"""

from __future__ import annotations

import polars as pl

from sample_logs.second_world.calls16 import ALWAYS, NOW, TIMEOUT_S, joined, meter, rows
from sample_logs.second_world.words import first_of

SEQUENCE = "##"


def calls(steps: pl.DataFrame) -> pl.DataFrame:
    """All calls of the 2.0.1 stations, a row each."""
    a = steps.filter((pl.col("version") == "2.0.1") & ~pl.col("exported"))
    others = pl.concat([*_statuses(a), _authorise(a), _event(a)])
    within = pl.concat(_transaction(a)).sort("n", "t_s", maintain_order=True)
    counted = within.with_columns((pl.int_range(pl.len()).over("n")).cast(pl.String).alias("_seq"))
    return pl.concat(
        [
            others,
            counted.with_columns(
                pl.col("payload").str.replace(SEQUENCE, pl.col("_seq"), literal=True)
            ).drop("_seq"),
        ]
    )


def _status(a: pl.DataFrame, when: pl.Expr, after_s: pl.Expr, status: str) -> pl.DataFrame:
    payload = joined(
        f'{{"timestamp":"{NOW}","connectorStatus":"{status}","evseId":',
        pl.col("connector_id"),
        ',"connectorId":1}',
    )
    return rows(a, when, after_s, "StatusNotification", payload)


def _statuses(a: pl.DataFrame) -> list[pl.DataFrame]:
    return [
        _status(a, ~pl.col("unseen"), pl.lit(0.0), "Occupied"),
        _status(
            a, pl.col("faulted") & (pl.col("words") != "coarse"), pl.col("fault_s") + 0.4, "Faulted"
        ),
        _status(a, ~pl.col("unseen"), pl.col("left_s") + 0.6, "Available"),
    ]


def _token() -> pl.Expr:
    return joined('"idToken":{"idToken":"', pl.col("id_token"), '","type":"ISO14443"}')


def _authorise(a: pl.DataFrame) -> pl.DataFrame:
    status = pl.when("declined").then(pl.lit("Invalid")).otherwise(pl.lit("Accepted"))
    answer = (
        pl.when("no_answer")
        .then(None)
        .otherwise(joined('{"idTokenInfo":{"status":"', status, '"}}'))
    )
    return rows(
        a, pl.col("carded"), pl.col("auth_s"), "Authorize", joined("{", _token(), "}"), answer
    )


def _event(a: pl.DataFrame) -> pl.DataFrame:
    code = pl.coalesce("vendor_code", "code")
    text = (
        pl.when(pl.col("info").is_null())
        .then(pl.lit(""))
        .otherwise(joined(',"techInfo":"', pl.col("info"), '"'))
    )
    payload = joined(
        f'{{"generatedAt":"{NOW}","seqNo":0,"eventData":[{{"eventId":',
        pl.col("n") + 1,
        f',"timestamp":"{NOW}","trigger":"Alerting","actualValue":"true",'
        '"eventNotificationType":"HardWiredNotification","component":{"name":"EVSE","evse":{"id":',
        pl.col("connector_id"),
        '}},"variable":{"name":"Problem"},"techCode":"',
        code,
        '"',
        text,
        "}]}",
    )
    return rows(
        a, pl.col("faulted") | pl.col("dropped"), pl.col("fault_s") + 0.3, "NotifyEvent", payload
    )


def _change(
    a: pl.DataFrame,
    when: pl.Expr,
    after_s: pl.Expr,
    kind: str,
    trigger: pl.Expr | str,
    info: pl.Expr | str,
    more: pl.Expr | str = "",
) -> pl.DataFrame:
    payload = joined(
        f'{{"eventType":"{kind}","timestamp":"{NOW}","triggerReason":"',
        trigger,
        f'","seqNo":{SEQUENCE},"transactionInfo":{{"transactionId":"tx-',
        pl.col("n"),
        '"',
        info,
        '},"evse":{"id":',
        pl.col("connector_id"),
        ',"connectorId":1}',
        more,
        "}",
    )
    return rows(a, when & pl.col("has_tx"), after_s, "TransactionEvent", payload)


def _transaction(whole: pl.DataFrame) -> list[pl.DataFrame]:
    by_plug = pl.col("begins") == "plugged"
    tapped = pl.col("unseen") & pl.col("accepted") & ~by_plug
    a = whole.with_columns(
        (pl.col("tx_s").is_not_null() & (pl.col("tx_s") < pl.col("end_s")) | tapped).alias("has_tx")
    )
    idle = (
        pl.when("unseen")
        .then(pl.lit(',"chargingState":"Idle"'))
        .otherwise(pl.lit(',"chargingState":"EVConnected"'))
    )
    token = joined(",", _token())
    start = pl.when("unseen").then("auth_s").otherwise("tx_s")
    waits = (
        pl.col("accepted")
        & pl.col("pwm_s").is_not_null()
        & ((pl.col("ask_s") - pl.col("pwm_s") > 20) | pl.col("ask_s").is_null())
    )
    waits = waits & ~pl.col("faulted")
    held = (
        pl.when(pl.col("managed_h") > 0)
        .then(pl.lit(',"chargingState":"SuspendedEVSE"'))
        .otherwise(pl.lit(',"chargingState":"SuspendedEV"'))
    )
    end_s = pl.when("unseen").then(pl.col("auth_s") + TIMEOUT_S).otherwise(pl.col("end_s") + 0.2)
    return [
        _change(a, ~by_plug, start, "Started", "Authorized", idle, token),
        _change(a, by_plug, start, "Started", "CablePluggedIn", idle),
        _change(
            a,
            by_plug & pl.col("accepted"),
            pl.max_horizontal(pl.col("auth_s").clip(0) + 0.5, pl.lit(0.5)),
            "Updated",
            "Authorized",
            ',"chargingState":"EVConnected"',
            token,
        ),
        _change(a, waits, pl.col("pwm_s") + 1.2, "Updated", "ChargingStateChanged", held),
        _change(
            a,
            pl.col("close_s") < pl.col("end_s"),
            pl.col("close_s") + 0.2,
            "Updated",
            "ChargingStateChanged",
            ',"chargingState":"Charging"',
        ),
        _change(
            a,
            pl.col("eases") & (pl.col("eased_s") < pl.col("end_s") - 2),
            pl.col("eased_s"),
            "Updated",
            "ChargingStateChanged",
            ',"chargingState":"SuspendedEV"',
        ),
        _change(
            a,
            pl.col("dropped"),
            pl.col("fault_s") + 0.2,
            "Updated",
            "ChargingStateChanged",
            ',"chargingState":"SuspendedEV"',
        ),
        _metered(a),
        _change(
            a,
            ALWAYS,
            end_s,
            "Ended",
            _trigger(),
            joined(',"stoppedReason":"', _reason(), '"'),
            _last(),
        ),
    ]


def _trigger() -> pl.Expr:
    return first_of(
        [
            (pl.col("unseen"), "EVConnectTimeout"),
            (pl.col("faulted"), "AbnormalCondition"),
            (pl.col("end_s") < pl.col("left_s"), "StopAuthorized"),
        ],
        "EVCommunicationLost",
    )


def _reason() -> pl.Expr:
    trouble = pl.col("trouble")
    return first_of(
        [
            (trouble == "ground", "GroundFault"),
            (trouble == "overcurrent", "OvercurrentFault"),
            (trouble == "voltage", "PowerLoss"),
            (pl.col("faulted"), "Other"),
            (pl.col("unseen"), "Timeout"),
            (pl.col("end_s") < pl.col("left_s"), "Local"),
        ],
        "EVDisconnected",
    )


def _reading(value: pl.Expr, context: str) -> pl.Expr:
    return joined(
        f',"meterValue":[{{"timestamp":"{NOW}","sampledValue":[{{"value":',
        value,
        f',"context":"{context}","measurand":"Energy.Active.Import.Register","unitOfMeasure":{{"unit":"Wh"}}}}]}}]',
    )


def _last() -> pl.Expr:
    return _reading(
        pl.col("meter_wh") + (pl.col("energy_kwh") * 1000).round().cast(pl.Int64), "Transaction.End"
    )


def _metered(a: pl.DataFrame) -> pl.DataFrame:
    payload = joined(
        f'{{"eventType":"Updated","timestamp":"{NOW}","triggerReason":"MeterValuePeriodic","seqNo":{SEQUENCE},"transactionInfo":{{"transactionId":"tx-',
        pl.col("n"),
        '","chargingState":"Charging"},"evse":{"id":',
        pl.col("connector_id"),
        ',"connectorId":1}',
        _reading(pl.col("reading_wh"), "Sample.Periodic"),
        "}",
    )
    return meter(a.filter("has_tx"), payload, "TransactionEvent")
