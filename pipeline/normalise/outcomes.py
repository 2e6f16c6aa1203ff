"""How a plug-in ended: facts gathered from its moments, then outcome, stage, fault and early_b as the contract decides."""

from __future__ import annotations

from datetime import timedelta

import polars as pl

from pipeline.normalise.moments import STAGES
from pipeline.settings.normalise import NormaliseSettings

REFUSING_STOPS = ["DeAuthorized", "LocalOutOfCredit"]
FULL_SOC_PCT = 99.0


def _first(column: str, when: pl.Expr) -> pl.Expr:
    return pl.col(column).filter(when.fill_null(value=False)).first()


def progress(moments: pl.DataFrame, settle: timedelta) -> pl.DataFrame:
    """Per plug-in: when each level was first reached, when charging was last good, and the fault that ended it.

    The ending fault is the first after the last good moment, named by the most exact code within some seconds of it.
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
    near = (pl.col("strength") == 2) & pl.col("at_utc").is_between(pl.col("fault_utc"), pl.col("fault_utc") + 2 * settle)
    upto = pl.col("fault_utc").is_null() | (pl.col("at_utc") <= pl.col("fault_utc"))
    ended = pl.col("done") & pl.col("good_utc").is_not_null() & (pl.col("at_utc") > pl.col("good_utc"))
    level = pl.col("level")
    return ordered.group_by("plug_in", maintain_order=True).agg(
        pl.col("good_utc").first(),
        pl.col("fault_utc").first(),
        pl.col("lasting").first(),
        fault=pl.col("fault").filter(near).sort_by(pl.col("rank").filter(near), descending=True, maintain_order=True).first(),
        fault_raw=pl.col("fault_raw")
        .filter(near)
        .sort_by(pl.col("rank").filter(near), descending=True, maintain_order=True)
        .first(),
        fault_at=pl.format("{}:{}", _first("file_id", near), _first("line", near)),
        sign_utc=_first("at_utc", pl.col("strength") == 1),
        sign_fault=_first("fault", pl.col("strength") == 1),
        sign_raw=_first("fault_raw", pl.col("strength") == 1),
        done_utc=_first("at_utc", ended),
        offered_utc=_first("at_utc", level >= 1),
        requested_utc=_first("at_utc", level >= 2),
        closed_utc=_first("at_utc", level >= 3),
        level_at_fault=level.filter(upto).max(),
        level=level.max(),
        waits_utc=pl.col("at_utc").filter(pl.col("waits")).first(),
    )


def authorisation(signals: pl.DataFrame) -> pl.DataFrame:
    """Per plug-in: token shown, whether accepted, refused or unanswered, and the transaction's ends."""
    cards = pl.col("action").is_in(["Authorize", "StartTransaction"]) | (
        (pl.col("action") == "TransactionEvent") & pl.col("id_token").is_not_null()
    )
    said = pl.col("id_token_status")
    stops = ((pl.col("action") == "StopTransaction") | (pl.col("event_type") == "Ended")).fill_null(value=False)
    return (
        signals.sort("plug_in", "at_utc", "receiver_at_utc", "file_id", "line")
        .group_by("plug_in", maintain_order=True)
        .agg(
            started_token=_first("id_token", (pl.col("action") != "Authorize") & pl.col("id_token").is_not_null() & ~stops),
            shown_token=_first("id_token", pl.col("id_token").is_not_null() & ~stops),
            accepted=(cards & (said == "Accepted")).any(),
            refused=(cards & said.is_not_null() & (said != "Accepted")).any(),
            unanswered=(
                (pl.col("action") == "Authorize") & (pl.col("answer") != 3).fill_null(value=True) & pl.col("answers_seen")
            ).any(),
            asked=cards.any(),
            transaction_id=pl.col("transaction_id").drop_nulls().first(),
            stop_reason=pl.when(pl.col("action").is_in(["StopTransaction", "TransactionEvent"]))
            .then("stop_reason")
            .drop_nulls()
            .last(),
            stopped_utc=pl.col("at_utc").filter(stops).last(),
            restarted=(pl.col("action") == "BootNotification").any(),
        )
    )


def _seconds(later: pl.Expr, earlier: pl.Expr) -> pl.Expr:
    return (later - earlier).dt.total_microseconds() / 1e6


def outcome(facts: pl.DataFrame, settings: NormaliseSettings) -> pl.DataFrame:
    """Adds `outcome`, `stage`, `stage_seconds`, `early_b`, and the fault that counts, to one row of facts a plug-in."""
    settle = timedelta(seconds=settings.settle_s)
    enough = (pl.col("energy_kwh") >= settings.charged_kwh).fill_null(value=False)
    some = (pl.col("energy_kwh") > 0).fill_null(value=False)
    vehicle_ended = (pl.col("done_utc").is_not_null() | (pl.col("soc_pct") >= FULL_SOC_PCT)).fill_null(value=False)
    over = (pl.col("done_utc") + settle < pl.col("fault_utc")).fill_null(value=False)
    faulted = pl.col("fault_utc").is_not_null() & ~(enough & (over | ~pl.col("lasting")))
    open_s = _seconds(pl.coalesce("unplugged_at_utc", "seen_utc"), pl.col("requested_utc"))
    not_closed = pl.col("requested_utc").is_not_null() & pl.col("closed_utc").is_null() & pl.col("offered_utc").is_not_null()
    not_closed = (not_closed & (open_s > settings.close_limit_s) & (pl.col("requested_s") > settings.close_limit_s)).fill_null(
        value=False
    )
    refused = (pl.col("refused") & ~pl.col("accepted") | pl.col("stop_reason").is_in(REFUSING_STOPS)).fill_null(value=False)
    unanswered = (pl.col("unanswered") & ~pl.col("accepted") & pl.col("closed_utc").is_null()).fill_null(value=False)
    sign = pl.col("sign_utc").is_not_null() | pl.col("vehicle_fault").fill_null(value=False)
    offered_s = _seconds(pl.coalesce("unplugged_at_utc", "seen_utc"), pl.col("offered_utc"))
    waited = ((offered_s >= settings.waiting_s) | (pl.col("soc_pct") >= FULL_SOC_PCT)).fill_null(value=False)
    open_end = pl.col("unplugged_at_utc").is_null() & pl.col("stopped_utc").is_null()
    decided = (
        pl.when(faulted)
        .then(pl.lit("failed"))
        .when(enough)
        .then(pl.lit("charged"))
        .when(refused & ~some)
        .then(pl.lit("declined"))
        .when(unanswered | sign | not_closed)
        .then(pl.lit("failed"))
        .when(some & vehicle_ended)
        .then(pl.lit("charged"))
        .when(open_end)
        .then(pl.lit("unknown"))
        .when(waited & pl.col("closed_utc").is_null())
        .then(pl.lit("not_requested"))
        .otherwise(pl.lit("abandoned"))
    )
    named = facts.with_columns(outcome=decided, _faulted=faulted, _unanswered=unanswered)
    return _stage(_fault(named), settings)


def _fault(decided: pl.DataFrame) -> pl.DataFrame:
    failed = pl.col("outcome") == "failed"
    by_sign = failed & ~pl.col("_faulted") & pl.col("sign_utc").is_not_null()
    return decided.with_columns(
        fault=pl.when(pl.col("_faulted"))
        .then("fault")
        .when(failed & pl.col("_unanswered"))
        .then(pl.lit("NoInternet"))
        .when(by_sign)
        .then("sign_fault"),
        fault_raw=pl.when(pl.col("_faulted")).then("fault_raw").when(by_sign).then("sign_raw"),
        ended_utc=pl.when(pl.col("_faulted")).then("fault_utc").when(by_sign).then("sign_utc"),
    )


def _stage(decided: pl.DataFrame, settings: NormaliseSettings) -> pl.DataFrame:
    failed = pl.col("outcome") == "failed"
    delivering = (pl.col("energy_kwh") > 0).fill_null(value=False) | pl.col("flow_utc").is_not_null()
    level = pl.when(pl.col("_faulted")).then("level_at_fault").otherwise(pl.col("level")).fill_null(0)
    level = pl.when(delivering & ((level >= 3) | pl.col("closed_utc").is_null())).then(4).otherwise(level)
    since = pl.max_horizontal("plugged_at_utc", pl.col("offered_utc"))
    end = pl.coalesce("ended_utc", "done_utc", "stopped_utc", "unplugged_at_utc", "seen_utc")
    from_offer, from_plug = _seconds(end, pl.col("offered_utc")), _seconds(end, pl.col("plugged_at_utc"))
    soon = (pl.min_horizontal(pl.when(from_offer >= 0).then(from_offer), from_plug) <= settings.early_window_s).fill_null(
        value=False
    )
    before_closing = pl.col("level_at_stage") <= 2
    return decided.with_columns(
        level_at_stage=level,
        stage_seconds=pl.when(end >= since).then(_seconds(end, since)).otherwise(from_plug).clip(lower_bound=0),
    ).with_columns(
        stage=pl.col("level_at_stage").replace_strict(dict(enumerate(STAGES)), return_dtype=pl.String),
        early_b=failed & (pl.col("supply") == "AC") & before_closing & pl.col("ended_utc").is_not_null() & soon,
    )
