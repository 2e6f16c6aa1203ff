"""Frames → signals: calls joined to their answers, connectors filled in, in true time."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.normalise import clocks, codes

ANSWER_WITHIN_S = 86_400.0
"""An answer belongs to a call at most this much older: ids restart after a reboot; practice."""
OUR_CALLS = ("RemoteStartTransaction", "RequestStartTransaction")
"""Calls of the central system that say something of an attempt."""


def answered(frames: pl.DataFrame) -> pl.DataFrame:
    """Calls with what their answers said, one row a call.

    Adds `answer` (3 result, 4 error, null none), and fills `id_token_status`, `transaction_id` from the result.
    """
    calls = frames.filter(pl.col("message_type") == 2)
    results = frames.filter(pl.col("message_type") != 2).select(
        "station_id",
        "message_id",
        pl.when(pl.col("direction") == "out").then(pl.lit("in")).otherwise(pl.lit("out")).alias("direction"),
        answered_at="receiver_at_utc",
        answer="message_type",
        answer_status="id_token_status",
        answer_word="status",
        answer_transaction="transaction_id",
    )
    key = ["station_id", "message_id", "direction"]
    joined = calls.with_row_index("_call").join(results, on=key, how="inner")
    delay_s = (pl.col("answered_at") - pl.col("receiver_at_utc")).dt.total_microseconds() / 1e6
    nearest = (
        joined.filter(delay_s.is_between(-1.0, ANSWER_WITHIN_S))
        .sort("_call", "answered_at")
        .unique("_call", keep="first", maintain_order=True)
        .select("_call", "answer", "answer_status", "answer_word", "answer_transaction")
    )
    return (
        calls.with_row_index("_call")
        .join(nearest, on="_call", how="left", maintain_order="left")
        .with_columns(
            id_token_status=pl.coalesce("answer_status", "id_token_status"),
            transaction_id=pl.coalesce("transaction_id", "answer_transaction"),
            status=pl.when(pl.col("action").is_in(OUR_CALLS)).then(pl.col("answer_word")).otherwise(pl.col("status")),
        )
        .drop("_call", "answer_status", "answer_word", "answer_transaction")
    )


def with_connector(frame: pl.DataFrame, known: pl.DataFrame) -> pl.DataFrame:
    """Fill a missing `connector_id` from rows of the same transaction that name it."""
    named = (
        known.filter(pl.col("connector_id").is_not_null() & pl.col("transaction_id").is_not_null())
        .group_by("station_id", "transaction_id")
        .agg(pl.col("connector_id").filter(pl.col("connector_id") > 0).first().alias("_connector"))
    )
    return (
        frame.join(named, on=["station_id", "transaction_id"], how="left", maintain_order="left")
        .with_columns(connector_id=pl.coalesce("connector_id", "_connector"))
        .drop("_connector")
    )


def with_times(frame: pl.DataFrame, clock: pl.DataFrame) -> pl.DataFrame:
    """True times: the station's own, corrected; the receiver's where the frame carries none.

    Nothing happens after it was received, so the receiver's time is a bound.
    """
    timed = clocks.to_true(frame, clock)
    return timed.with_columns(
        at_utc=pl.min_horizontal("at_utc", "receiver_at_utc"),
        clock_error_s=pl.coalesce("clock_error_s", pl.lit(clocks.LEAST_ERROR_S)),
    )


def frame_fault(frame: pl.DataFrame, own: Mapping[str, str]) -> pl.DataFrame:
    """Adds `fault` and `fault_raw`: of a status the vendor's code where it is known, else the free text, else the
    error code; of a stop its reason, where that names a fault; of an event its code.
    """
    status = pl.col("action") == "StatusNotification"
    coded = frame.with_columns(
        _error=pl.when(status).then("error_code"),
        _stop16=pl.when(pl.col("version") == "1.6").then("stop_reason"),
        _stop201=pl.when(pl.col("version") != "1.6").then("stop_reason"),
    )
    looked_up = (
        ("vendor_error_code", "vendor_code"),
        ("info", "vendor_code"),
        ("_error", "ocpp16_error_code"),
        ("_stop16", "ocpp16_stop_reason"),
        ("_stop201", "ocpp201_stopped_reason"),
    )
    for column, words in looked_up:
        coded = codes.with_fault(coded, column, words, own, f"f_{column}")
    spoken = status & (pl.col("f__error_trouble") | (pl.col("status") == "Faulted"))
    stop = pl.coalesce("f__stop16", "f__stop201")
    return coded.with_columns(
        fault=pl.when(spoken).then(pl.coalesce("f_vendor_error_code", "f_info", "f__error")).otherwise(stop),
        fault_raw=pl.when(spoken)
        .then(pl.coalesce("vendor_error_code", "info", "error_code"))
        .when(stop.is_not_null())
        .then("stop_reason"),
    ).select(*frame.columns, "fault", "fault_raw")


def build(
    frames: pl.DataFrame, samples: pl.DataFrame, clock: pl.DataFrame, evses: pl.DataFrame, own: Mapping[str, str]
) -> pl.DataFrame:
    """core_signal (with `fault_raw` and `answer` beside) from raw frames of some stations."""
    calls = answered(frames).filter((pl.col("direction") == "in") | pl.col("action").is_in(OUR_CALLS))
    naming = pl.concat(
        [
            calls.select("station_id", "transaction_id", "connector_id"),
            samples.select("station_id", "transaction_id", "connector_id"),
        ]
    )
    timed = with_times(with_connector(calls, naming), clock).with_columns(
        answers_seen=(pl.col("answer") == 3).any().over("station_id").fill_null(value=False)
    )
    return frame_fault(timed, own).join(
        evses.select("station_id", "connector_id", "evse_id"),
        on=["station_id", "connector_id"],
        how="left",
        maintain_order="left",
    )


def place_samples(samples: pl.DataFrame, signals: pl.DataFrame, clock: pl.DataFrame, evses: pl.DataFrame) -> pl.DataFrame:
    """Samples in true time at their EVSE; the connector of a transaction comes from its signals."""
    named = with_connector(samples, signals.select("station_id", "transaction_id", "connector_id"))
    return with_times(named, clock).join(
        evses.select("station_id", "connector_id", "evse_id"),
        on=["station_id", "connector_id"],
        how="left",
        maintain_order="left",
    )
