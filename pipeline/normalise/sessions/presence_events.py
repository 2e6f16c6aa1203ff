"""Events: what each record says at its time of whether a vehicle is plugged in.

plug 1 there, -1 gone, 0 does not say; split: a new plug-in begins here though no leaving was
recorded.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import timedelta

import polars as pl

from pipeline.core.masks import is_true
from pipeline.normalise.sessions.identities import same_token
from pipeline.ocpp import vocabulary
from pipeline.ocpp.predicates import (
    has_left,
    is_accepted,
    is_arrival,
    is_start,
    is_status,
    is_stop,
    is_there,
    is_transaction_event,
    takes_token,
)
from pipeline.settings.normalise import NormaliseSettings

UNASKED = [
    *("message_id", "message_type", "direction", "station_at_utc", "connector_id", "error_code"),
    *("info", "vendor_error_code", "meter_wh", "seq_no", "offline", "fault", "fault_raw"),
    *("answer", "answers_seen"),
]
"""Columns of messages that say nothing of a vehicle's being there: not sorted with the rest."""
MARK = ["evse_id", "at_utc", "clock_error_s", "order", "plug", "split", "file_id", "line", "source"]


def speaks() -> pl.Expr:
    """The source a message is: its OCPP version."""
    return pl.concat_str(pl.lit("ocpp"), pl.col("version").str.replace_all(".", "", literal=True))


def pilot_events(pilot: pl.DataFrame, late_s: float) -> pl.DataFrame:
    """Events of pilot rows: A gone; B, C, D there; E and F do not say.

    A record that begins with the PWM already on may lack the plug-in itself: its error is larger by
    `late_s`.
    """
    letter = pl.col("pilot_state").str.slice(0, 1)
    return pilot.with_columns(
        clock_error_s=pl.col("clock_error_s")
        + pl.when(pl.col("pilot_state") == "B1").then(0.0).otherwise(late_s),
        plug=pl.when(letter == "A")
        .then(-1)
        .when(letter.is_in(["B", "C", "D"]))
        .then(1)
        .otherwise(0),
        split=pl.lit(value=False),
        order=pl.col("line"),
        source=pl.lit("pilot"),
    ).select(MARK)


ROW = pl.col("_row")
"""A row's number; rows of one EVSE stand together, from `_first` to `_last`."""


def _before(value: str) -> pl.Expr:
    """The last value said before this row at the same EVSE."""
    last = pl.when(pl.col(value).is_not_null()).then(ROW).forward_fill().shift(1)
    return pl.col(value).gather(pl.when(last >= pl.col("_first")).then(last))


def _from_here(value: str) -> pl.Expr:
    """The next value said at the same EVSE, this row's included."""
    next_ = pl.when(pl.col(value).is_not_null()).then(ROW).backward_fill()
    return pl.col(value).gather(pl.when(next_ <= pl.col("_last")).then(next_))


@dataclass(frozen=True)
class Said:
    """What a message says (null: nothing of it); or, as columns `_was_…`, what was said last before."""

    state: pl.Expr
    state_said: pl.Expr
    started: pl.Expr
    stopped: pl.Expr
    left: pl.Expr
    begun: pl.Expr
    came: pl.Expr
    transaction: pl.Expr
    transaction_said: pl.Expr
    holder: pl.Expr
    token: pl.Expr

    @classmethod
    def of_messages(cls) -> Said:
        """By the predicates of messages; a refused start is not whose charge it was."""
        at, token = pl.col("at_utc"), same_token("id_token")
        taken = is_accepted() & (is_start() | takes_token())
        return cls(
            state=pl.when(is_status()).then("status"),
            state_said=pl.when(is_status()).then(at),
            started=pl.when(is_start()).then(at),
            stopped=pl.when(is_stop()).then(at),
            left=pl.when(has_left()).then(at),
            begun=pl.when(taken).then(at),
            came=pl.when(is_status() & pl.col("status").is_in(vocabulary.OCCUPIED)).then(at),
            transaction=pl.col("transaction_id"),
            transaction_said=pl.when(pl.col("transaction_id").is_not_null()).then(at),
            holder=pl.when(takes_token() & is_accepted()).then(token),
            token=pl.when(takes_token()).then(token),
        )

    @classmethod
    def before(cls) -> Said:
        """What was said before each row."""
        return cls(*(pl.col(f"_was_{name}") for name in _NAMES))


_NAMES = tuple(field.name for field in fields(Said))


def with_what_was_said(signals: pl.LazyFrame) -> pl.LazyFrame:
    """Messages in order with what was said before each at its EVSE (`_was_…`), and what is said next (`_next_…`)."""
    said = Said.of_messages()
    return (
        signals.with_row_index("_row")
        .with_columns(
            _first=ROW.min().over("evse_id"),
            _last=ROW.max().over("evse_id"),
            **{f"_said_{name}": getattr(said, name) for name in _NAMES},
        )
        .with_columns(
            **{f"_was_{name}": _before(f"_said_{name}") for name in _NAMES},
            **{
                f"_next_{name}": _from_here(f"_said_{name}")
                for name in ("started", "left", "token")
            },
        )
        .drop(f"_said_{name}" for name in _NAMES)
    )


def new_session_reasons(settings: NormaliseSettings) -> tuple[tuple[str, pl.Expr], ...]:
    """Why a message begins a new plug-in though nobody reported a leaving: the table, any row of which suffices.

    Finishing to Preparing is a retry while plugged only when it comes soon and with the same token.
    After a restart the station takes up the vehicle it finds: going back to Preparing then says nothing.
    """
    at, soon = pl.col("at_utc"), timedelta(seconds=settings.retry_gap_s)
    was, token = Said.before(), pl.col("_next_token")
    preparing = is_status() & (pl.col("status") == "Preparing")
    arriving = is_status() & pl.col("status").is_in(vocabulary.ARRIVING)
    restarted = is_true(pl.col("booted_utc") > pl.coalesce(was.state_said, was.started))
    start_comes_first = (pl.col("_next_started") < pl.col("_next_left")).fill_null(value=True)
    other_token = is_true(was.token != token) & start_comes_first
    ended = was.stopped >= was.started
    unseen_since = (
        ended
        & (was.left.is_null() | (was.begun > was.left))
        & (was.came.is_null() | (was.came <= was.stopped))
    )
    no_status_since = ended & (was.state_said.is_null() | (was.state_said < was.started))
    settled = at - was.stopped > timedelta(seconds=settings.settle_s)
    by_cable = (
        is_transaction_event() & is_start() & pl.col("trigger_reason").is_in(vocabulary.BY_CABLE)
    )
    other_transaction = (was.transaction != pl.col("transaction_id")) & (
        was.left.is_null() | (was.transaction_said > was.left)
    )
    told_since = is_true(pl.col("arrived_utc") > was.transaction_said)
    under_way = was.state.is_in(["Charging", "SuspendedEV", "SuspendedEVSE"])
    finishing = was.state == "Finishing"
    return (
        ("under way, and Preparing again: no move of OCPP 1.6 (4.9: C2, D2, E2)", preparing & under_way & ~restarted),
        ("Finishing, and Preparing long after", preparing & finishing & (at - was.state_said > soon) & ~restarted),
        ("Finishing, and Preparing for another token", preparing & finishing & other_token & ~restarted),
        ("a transaction ended, an arrival, and then another token",
         arriving & unseen_since & start_comes_first & (was.holder != token) & ~restarted),
        ("a transaction ended with no status since, and Preparing", no_status_since & preparing & settled),
        ("a transaction ended with no status since, and one starts long after",
         no_status_since & is_start() & (at - was.stopped > soon)),
        ("a transaction ended, and another token's starts", is_start() & unseen_since & (was.holder != same_token("id_token"))),
        ("a transaction starts with the cable beside another one", by_cable & other_transaction & ~told_since),
    )  # fmt: skip


def with_new_sessions(signals: pl.DataFrame, settings: NormaliseSettings) -> pl.DataFrame:
    """Messages with `split`: a new plug-in has begun though no leaving was reported, by any reason of the table.

    Of an arrival and the transaction that starts with it only the first begins it (`arrived_utc`).
    """
    *known, (_, beside_cable) = new_session_reasons(
        settings
    )  # the last alone asks for `arrived_utc`
    never = pl.lit(None, dtype=pl.Datetime("us", "UTC"))
    split = pl.col("_known") | is_true(beside_cable)
    told = pl.when(is_status() & pl.col("split")).then("at_utc")
    return (  # lazy: what the reasons share is worked out once
        with_what_was_said(signals.lazy())
        .with_columns(arrived_utc=never)
        .with_columns(_known=pl.any_horizontal(is_true(holds) for _, holds in known))
        .with_columns(split=split)
        .with_columns(_told=told)
        .with_columns(arrived_utc=_before("_told"))
        .with_columns(split=split)
        .select(*signals.columns, "arrived_utc", "split")
        .collect()
    )


def signal_events(signals: pl.DataFrame, settings: NormaliseSettings) -> pl.DataFrame:
    """Events of messages. One that begins with a transaction may lack the plug-in itself.

    Its error is larger.
    """
    boots = (
        signals.filter(pl.col("action") == "BootNotification")
        .select("station_id", booted_utc="at_utc")
        .sort("booted_utc")
    )
    placed = (
        signals.select(pl.exclude(UNASKED))
        .filter(pl.col("evse_id").is_not_null())
        .sort("at_utc", maintain_order=True)
        .join_asof(
            boots, left_on="at_utc", right_on="booted_utc", by="station_id", check_sortedness=False
        )
        .sort(*("evse_id", "at_utc", "receiver_at_utc", "file_id", "line"), maintain_order=True)
    )
    late_s = pl.when(is_arrival()).then(0.0).otherwise(settings.card_first_s)
    return (
        with_new_sessions(placed, settings)
        .with_columns(
            clock_error_s=pl.col("clock_error_s") + late_s,
            plug=pl.when(has_left()).then(-1).when(is_there()).then(1).otherwise(0),
            order=pl.col("receiver_at_utc").dt.epoch("us"),
            source=speaks(),
        )
        .select(MARK)
    )
