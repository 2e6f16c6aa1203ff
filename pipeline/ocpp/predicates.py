"""What one message says, as expressions over rows with the columns of core_signal.

Every mask is without nulls: what is not known to hold does not hold. Events (`is_trouble_event`) are
rows of raw_event.
"""

from __future__ import annotations

import polars as pl

from pipeline.core.masks import is_true
from pipeline.ocpp import vocabulary as words


def is_status() -> pl.Expr:
    """A status of a connector (or of the whole station: connector 0)."""
    return is_true(pl.col("action") == "StatusNotification")


def is_transaction_event() -> pl.Expr:
    """A 2.0.1 TransactionEvent."""
    return is_true(pl.col("action") == "TransactionEvent")


def is_start() -> pl.Expr:
    """A transaction starts: StartTransaction, or a TransactionEvent Started (with a token or without)."""
    event = is_transaction_event() & is_true(pl.col("event_type") == "Started")
    return is_true(pl.col("action") == "StartTransaction") | event


def is_stop() -> pl.Expr:
    """A transaction ends: StopTransaction, or a TransactionEvent Ended."""
    event = is_transaction_event() & is_true(pl.col("event_type") == "Ended")
    return is_true(pl.col("action") == "StopTransaction") | event


def is_of_transaction() -> pl.Expr:
    """A message of a transaction's own: start, update or stop."""
    return is_true(
        pl.col("action").is_in(["StartTransaction", "StopTransaction", "TransactionEvent"])
    )


def takes_token() -> pl.Expr:
    """A token takes the transaction: at its start, or in a 2.0.1 Updated; not the token that stops it."""
    stopping = is_true(pl.col("trigger_reason").is_in(words.STOPPING))
    return is_of_transaction() & ~is_stop() & ~stopping & pl.col("id_token").is_not_null()


def shows_token() -> pl.Expr:
    """A token is shown for an answer: Authorize, StartTransaction, a TransactionEvent with a token."""
    asks = is_true(pl.col("action").is_in(["Authorize", "StartTransaction"]))
    return asks | (is_transaction_event() & pl.col("id_token").is_not_null())


def is_accepted() -> pl.Expr:
    """Nothing but Accepted was answered; an unanswered start counts, as a station may go by its own list."""
    return is_true(pl.col("id_token_status").fill_null("Accepted") == "Accepted")


def state() -> pl.Expr:
    """The connector's state as the message says it: status (1.6, 2.0.1) or charging state (2.0.1)."""
    return pl.coalesce(pl.when(is_status()).then("status"), "charging_state")


def has_left() -> pl.Expr:
    """The vehicle has left: Available or Reserved, a stop by unplugging, EVDeparted, or a state without it."""
    left = (pl.col("trigger_reason") == "EVDeparted") | (
        (pl.col("charging_state") == "Idle") & (pl.col("event_type") != "Started")
    )
    return (
        (is_status() & is_true(pl.col("status").is_in(words.VACANT)))
        | (is_stop() & is_true(pl.col("stop_reason") == "EVDisconnected"))
        | (is_transaction_event() & is_true(left))
    )


def is_there() -> pl.Expr:
    """The vehicle is plugged in."""
    connected = (pl.col("event_type") != "Ended") & pl.col("charging_state").is_in(words.CONNECTED)
    plugged = pl.col("trigger_reason").is_in(words.BY_CABLE)
    return (
        (is_status() & is_true(pl.col("status").is_in(words.OCCUPIED)))
        | is_true(pl.col("action") == "StartTransaction")
        | (is_transaction_event() & (is_true(connected) | is_true(plugged)))
    )


def is_arrival() -> pl.Expr:
    """The arrival itself is told: Preparing or Occupied, or connected by the cable."""
    connected = (pl.col("charging_state") == "EVConnected") & pl.col("trigger_reason").is_in(
        words.BY_CABLE
    )
    return (is_status() & is_true(pl.col("status").is_in(words.ARRIVING))) | is_true(connected)


def is_meant_stop() -> pl.Expr:
    """A transaction ends without trouble: no fault named, and not by the station for reasons it keeps to itself."""
    unexplained = is_true(pl.col("stop_reason").is_in(words.UNEXPLAINED_STOPS))
    return is_stop() & pl.col("fault").is_null() & ~unexplained & ~is_abnormal()


def is_personal_stop() -> pl.Expr:
    """A person, or the centre for one, ended the transaction: the reason or the trigger says so."""
    said = is_true(pl.col("stop_reason").is_in(words.PERSONAL_STOPS))
    return is_meant_stop() & (said | is_true(pl.col("trigger_reason").is_in(words.STOPPING)))


def is_abnormal() -> pl.Expr:
    """2.0.1 trigger AbnormalCondition: the station found something wrong."""
    return is_true(pl.col("trigger_reason") == "AbnormalCondition")


def is_trouble_event() -> pl.Expr:
    """An event (rows of raw_event) tells of trouble: an alert, or a variable of trouble turned true; not once cleared.

    `Delta` and `Periodic` report values as they change; their texts (techCode, techInfo) are free.
    """
    variable = is_true(pl.col("variable").is_in(words.TROUBLE_VARIABLES))
    holds = is_true(pl.col("actual_value").str.to_lowercase().is_in(words.TRUE_VALUES))
    alert = is_true(pl.col("trigger_reason") == words.TROUBLE_TRIGGER)
    return ~is_true(pl.col("cleared")) & ((variable & holds) | (alert & ~variable))
