"""How a plug-in ended: named questions to its facts, then one table in the order of the contract.

Facts are rows of core_plug_in with `supply`, `vehicle_fault`, `vehicle_fault_utc`, `soc_leave_pct` and
`full_before`.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import polars as pl

from pipeline.core.masks import is_true
from pipeline.normalise.attempts import stage
from pipeline.normalise.attempts.energy import MAINS_V
from pipeline.ocpp import vocabulary
from pipeline.settings.normalise import NormaliseSettings

LOCK_FAULT = "ConnectorLockFailure"


@dataclass(frozen=True)
class Questions:
    """What is asked of a plug-in's facts; each a mask without nulls."""

    faulted: pl.Expr
    enough: pl.Expr
    some: pl.Expr
    refused: pl.Expr
    unanswered: pl.Expr
    not_closed: pl.Expr
    gave_up: pl.Expr
    idle: pl.Expr
    warned: pl.Expr
    vehicle_fault: pl.Expr
    vehicle_ended: pl.Expr
    vehicle_broke: pl.Expr
    never_offered: pl.Expr
    waited: pl.Expr
    held_back: pl.Expr
    never_closed: pl.Expr
    broken_off: pl.Expr


def seconds(later: pl.Expr, earlier: pl.Expr) -> pl.Expr:
    """Seconds to the microsecond.

    Unrounded, the last bit hangs on where in the frame the row stands.
    """
    return ((later - earlier).dt.total_microseconds() / 1e6).round(6)


def delivered(settings: NormaliseSettings) -> tuple[pl.Expr, pl.Expr]:
    """`enough`: half a kilowatt hour, by the meter or, without one, by the time the contactor was closed; and that time."""
    closed_s = seconds(
        pl.coalesce("done_utc", "fault_utc", "stopped_utc", "unplugged_at_utc", "seen_utc"),
        pl.col("closed_utc"),
    )
    likely_kwh = (
        closed_s / 3600 * pl.coalesce("offered_a", pl.lit(settings.energy.usual_a)) * MAINS_V / 1000
    )
    guessed = pl.col("energy_kwh").is_null() | is_true(pl.col("partial"))
    enough = is_true(pl.col("energy_kwh") >= settings.charged_kwh) | (
        guessed & is_true(likely_kwh >= settings.charged_kwh)
    )
    return enough, closed_s


def over_before_the_fault(enough: pl.Expr, some: pl.Expr, settings: NormaliseSettings) -> pl.Expr:
    """The charge had ended as meant before the fault: by a person, or some seconds before by the vehicle.

    A trip of the supply makes the vehicle stop asking too, so its stopping must lie before; a lock
    that will not open is met only after the end.
    """
    settle = timedelta(seconds=settings.settle_s)
    by_person = some & is_true(pl.col("meant_utc") <= pl.col("fault_utc"))
    lock = is_true(pl.col("fault") == LOCK_FAULT) & is_true(
        pl.col("done_utc") <= pl.col("fault_utc")
    )
    return by_person | (
        enough & (is_true(pl.col("done_utc") + settle < pl.col("fault_utc")) | lock)
    )


def vehicle_broke(settings: NormaliseSettings) -> pl.Expr:
    """The vehicle reported a charge fault just as it stopped asking, and asked no more."""
    apart_s = seconds(pl.col("vehicle_fault_utc"), pl.col("ev_suspended_at_utc")).abs()
    return is_true(apart_s <= settings.telematics_slack_s)


def never_offered(end: pl.Expr, settings: NormaliseSettings) -> pl.Expr:
    """A token was accepted, and by the pilot's record the PWM was never on while the vehicle waited.

    B1 is the EVSE not ready (IEC 61851-1 Table A.2, secondary); where it holds back on purpose OCPP has a word for it.
    """
    waited_s = seconds(end, pl.max_horizontal("authorised_utc", "plugged_at_utc"))
    held_back = is_true(pl.col("suspended_evse")) | is_true(pl.col("suspended_ev"))
    return (
        pl.col("source").str.contains("pilot")
        & is_true(pl.col("level") == 0)
        & pl.col("authorised_utc").is_not_null()
        & is_true(waited_s >= settings.waiting_s)
        & ~held_back
    )


def questions(settings: NormaliseSettings) -> Questions:
    """The questions, from the facts and the settings."""
    end = pl.coalesce("unplugged_at_utc", "seen_utc")
    enough, closed_s = delivered(settings)
    some, nothing = is_true(pl.col("energy_kwh") > 0), is_true(pl.col("energy_kwh") == 0)
    closed = pl.col("closed_utc").is_not_null()
    let_go_s = seconds(pl.col("let_go_utc"), pl.col("closed_utc"))
    brief = closed & is_true(let_go_s <= settings.waiting_s)
    full = is_true(pl.col("soc_leave_pct") >= settings.full_soc_pct) | (
        is_true(pl.col("full_before")) & brief
    )
    ended, held_back = (
        pl.col("ev_suspended_at_utc").is_not_null(),
        is_true(pl.col("suspended_evse")),
    )
    over = over_before_the_fault(enough, some, settings)
    warned = pl.col("warning_at_utc").is_not_null()
    passing = (
        pl.col("warning_fault").is_not_null()
        & pl.col("offered_utc").is_null()
        & is_true(seconds(end, pl.col("plugged_at_utc")) < settings.waiting_s)
    )
    exported = is_true(pl.col("source").is_in(stage.EXPORT_ONLY))
    begun = pl.coalesce("offered_utc", pl.when(exported).then("plugged_at_utc"))
    waited = full | is_true(seconds(end, begun) >= settings.waiting_s)
    told = pl.col("transaction_id").is_not_null() | is_true(pl.col("suspended_ev"))
    by_messages = pl.col("source").str.replace("+telematics", "", literal=True) == "ocpp16"
    return Questions(
        faulted=pl.col("fault_utc").is_not_null() & ~over & (is_true(pl.col("lasting")) | ~enough),
        enough=enough,
        some=some,
        refused=is_true(pl.col("refused"))
        | is_true(pl.col("stop_reason").is_in(vocabulary.REFUSING_STOPS)),
        unanswered=is_true(pl.col("unanswered") & ~pl.col("accepted"))
        & ~closed
        & ~is_true(pl.col("suspended_ev")),
        not_closed=~closed & is_true(pl.col("requested_s") > settings.close_limit_s),
        gave_up=brief & pl.col("flow_utc").is_null() & ~some & ~full & ~held_back,
        idle=closed
        & ~ended
        & ~full
        & ~held_back
        & nothing
        & is_true(closed_s >= settings.idle_limit_s),
        warned=warned & ~passing,
        vehicle_fault=is_true(pl.col("vehicle_fault")),
        vehicle_broke=some & ended & ~full & vehicle_broke(settings),
        never_offered=never_offered(end, settings),
        vehicle_ended=ended | full,
        waited=waited & (told | ~is_true(by_messages)),
        held_back=held_back,
        never_closed=~closed,
        broken_off=pl.col("unplugged_at_utc").is_null() & pl.col("stopped_utc").is_null(),
    )


def outcome_table(ask: Questions) -> tuple[tuple[pl.Expr, str, str], ...]:
    """The decision: the first row that holds gives the outcome; the words say why."""
    return (
        (ask.faulted, "failed", "a fault ended it"),
        (ask.vehicle_broke, "failed", "the vehicle stopped with a charge fault of its own, and no more energy"),
        (ask.enough, "charged", "half a kilowatt hour, and no fault ended it"),
        (ask.refused & ~ask.some, "declined", "an answer that was not Accepted"),
        (ask.idle, "failed", "energised for long, and not a watt-hour"),
        (ask.gave_up, "failed", "energised, and the vehicle let go within seconds, without a watt-hour"),
        (ask.unanswered, "failed", "nothing answered the token"),
        (ask.never_offered, "failed", "authorised, and the EVSE offered nothing"),
        (ask.not_closed, "failed", "asked, and the contactor never closed"),
        (ask.warned, "failed", "a sign of trouble, or the offer taken back, and no charge"),
        (ask.vehicle_fault, "failed", "the vehicle reported a charge fault, and no charge"),
        (ask.some & ask.vehicle_ended, "charged", "a little, and the vehicle ended it: full"),
        (ask.broken_off, "unknown", "the record is broken off"),
        (ask.waited & (ask.vehicle_ended | ask.never_closed | ask.held_back), "not_requested", "offered, and not asked for"),
        (pl.lit(value=True), "abandoned", "left before anything could happen"),
    )  # fmt: skip


def outcome(facts: pl.DataFrame, settings: NormaliseSettings) -> pl.DataFrame:
    """Adds `outcome`, `stage`, `stage_seconds`, `early_b`, and leaves in `fault` only what counts."""
    ask = questions(settings)
    decided = pl.lit(None, dtype=pl.String)
    for holds, name, _ in reversed(outcome_table(ask)):
        decided = pl.when(holds).then(pl.lit(name)).otherwise(decided)
    never = pl.col("closed_utc").is_null() & pl.col("flow_utc").is_null() & (decided != "charged")
    named = facts.with_columns(
        outcome=decided,
        energy_kwh=pl.coalesce("energy_kwh", pl.when(never).then(0.0)),
        _faulted=ask.faulted,
        _unanswered=ask.unanswered,
    )
    return stage.of_outcome(named, settings)
