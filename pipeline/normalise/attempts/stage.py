"""How far an attempt came, by which fault, how soon; and what is known of its asking for current."""

from __future__ import annotations

import polars as pl

from pipeline.core.masks import is_true
from pipeline.normalise.attempts.progress import WHOLE_SECOND
from pipeline.normalise.attempts.stage_events import STAGES
from pipeline.settings.normalise import NormaliseSettings

EXPORT_ONLY = ["export", "export+telematics"]
CONTACTOR_FAULTS = ["PowerSwitchFailure", "EVSEContactorFault"]
"""A contactor is told to close only when the vehicle asks (IEC 61851-1 sequence 4, as given by a secondary source)."""
PILOT_FAULTS = ["DiodeFault", "PilotFault"]


def of_outcome(decided: pl.DataFrame, settings: NormaliseSettings) -> pl.DataFrame:
    """Adds fault, stage, early_b and what is known of asking to rows with their `outcome`."""
    return asking(stage(fault(decided), settings), settings)


def _seconds(later: pl.Expr, earlier: pl.Expr) -> pl.Expr:
    """Seconds to the microsecond: unrounded, the last bit hangs on where in the frame the row stands."""
    return ((later - earlier).dt.total_microseconds() / 1e6).round(6)


def fault(decided: pl.DataFrame) -> pl.DataFrame:
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


def stage(decided: pl.DataFrame, settings: NormaliseSettings) -> pl.DataFrame:
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
        pl.when(
            (offer_s > -WHOLE_SECOND.total_seconds())
            & (pl.col("offered_utc") >= pl.col("plugged_at_utc"))
        )
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


def asking(decided: pl.DataFrame, settings: NormaliseSettings) -> pl.DataFrame:
    """Adds `asked, asked_at_utc, wait_s, let_go_s, charged_later`: what a silence is told by (facts, H4).

    An export does not say whether the vehicle asked, unless energy flowed. A try of seconds before a
    later charge of the same plug-in is a timer's, as is a wait before the first asking.
    """
    exported, charged = pl.col("source").is_in(EXPORT_ONLY), pl.col("outcome") == "charged"
    end = pl.coalesce("unplugged_at_utc", "seen_utc")
    asked_at = pl.min_horizontal("requested_utc", "closed_utc")
    asked = asked_at.is_not_null() | (pl.col("_level") >= 2)
    let_go_s = _seconds(pl.col("let_go_utc"), asked_at)
    brief = is_true(let_go_s <= settings.waiting_s) & pl.col("asked_again_utc").is_not_null()
    empty = pl.col("flow_utc").is_null() & ~is_true(pl.col("energy_kwh") > 0)
    rested_s = _seconds(pl.col("asked_again_utc"), pl.col("let_go_utc"))
    known = decided.with_columns(
        asked=pl.when(asked | ~exported).then(asked),
        asked_at_utc=asked_at,
        wait_s=_seconds(pl.coalesce(asked_at, end), pl.col("offered_utc")).clip(lower_bound=0),
        let_go_s=pl.when(pl.when(charged).then(brief).otherwise(empty)).then(let_go_s),
        suspended_evse=is_true(pl.col("suspended_evse")),
    )
    paused = pl.col("let_go_s").is_not_null() & is_true(rested_s >= settings.waiting_s)
    return known.with_columns(
        charged_later=charged & (is_true(pl.col("wait_s") >= settings.waiting_s) | paused)
    )
