"""Events: what each record says at its time of whether a vehicle is plugged in.

plug 1 there, -1 gone, 0 does not say; split: a new plug-in begins here though no leaving was
recorded.
"""

from __future__ import annotations

from dataclasses import dataclass
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


def _before(value: pl.Expr) -> pl.Expr:
    """The last value said before this row at the same EVSE."""
    return value.forward_fill().shift(1).over("evse_id")


def _next(mask: pl.Expr) -> pl.Expr:
    """When it holds next at the same EVSE, this row included."""
    return pl.when(mask).then("at_utc").backward_fill().over("evse_id")


@dataclass(frozen=True)
class Before:
    """What an EVSE's messages had said before each row, and who comes next; expressions over rows in order."""

    state: pl.Expr
    state_said: pl.Expr
    started: pl.Expr
    stopped: pl.Expr
    left: pl.Expr
    begun: pl.Expr
    came: pl.Expr
    transaction_said: pl.Expr
    holder: pl.Expr
    token: pl.Expr
    next_token: pl.Expr

    @classmethod
    def of_messages(cls) -> Before:
        """By the predicates of messages; a refused start is not whose charge it was."""
        at, token = pl.col("at_utc"), same_token("id_token")
        taken = is_accepted() & (is_start() | takes_token())
        named = pl.when(takes_token()).then(token)
        return cls(
            state=_before(pl.when(is_status()).then("status")),
            state_said=_before(pl.when(is_status()).then(at)),
            started=_before(pl.when(is_start()).then(at)),
            stopped=_before(pl.when(is_stop()).then(at)),
            left=_before(pl.when(has_left()).then(at)),
            begun=_before(pl.when(taken).then(at)),
            came=_before(
                pl.when(is_status() & pl.col("status").is_in(vocabulary.OCCUPIED)).then(at)
            ),
            transaction_said=_before(pl.when(pl.col("transaction_id").is_not_null()).then(at)),
            holder=_before(pl.when(takes_token() & is_accepted()).then(token)),
            token=_before(named),
            next_token=named.backward_fill().over("evse_id"),
        )


def new_session_reasons(settings: NormaliseSettings) -> tuple[tuple[str, pl.Expr], ...]:
    """Why a message begins a new plug-in though nobody reported a leaving: the table, any row of which suffices.

    Finishing to Preparing is a retry while plugged only when it comes soon and with the same token.
    After a restart the station takes up the vehicle it finds: going back to Preparing then says nothing.
    """
    at, soon = pl.col("at_utc"), timedelta(seconds=settings.retry_gap_s)
    was = Before.of_messages()
    preparing = is_status() & (pl.col("status") == "Preparing")
    arriving = is_status() & pl.col("status").is_in(vocabulary.ARRIVING)
    restarted = is_true(pl.col("booted_utc") > pl.coalesce(was.state_said, was.started))
    start_comes_first = (_next(is_start()) < _next(has_left())).fill_null(value=True)
    other_token = is_true(was.token != was.next_token) & start_comes_first
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
    other_transaction = (_before(pl.col("transaction_id")) != pl.col("transaction_id")) & (
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
         arriving & unseen_since & start_comes_first & (was.holder != was.next_token) & ~restarted),
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
        signals.lazy()
        .with_columns(arrived_utc=never)
        .with_columns(_known=pl.any_horizontal(is_true(holds) for _, holds in known))
        .with_columns(split=split)
        .with_columns(arrived_utc=_before(told))
        .with_columns(split=split)
        .drop("_known")
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
        signals.filter(pl.col("evse_id").is_not_null())
        .sort("at_utc")
        .join_asof(
            boots, left_on="at_utc", right_on="booted_utc", by="station_id", check_sortedness=False
        )
        .sort("evse_id", "at_utc", "receiver_at_utc", "file_id", "line")
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
