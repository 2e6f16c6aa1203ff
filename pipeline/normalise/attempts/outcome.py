"""How a plug-in ended.

Facts gathered from its moments, then outcome, stage, fault and early_b as the contract decides.
"""

from __future__ import annotations

from datetime import timedelta

import polars as pl

from pipeline.core.masks import is_true
from pipeline.normalise.attempts.stage_events import STAGES
from pipeline.ocpp import predicates, vocabulary
from pipeline.settings.normalise import NormaliseSettings

EXPORT_ONLY = ["export", "export+telematics"]
FULL_SOC_PCT = 99.0
USUAL_A, MAINS_V = 16.0, 230.0
"""Where no meter tells: what one phase delivers at the current offered, 16 A if that is not known either; practice."""
CONTACTOR_FAULTS = ["PowerSwitchFailure", "EVSEContactorFault"]
"""A contactor is told to close only when the vehicle asks (IEC 61851-1 sequence 4, as given by a secondary source)."""
PILOT_FAULTS = ["DiodeFault", "PilotFault"]


def _first(column: str, when: pl.Expr) -> pl.Expr:
    return pl.col(column).filter(when.fill_null(value=False)).first()


def progress(moments: pl.DataFrame, settle: timedelta) -> pl.DataFrame:
    """Per plug-in: when each level was first reached, when charging was last good, and the fault
    that ended it.

    The ending fault is the first after the last good moment, named by the most exact code within
    some seconds of it.
    """
    ordered = moments.sort("plug_in", "at_utc", "file_id", "line")
    good = (pl.col("level") == 3) & (pl.col("strength") == 0)
    ordered = ordered.with_columns(good_utc=pl.col("at_utc").filter(good).max().over("plug_in"))
    after = pl.col("good_utc").is_null() | (pl.col("at_utc") >= pl.col("good_utc") - settle / 2)
    hard = (pl.col("strength") == 2) & after
    ordered = ordered.with_columns(
        fault_utc=pl.coalesce(
            pl.col("at_utc").filter(hard).min().over("plug_in"),
            pl.col("at_utc").filter(pl.col("strength") == 2).min().over("plug_in"),
        ),
        lasting=hard.any().over("plug_in"),
    )
    near = (pl.col("strength") == 2) & pl.col("at_utc").is_between(
        pl.col("fault_utc"), pl.col("fault_utc") + 2 * settle
    )
    upto = pl.col("fault_utc").is_null() | (pl.col("at_utc") <= pl.col("fault_utc"))
    ended = (
        pl.col("done") & pl.col("good_utc").is_not_null() & (pl.col("at_utc") > pl.col("good_utc"))
    )
    level = pl.col("level")
    return ordered.group_by("plug_in", maintain_order=True).agg(
        pl.col("fault_utc").first(),
        pl.col("lasting").first(),
        fault=pl.col("fault")
        .filter(near)
        .sort_by(pl.col("rank").filter(near), descending=True, maintain_order=True)
        .first(),
        fault_raw=pl.col("fault_raw")
        .filter(near)
        .sort_by(pl.col("rank").filter(near), descending=True, maintain_order=True)
        .first(),
        fault_at=pl.format("{}:{}", _first("file_id", near), _first("line", near)),
        warning_at_utc=_first("at_utc", pl.col("strength") == 1),
        warning_fault=_first("fault", pl.col("strength") == 1),
        warning_raw=_first("fault_raw", pl.col("strength") == 1),
        cut_utc=_first(
            "at_utc",
            pl.col("cut")
            & (pl.col("good_utc").is_null() | (pl.col("at_utc") >= pl.col("good_utc"))),
        ),
        done_utc=_first("at_utc", ended),
        ev_suspended_at_utc=_first(
            "at_utc", pl.col("eased") & (pl.col("at_utc") > pl.col("good_utc"))
        ),
        offered_utc=_first("at_utc", level >= 1),
        requested_utc=_first("at_utc", level >= 2),
        closed_utc=_first("at_utc", level >= 3),
        level_at_fault=level.filter(upto).max(),
        level=level.max(),
    )


def authorisation(signals: pl.DataFrame) -> pl.DataFrame:
    """Per plug-in.

    Token shown, whether accepted, refused or unanswered, and the transaction's ends.
    """
    said, cards = pl.col("id_token_status"), predicates.shows_token()
    stops, started = predicates.is_stop(), predicates.takes_token()
    taken = started & predicates.is_accepted()
    return (
        signals.sort("plug_in", "at_utc", "receiver_at_utc", "file_id", "line")
        .group_by("plug_in", maintain_order=True)
        .agg(
            started_token=pl.coalesce(_first("id_token", taken), _first("id_token", started)),
            shown_token=_first("id_token", pl.col("id_token").is_not_null() & ~stops),
            accepted=(cards & (said == "Accepted")).any(),
            refused=said.filter(cards & said.is_not_null()).last() != "Accepted",
            unanswered=(
                (pl.col("action") == "Authorize")
                & (pl.col("answer") != 3).fill_null(value=True)
                & pl.col("answers_seen")
            ).any(),
            transaction_id=pl.col("transaction_id").drop_nulls().first(),
            stop_reason=pl.when(predicates.is_of_transaction())
            .then("stop_reason")
            .drop_nulls()
            .last(),
            stopped_utc=pl.col("at_utc").filter(stops).last(),
            paused=(predicates.state() == "SuspendedEVSE").any(),
        )
    )


def _seconds(later: pl.Expr, earlier: pl.Expr) -> pl.Expr:
    """Seconds to the microsecond.

    Unrounded, the last bit hangs on where in the frame the row stands.
    """
    return ((later - earlier).dt.total_microseconds() / 1e6).round(6)


def outcome(facts: pl.DataFrame, settings: NormaliseSettings) -> pl.DataFrame:
    """Adds `outcome`, `stage`, `stage_seconds`, `early_b`, and leaves in `fault` only what counts.

    Facts are rows of core_plug_in with `supply` and `vehicle_fault`. The order of the questions is
    the decision: did a fault end it; was enough delivered; was it refused; did something technical
    stop it; did the vehicle end it or wait; is the record broken off; else the driver left before
    anything could happen. A warning beside a short plug-in that nobody tried to use stopped
    nothing.
    """
    end = pl.coalesce("unplugged_at_utc", "seen_utc")
    closed_s = _seconds(
        pl.coalesce("done_utc", "fault_utc", "stopped_utc", "unplugged_at_utc", "seen_utc"),
        pl.col("closed_utc"),
    )
    likely_kwh = closed_s / 3600 * pl.coalesce("offered_a", pl.lit(USUAL_A)) * MAINS_V / 1000
    guessed = pl.col("energy_kwh").is_null() | is_true(pl.col("partial"))
    enough = is_true(pl.col("energy_kwh") >= settings.charged_kwh) | (
        guessed & is_true(likely_kwh >= settings.charged_kwh)
    )
    some = is_true(pl.col("energy_kwh") > 0)
    full = is_true(pl.col("soc_pct") >= FULL_SOC_PCT)
    over = is_true(pl.col("done_utc") + timedelta(seconds=settings.settle_s) < pl.col("fault_utc"))
    faulted = pl.col("fault_utc").is_not_null() & ~(enough & (over | ~is_true(pl.col("lasting"))))
    refused = is_true(pl.col("refused")) | is_true(pl.col("stop_reason").is_in(vocabulary.REFUSING_STOPS))
    unanswered = (
        is_true(pl.col("unanswered") & ~pl.col("accepted")) & pl.col("closed_utc").is_null()
    )
    not_closed = pl.col("closed_utc").is_null() & is_true(
        pl.col("requested_s") > settings.close_limit_s
    )
    closed, ended = pl.col("closed_utc").is_not_null(), pl.col("ev_suspended_at_utc").is_not_null()
    idle = (
        closed
        & ~ended
        & ~full
        & is_true((pl.col("energy_kwh") == 0) & (closed_s >= settings.idle_limit_s))
    )
    lasted_s, untried = _seconds(end, pl.col("plugged_at_utc")), pl.col("offered_utc").is_null()
    warned = (
        pl.col("warning_fault").is_not_null() & untried & is_true(lasted_s < settings.waiting_s)
    )
    signed = pl.col("warning_at_utc").is_not_null() & ~warned
    technical = idle | unanswered | not_closed | signed | is_true(pl.col("vehicle_fault"))
    begun = pl.coalesce(
        "offered_utc", pl.when(pl.col("source").is_in(EXPORT_ONLY)).then("plugged_at_utc")
    )
    waited = full | is_true(_seconds(end, begun) >= settings.waiting_s)
    waited &= pl.col("transaction_id").is_not_null() | (
        pl.col("source").str.replace("+telematics", "", literal=True) != "ocpp16"
    )
    broken = pl.col("unplugged_at_utc").is_null() & pl.col("stopped_utc").is_null()
    decided = (
        pl.when(faulted)
        .then(pl.lit("failed"))
        .when(enough)
        .then(pl.lit("charged"))
        .when(refused & ~some)
        .then(pl.lit("declined"))
        .when(technical)
        .then(pl.lit("failed"))
        .when(some & (ended | full | (waited & (pl.col("source").is_in(EXPORT_ONLY)))))
        .then(pl.lit("charged"))
        .when(broken)
        .then(pl.lit("unknown"))
        .when(waited & (ended | full | ~closed))
        .then(pl.lit("not_requested"))
        .otherwise(pl.lit("abandoned"))
    )
    never = pl.col("closed_utc").is_null() & pl.col("flow_utc").is_null() & (decided != "charged")
    none = pl.when(never).then(0.0)
    named = facts.with_columns(
        outcome=decided,
        energy_kwh=pl.coalesce("energy_kwh", none),
        _faulted=faulted,
        _unanswered=unanswered,
    )
    return _stage(_fault(named), settings)


def _fault(decided: pl.DataFrame) -> pl.DataFrame:
    """`fault`, `fault_raw` and `ended_utc` of what made it fail; null where it did not."""
    failed, hard = pl.col("outcome") == "failed", pl.col("_faulted")
    by_sign = failed & ~hard & pl.col("warning_at_utc").is_not_null()
    return decided.with_columns(
        fault=pl.when(hard)
        .then("fault")
        .when(by_sign)
        .then("warning_fault")
        .when(failed & pl.col("_unanswered"))
        .then(pl.lit("NoInternet")),
        fault_raw=pl.when(hard).then("fault_raw").when(by_sign).then("warning_raw"),
        ended_utc=pl.when(hard).then("fault_utc").when(by_sign).then("warning_at_utc"),
    )


def _stage(decided: pl.DataFrame, settings: NormaliseSettings) -> pl.DataFrame:
    """`stage`, `stage_seconds`, `early_b`.

    An export does not say when the fault came: `stage_seconds` is null. A fault of the pilot, its
    diode or the contactor before any energy came in B or on the step to C (no diode can be checked
    before the PWM is on: derived); any other only if the whole plug-in was no longer than the
    window.
    """
    failed, exported = pl.col("outcome") == "failed", pl.col("source").is_in(EXPORT_ONLY)
    delivering = is_true(pl.col("energy_kwh") > 0) | pl.col("flow_utc").is_not_null()
    pilot_fault = exported & is_true(pl.col("fault").is_in(PILOT_FAULTS))
    level = pl.when(pl.col("_faulted")).then("level_at_fault").otherwise("level").fill_null(0)
    level = pl.when(pilot_fault & ~delivering).then(1).otherwise(level)
    level = pl.when((pl.col("outcome") == "not_requested") & exported).then(1).otherwise(level)
    asked = (
        is_true(pl.col("fault").is_in(CONTACTOR_FAULTS))
        & ~pl.col("source").str.contains("pilot")
        & (level < 2)
    )
    level = pl.when(failed & asked).then(2).otherwise(level)
    level = (
        pl.when(delivering & (exported | (level >= 3) | pl.col("closed_utc").is_null()))
        .then(4)
        .otherwise(level)
    )
    level = pl.when(pl.col("outcome") == "charged").then(4).otherwise(level)
    end = pl.coalesce("ended_utc", "done_utc", "stopped_utc", "unplugged_at_utc", "seen_utc")
    offer_s, plug_s = _seconds(end, pl.col("offered_utc")), _seconds(end, pl.col("plugged_at_utc"))
    since_s = (
        pl.when((offer_s >= 0) & (pl.col("offered_utc") >= pl.col("plugged_at_utc")))
        .then(offer_s)
        .otherwise(plug_s)
    )
    told = pilot_fault | (exported & asked)
    soon = is_true(pl.min_horizontal(since_s, plug_s) <= settings.early_window_s) | told
    timed = pl.col("ended_utc").is_not_null()
    return decided.with_columns(
        _level=level, stage_seconds=pl.when(~(failed & exported)).then(since_s.clip(lower_bound=0))
    ).with_columns(
        stage=pl.col("_level").replace_strict(dict(enumerate(STAGES)), return_dtype=pl.String),
        early_b=failed & (pl.col("supply") == "AC") & (pl.col("_level") <= 2) & timed & soon,
    )
