"""Marks: what each record says at its time of whether a vehicle is plugged in.

plug 1 there, -1 gone, 0 does not say; split: a new plug-in begins here though no leaving was
recorded.
"""

from __future__ import annotations

from datetime import timedelta

import polars as pl

from pipeline.core.masks import is_true
from pipeline.normalise.sessions.identities import same_token
from pipeline.settings.normalise import NormaliseSettings

OCCUPIED = ["Preparing", "Charging", "SuspendedEV", "SuspendedEVSE", "Occupied"]
"""Statuses (1.6 and 2.0.1) with a vehicle there. Finishing does not say: it may follow the unplugging."""
VACANT = ["Available", "Reserved"]
ARRIVING = ["Preparing", "Occupied"]
"""Statuses with which a vehicle's coming is told."""
BY_CABLE = ["CablePluggedIn", "EVDetected"]
"""2.0.1 triggers that tell of the cable, not of a card."""
CONNECTED = ["EVConnected", "Charging", "SuspendedEV", "SuspendedEVSE"]
MARK = ["evse_id", "at_utc", "clock_error_s", "order", "plug", "split", "file_id", "line", "source"]


def speaks() -> pl.Expr:
    """The source a message is: its OCPP version."""
    return pl.concat_str(pl.lit("ocpp"), pl.col("version").str.replace_all(".", "", literal=True))


def pilot_marks(pilot: pl.DataFrame, late_s: float) -> pl.DataFrame:
    """Marks of pilot rows: A gone; B, C, D there; E and F do not say.

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


STATUS = pl.col("action") == "StatusNotification"
EVENT = pl.col("action") == "TransactionEvent"
START = (pl.col("action") == "StartTransaction") | (EVENT & (pl.col("event_type") == "Started"))
STOP = (pl.col("action") == "StopTransaction") | (EVENT & (pl.col("event_type") == "Ended"))


def gone() -> pl.Expr:
    """The vehicle has left."""
    left = (pl.col("trigger_reason") == "EVDeparted") | (
        (pl.col("charging_state") == "Idle") & (pl.col("event_type") != "Started")
    )
    return is_true(
        (STATUS & pl.col("status").is_in(VACANT))
        | (STOP & (pl.col("stop_reason") == "EVDisconnected"))
        | (EVENT & left)
    )


def there() -> pl.Expr:
    """The vehicle is plugged in."""
    connected = (pl.col("event_type") != "Ended") & pl.col("charging_state").is_in(CONNECTED)
    plugged = pl.col("trigger_reason").is_in(BY_CABLE)
    return is_true(
        (STATUS & pl.col("status").is_in(OCCUPIED))
        | (pl.col("action") == "StartTransaction")
        | (EVENT & (connected | plugged))
    )


def anew(settings: NormaliseSettings) -> pl.Expr:
    """A new plug-in has begun though no leaving was reported.

    A session under way does not go back to Preparing (OCPP 1.6, 4.9: C2, D2, E2 are no moves);
    Finishing to Preparing is a retry while plugged only when it comes soon and with the same card.
    Another card's transaction after one has ended (not after a refusal) is another vehicle's: it
    begins with the coming told since, else with the transaction itself. After a stop, with no
    status since (the station was offline), what begins later is another plug-in. In 2.0.1 a
    transaction that starts with the cable is a new one. After a restart the station takes up the
    vehicle it finds: going back to Preparing then says nothing.
    """
    at, soon = pl.col("at_utc"), timedelta(seconds=settings.retry_gap_s)
    state = _before(pl.when(STATUS).then("status"))
    said = _before(pl.when(STATUS).then("at_utc"))
    preparing = STATUS & (pl.col("status") == "Preparing")
    started, stopped = _before(pl.when(START).then("at_utc")), _before(pl.when(STOP).then("at_utc"))
    token = same_token("id_token")
    starting = pl.when(START).then(token)
    held, next_held = _before(starting), starting.backward_fill().over("evse_id")
    starts_first = (_next(START) < _next(gone())).fill_null(value=True)
    other_card = is_true(held != next_held) & starts_first
    back = preparing & (
        state.is_in(["Charging", "SuspendedEV", "SuspendedEVSE"])
        | ((state == "Finishing") & ((at - said > soon) | other_card))
    )
    left, told = (
        _before(pl.when(gone()).then("at_utc")),
        _before(pl.when(pl.col("transaction_id").is_not_null()).then("at_utc")),
    )
    ended, taken = (
        stopped >= started,
        START & (pl.col("id_token_status").fill_null("Accepted") == "Accepted"),
    )
    begun, holder = _before(pl.when(taken).then("at_utc")), _before(pl.when(taken).then(token))
    came = _before(pl.when(STATUS & pl.col("status").is_in(OCCUPIED)).then("at_utc"))
    over = ended & (left.is_null() | (begun > left)) & (came.is_null() | (came <= stopped))
    comes = STATUS & pl.col("status").is_in(ARRIVING) & over & starts_first & (holder != next_held)
    unseen = START & over & (holder != token)
    restarted = is_true(pl.col("booted_utc") > pl.coalesce(said, started))
    silent = ended & (said.is_null() | (said < started))
    offline = silent & (
        (preparing & (at - stopped > timedelta(seconds=settings.settle_s)))
        | (START & (at - stopped > soon))
    )
    cable = EVENT & (pl.col("event_type") == "Started") & pl.col("trigger_reason").is_in(BY_CABLE)
    other = (_before(pl.col("transaction_id")) != pl.col("transaction_id")) & (
        left.is_null() | (told > left)
    )
    return (
        ((is_true(back) | is_true(comes)) & ~restarted)
        | is_true(offline)
        | is_true(unseen)
        | is_true(cable & other)
    )


def signal_marks(signals: pl.DataFrame, settings: NormaliseSettings) -> pl.DataFrame:
    """Marks of messages. One that begins with a transaction may lack the plug-in itself.

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
    coming = (pl.col("charging_state") == "EVConnected") & pl.col("trigger_reason").is_in(BY_CABLE)
    plugging = is_true((STATUS & pl.col("status").is_in(ARRIVING)) | coming)
    late_s = pl.when(plugging).then(0.0).otherwise(settings.card_first_s)
    return placed.with_columns(
        clock_error_s=pl.col("clock_error_s") + late_s,
        plug=pl.when(gone()).then(-1).when(there()).then(1).otherwise(0),
        split=anew(settings),
        order=pl.col("receiver_at_utc").dt.epoch("us"),
        source=speaks(),
    ).select(MARK)
