"""What a station of OCPP 1.6 says about each plug-in. Written from the contract alone; moves of section 4.9 only.

A call is a row: attempt `n`, true time `t_s`, station, action, payload (with @@ for the station's
own time), answer (null: none came).
"""

from __future__ import annotations

import polars as pl

from sample_logs.second_world.words import VENDOR, first_of

NOW = "@@"
ACCEPTED = '{"idTagInfo":{"status":"Accepted"}}'
TIMEOUT_S = 75.0
BOTH_EMPTY = pl.lit("{}")
ALWAYS = pl.col("n").is_not_null()


def joined(*parts: str | pl.Expr) -> pl.Expr:
    """Text of literal parts and columns, one after another."""
    return pl.concat_str(
        pl.lit(part) if isinstance(part, str) else part.cast(pl.String) for part in parts
    )


def rows(
    a: pl.DataFrame,
    when: pl.Expr,
    after_s: pl.Expr,
    action: str,
    payload: pl.Expr,
    answer: pl.Expr = BOTH_EMPTY,
) -> pl.DataFrame:
    """A call for each plug-in where it came."""
    return a.filter(when & after_s.is_not_null()).select(
        "n",
        "station_id",
        "version",
        (pl.col("t_s") + after_s).alias("t_s"),
        pl.lit(action).alias("action"),
        payload.alias("payload"),
        answer.alias("answer"),
    )


def calls(steps: pl.DataFrame) -> pl.DataFrame:
    """All calls of the 1.6 stations, a row each, in no order."""
    a = steps.filter((pl.col("version") == "1.6") & ~pl.col("exported"))
    return pl.concat(
        [*_statuses(a), _authorise(a), *_transactions(a), meter(a, _meter_payload(), "MeterValues")]
    )


def _status(
    a: pl.DataFrame, when: pl.Expr, after_s: pl.Expr, status: str, error: pl.Expr | None = None
) -> pl.DataFrame:
    said = pl.lit('"errorCode":"NoError"') if error is None else error
    payload = joined(
        '{"connectorId":',
        pl.col("connector_id"),
        ",",
        said,
        f',"status":"{status}","timestamp":"{NOW}"}}',
    )
    return rows(a, when, after_s, "StatusNotification", payload)


def _error() -> pl.Expr:
    vendor = joined(f',"vendorId":"{VENDOR}","vendorErrorCode":"', pl.col("vendor_code"), '"')
    own = joined(',"vendorErrorCode":"', pl.col("vendor_code"), '"')
    info = joined(',"info":"', pl.col("info"), '"')
    return joined(
        '"errorCode":"',
        pl.col("code"),
        '"',
        pl.when(pl.col("vendor_code").is_null())
        .then(pl.lit(""))
        .when(pl.col("words") == "mrec")
        .then(vendor)
        .otherwise(own),
        pl.when(pl.col("info").is_null()).then(pl.lit("")).otherwise(info),
    )


def _statuses(a: pl.DataFrame) -> list[pl.DataFrame]:
    seen, ok = ~pl.col("unseen"), pl.col("tx_s").is_not_null()
    tapped = pl.col("carded") & (pl.col("auth_s") < 0)
    waits = (
        pl.col("pwm_s").is_not_null()
        & pl.col("accepted")
        & ((pl.col("ask_s") - pl.col("pwm_s") > 20) | pl.col("ask_s").is_null())
    )
    waits = waits & ~pl.col("faulted") & seen
    managed = pl.col("managed_h") > 0
    closed = pl.col("close_s").is_not_null() & (pl.col("close_s") < pl.col("end_s"))
    finishing = ok & (pl.col("end_s") < pl.col("left_s")) & ~pl.col("faulted")
    early = pl.when(tapped).then(pl.col("auth_s")).otherwise(0.0)
    return [
        _status(a, seen | tapped, early, "Preparing"),
        _status(a, pl.col("unseen") & tapped, pl.col("auth_s") + TIMEOUT_S, "Available"),
        _status(a, waits & ~managed, pl.col("pwm_s") + 1.2, "SuspendedEV"),
        _status(a, waits & managed, pl.col("pwm_s") + 1.2, "SuspendedEVSE"),
        _status(a, closed, pl.col("close_s") + 0.4, "Charging"),
        _status(
            a,
            pl.col("eases") & (pl.col("eased_s") < pl.col("end_s") - 2),
            pl.col("eased_s"),
            "SuspendedEV",
        ),
        _status(a, pl.col("dropped"), pl.col("fault_s") + 0.5, "SuspendedEV", _error()),
        _status(a, pl.col("faulted"), pl.col("fault_s") + 0.5, "Faulted", _error()),
        _status(a, finishing, pl.col("end_s") + 0.3, "Finishing"),
        _status(a, seen, pl.col("left_s") + 0.6, "Available"),
    ]


def _authorise(a: pl.DataFrame) -> pl.DataFrame:
    answer = (
        pl.when("no_answer")
        .then(None)
        .when("declined")
        .then(pl.lit('{"idTagInfo":{"status":"Invalid"}}'))
        .otherwise(pl.lit(ACCEPTED))
    )
    return rows(
        a,
        pl.col("carded"),
        pl.col("auth_s"),
        "Authorize",
        joined('{"idTag":"', pl.col("id_token"), '"}'),
        answer,
    )


def _transactions(a: pl.DataFrame) -> list[pl.DataFrame]:
    tx = pl.col("n") + 1000
    start = joined(
        '{"connectorId":',
        pl.col("connector_id"),
        ',"idTag":"',
        pl.col("id_token"),
        '","meterStart":',
        pl.col("meter_wh"),
        f',"timestamp":"{NOW}"}}',
    )
    reason = first_of(
        [
            (pl.col("trouble") == "voltage", "PowerLoss"),
            (pl.col("faulted"), "Other"),
            (pl.col("end_s") < pl.col("left_s"), "Local"),
        ],
        "EVDisconnected",
    )
    stop = joined(
        '{"transactionId":',
        tx,
        ',"meterStop":',
        pl.col("meter_wh") + (pl.col("energy_kwh") * 1000).round().cast(pl.Int64),
        ',"reason":"',
        reason,
        f'","timestamp":"{NOW}"}}',
    )
    begun = pl.col("tx_s").is_not_null() & (pl.col("tx_s") < pl.col("end_s"))
    return [
        rows(
            a,
            begun,
            pl.col("tx_s"),
            "StartTransaction",
            start,
            joined('{"transactionId":', tx, ',"idTagInfo":{"status":"Accepted"}}'),
        ),
        rows(a, begun, pl.col("end_s") + 0.1, "StopTransaction", stop, pl.lit("{}")),
    ]


def meter(a: pl.DataFrame, payload: pl.Expr, action: str) -> pl.DataFrame:
    """Three meter readings a delivery, spread evenly; `reading_wh` is the register."""
    ends = pl.min_horizontal("eased_s", "end_s")
    charging = a.filter((pl.col("energy_kwh") > 0) & pl.col("tx_s").is_not_null())
    parts = pl.concat(
        [charging.with_columns(pl.lit(share).alias("_share")) for share in (0.25, 0.5, 0.9)]
    )
    read = parts.with_columns(
        (
            pl.col("meter_wh")
            + (pl.col("energy_kwh") * 1000 * pl.col("_share")).round().cast(pl.Int64)
        ).alias("reading_wh"),
        (pl.col("close_s") + (ends - pl.col("close_s")) * pl.col("_share")).alias("read_s"),
    )
    return rows(read, ALWAYS, pl.col("read_s"), action, payload)


def _meter_payload() -> pl.Expr:
    value = joined(
        f'"meterValue":[{{"timestamp":"{NOW}","sampledValue":[{{"value":"',
        pl.col("reading_wh"),
        '","measurand":"Energy.Active.Import.Register","unit":"Wh"},{"value":"',
        (pl.col("power_kw") * 1000).round().cast(pl.Int64),
        '","measurand":"Power.Active.Import","unit":"W"}]}]}',
    )
    return joined(
        '{"connectorId":',
        pl.col("connector_id"),
        ',"transactionId":',
        pl.col("n") + 1000,
        ",",
        value,
    )
