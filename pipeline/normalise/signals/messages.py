"""Frames → signals: calls joined to their answers, connectors filled in, in true time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.normalise.clocks import correct
from pipeline.normalise.clocks.eras import Clock
from pipeline.normalise.signals import codes
from pipeline.ocpp import pairing, predicates, transactions, vocabulary
from pipeline.settings.normalise import NormaliseSettings


@dataclass(frozen=True)
class Records:
    """Raw rows of some stations.

    Raw_frame (calls; answers with the columns `ANSWER`), raw_sample, raw_event, raw_pilot, and raw_session with `station_id`.
    Of stations in `short` (`station_id, said_lo_utc, said_hi_utc`) clock and pilot rows are asked of more than the messages
    between those times: the clock of `seen` (calls with the columns `SEEN`).
    """

    frames: pl.DataFrame
    answers: pl.DataFrame
    samples: pl.DataFrame
    events: pl.DataFrame
    pilot: pl.DataFrame
    sessions: pl.DataFrame
    seen: pl.DataFrame
    short: pl.DataFrame

    def telling_clocks(self) -> pl.DataFrame:
        """All calls that clocks are fitted to."""
        long = self.frames.select(SEEN).join(self.short, on="station_id", how="anti")
        return pl.concat([long, self.seen]) if len(self.short) else self.frames


SEEN = [
    *("station_id", "message_type", "direction", "action", "receiver_at_utc", "station_at_utc"),
    *("file_id", "line"),
]
"""Of a call what tells a clock, and what it is found by."""
ANSWER = [
    *("station_id", "message_id", "direction", "receiver_at_utc", "file_id", "line"),
    *("message_type", "id_token_status", "status", "transaction_id"),
]
"""What is told by an answer, and what it is found by."""


def answered(calls: pl.DataFrame, answers: pl.DataFrame) -> pl.DataFrame:
    """Calls with what their answers said, one row a call.

    Adds `answer` (3 result, 4 error, null none), and fills `id_token_status`, `transaction_id` from
    the result.
    """
    told = (
        pairing.call_of(answers, calls)
        .sort("receiver_at_utc", "file_id", "line")
        .unique("call", keep="first", maintain_order=True)
        .select(
            "call",
            answer="message_type",
            answer_status="id_token_status",
            answer_word="status",
            answer_transaction="transaction_id",
        )
    )
    return (
        calls.with_row_index("call")
        .join(told, on="call", how="left", maintain_order="left")
        .sort("station_id", "receiver_at_utc", "file_id", "line")
        .with_columns(
            id_token_status=pl.coalesce("answer_status", "id_token_status"),
            transaction_id=pl.coalesce("transaction_id", "answer_transaction"),
            status=pl.when(pl.col("action").is_in(vocabulary.FROM_CENTRE))
            .then(pl.col("answer_word"))
            .otherwise(pl.col("status")),
        )
        .drop("call", "answer_status", "answer_word", "answer_transaction")
    )


def heard(calls: pl.DataFrame) -> pl.DataFrame:
    """Calls that say something of the station; what events say is told by their own rows."""
    asked = (pl.col("direction") == "in") | pl.col("action").is_in(vocabulary.FROM_CENTRE)
    return calls.filter(asked & (pl.col("action").fill_null("") != "NotifyEvent"))


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


def of_events(events: pl.DataFrame, frames: pl.DataFrame) -> pl.DataFrame:
    """Events of 2.0.1 NotifyEvent as rows like frames; a component's AvailabilityState is its
    status.

    Words of an event that tells of no trouble (`is_trouble_event`) are left out: they say how things
    stand. A variable of trouble without words of its own names its component.
    """
    state = pl.col("variable") == "AvailabilityState"
    over = pl.col("cleared").fill_null(value=False)
    part = pl.when(pl.col("variable").is_in(vocabulary.TROUBLE_VARIABLES)).then("component")
    trouble = predicates.is_trouble_event() & ~state.fill_null(value=False)
    shaped = events.with_columns(
        action=pl.when(state).then(pl.lit("StatusNotification")).otherwise(pl.lit("NotifyEvent")),
        status=pl.when(state).then("actual_value"),
        vendor_error_code=pl.when(trouble).then(pl.coalesce("vendor_error_code", part)),
        info=pl.when(over).then(pl.lit(vocabulary.CLEARED)).when(trouble).then("info"),
        version=pl.lit("2.0.1"),
        direction=pl.lit("in"),
        message_type=pl.lit(2, dtype=pl.Int64),
    )
    lacking = [
        pl.lit(None, dtype=kind).alias(name)
        for name, kind in frames.schema.items()
        if name not in shaped.columns
    ]
    return shaped.with_columns(lacking).select(frames.columns)


def frame_fault(frame: pl.DataFrame, own: Mapping[str, str]) -> pl.DataFrame:
    """Adds `fault` and `fault_raw`: the vendor's code where it is known, else the free text, else
    the error code.

    Of a stop it is the reason, where that names a fault.
    """
    status = predicates.is_status()
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
    named = pl.coalesce("f_vendor_error_code", "f_info", "f__error")
    spoken = status & (
        pl.col("f__error_trouble") | (pl.col("status") == "Faulted").fill_null(value=False)
    )
    spoken |= (pl.col("action") == "NotifyEvent") & (
        pl.col("f_vendor_error_code_trouble") | pl.col("f_info").is_not_null()
    )
    stop = pl.coalesce("f__stop16", "f__stop201")
    return coded.with_columns(
        fault=pl.when(spoken).then(named).otherwise(stop),
        fault_raw=pl.when(spoken)
        .then(pl.coalesce("vendor_error_code", "info", "error_code", "status"))
        .when(stop.is_not_null())
        .then("stop_reason"),
    ).select(*frame.columns, "fault", "fault_raw")


def build(
    records: Records,
    clock: Clock,
    evses: pl.DataFrame,
    own: Mapping[str, str],
    settings: NormaliseSettings,
) -> pl.DataFrame:
    """core_signal (with `fault_raw`, `answer`, `answers_seen` beside) from what some stations said."""
    calls = heard(answered(records.frames, records.answers))
    said = transactions.without_ids(pl.concat([calls, of_events(records.events, calls)]))
    names = ["station_id", "transaction_id", "connector_id"]
    sampled = transactions.without_ids(records.samples)
    naming = pl.concat([said.select(names), sampled.select(names)])
    day = pl.col("receiver_at_utc").dt.truncate("1d")
    timed = correct.frames(with_connector(said, naming), clock).with_columns(
        answers_seen=(pl.col("answer") == 3).any().over("station_id", day).fill_null(value=False)
    )
    return at_evse(frame_fault(transactions.paired(timed, evses, settings.energy), own), evses)


def at_evse(rows: pl.DataFrame, evses: pl.DataFrame) -> pl.DataFrame:
    """Rows with the `evse_id` of their station and connector (null.

    The whole station, or not said).
    """
    known = evses.select("station_id", "connector_id", "evse_id")
    return rows.join(known, on=["station_id", "connector_id"], how="left", maintain_order="left")


def of_whole_stations(signals: pl.DataFrame, evses: pl.DataFrame) -> pl.DataFrame:
    """Faults of a station's main controller as one row an EVSE of the station; `connector_id` stays
    0.

    OCPP 1.6 StatusNotification, connectorId 0 (secondary source). Its status is independent of the
    connectors': it says nothing of a vehicle, and a connector may charge on.
    """
    faulted = (
        predicates.is_status() & (pl.col("connector_id") == 0) & (pl.col("status") == "Faulted")
    )
    each = signals.filter(
        faulted & (pl.col("version") == "1.6") & pl.col("evse_id").is_null()
    ).drop("evse_id")
    return each.join(
        evses.select("station_id", "evse_id"), on="station_id", maintain_order="left_right"
    ).select(signals.columns)


def place_samples(
    samples: pl.DataFrame, signals: pl.DataFrame, clock: Clock, evses: pl.DataFrame
) -> pl.DataFrame:
    """Samples in true time at their EVSE; the connector of a transaction comes from its signals."""
    named = with_connector(
        transactions.without_ids(samples),
        signals.select("station_id", "transaction_id", "connector_id"),
    )
    return at_evse(correct.frames(named, clock), evses)
