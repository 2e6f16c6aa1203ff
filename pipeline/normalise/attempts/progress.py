"""Facts of a plug-in gathered from what its records say: how far it came, what ended it, who was authorised."""

from __future__ import annotations

from datetime import timedelta

import polars as pl

from pipeline.core.masks import is_true
from pipeline.normalise.signals import codes
from pipeline.ocpp import predicates
from pipeline.settings.normalise import NormaliseSettings

WHOLE_SECOND = timedelta(seconds=1)
"""Messages often tell whole seconds, cut off, where the pilot's rows tell milliseconds: what stands less than this after a fault
came before it. Common practice, no source."""


def _first(column: str, when: pl.Expr) -> pl.Expr:
    return pl.col(column).filter(when.fill_null(value=False)).first()


def progress(events: pl.DataFrame, settings: NormaliseSettings) -> pl.DataFrame:
    """Per plug-in: when each level was first reached, when charging was last good, and the fault
    that ended it.

    A fault after which energy flowed (`after_kwh` of events) ended nothing. The ending fault is the
    first other one after the last good moment, named by the most exact code within some seconds of
    it; what only serves the authorisation names it where the station ends it in that moment.
    It came when the record says that tells the level too (the pilot's row, by one clock with the
    other rows), else when a message says. `level_at_fault` is the highest level by then, to the second.
    """
    settle = timedelta(seconds=settings.settle_s)
    ordered = events.sort("plug_in", "at_utc", "file_id", "line", maintain_order=True)
    resumed = is_true(pl.col("after_kwh") >= settings.energy.register_step_kwh)
    ordered = ordered.with_columns(fault_here=(pl.col("strength") == 2) & ~resumed)
    good = (pl.col("level") == 3) & (pl.col("strength") == 0)
    ordered = ordered.with_columns(good_utc=pl.col("at_utc").filter(good).max().over("plug_in"))
    after = pl.col("good_utc").is_null() | (pl.col("at_utc") >= pl.col("good_utc") - settle / 2)
    hard = pl.col("fault_here") & after
    ordered = ordered.with_columns(
        fault_utc=pl.coalesce(
            pl.col("at_utc").filter(hard).min().over("plug_in"),
            pl.col("at_utc").filter(pl.col("fault_here")).min().over("plug_in"),
        ),
        lasting=hard.any().over("plug_in"),
        asked_utc=pl.col("at_utc").filter(pl.col("level") >= 2).min().over("plug_in"),
    )
    let_go = pl.col("let_go") & (pl.col("at_utc") > pl.col("asked_utc"))
    ordered = ordered.with_columns(
        let_go_utc=pl.col("at_utc").filter(is_true(let_go)).min().over("plug_in")
    )
    ending, soon = pl.col("fault_utc"), pl.col("fault_utc") + 2 * settle
    aside = pl.col("fault").is_in(codes.serving_authorisation()) & (pl.col("strength") == 0)
    near = (pl.col("fault_here") & pl.col("at_utc").is_between(ending, soon)) | (
        is_true(aside) & ~resumed & pl.col("at_utc").is_between(ending - settle, soon)
    )
    own = (
        pl.col("fault_here")
        & pl.col("level").is_not_null()
        & pl.col("at_utc").is_between(ending, soon)
    )
    came = pl.coalesce(pl.col("at_utc").filter(own).min().over("plug_in"), ending)
    ordered = ordered.with_columns(came_utc=came)
    upto = pl.col("came_utc").is_null() | (pl.col("at_utc") < pl.col("came_utc") + WHOLE_SECOND)
    since_good = pl.col("good_utc").is_null() | (pl.col("at_utc") >= pl.col("good_utc"))
    ended = pl.col("done") & (pl.col("at_utc") > pl.col("good_utc"))
    warning = (pl.col("strength") == 1) & ~resumed
    level = pl.col("level")
    return ordered.group_by("plug_in", maintain_order=True).agg(
        pl.col("came_utc").first().alias("fault_utc"),
        pl.col("lasting").first(),
        pl.col("let_go_utc").first(),
        fault=_most_exact("fault", near),
        fault_raw=_most_exact("fault_raw", near),
        fault_at=pl.format("{}:{}", _first("file_id", near), _first("line", near)),
        warning_at_utc=_first("at_utc", warning),
        warning_fault=_first("fault", warning),
        warning_raw=_first("fault_raw", warning),
        cut_utc=_first("at_utc", pl.col("cut") & since_good),
        done_utc=_first("at_utc", ended),
        meant_utc=_first("at_utc", pl.col("meant") & since_good),
        ev_suspended_at_utc=_first(
            "at_utc", pl.col("let_go") & (pl.col("at_utc") > pl.col("good_utc"))
        ),
        asked_again_utc=_first("at_utc", (level >= 2) & (pl.col("at_utc") > pl.col("let_go_utc"))),
        offered_utc=_first("at_utc", level >= 1),
        requested_utc=_first("at_utc", level >= 2),
        closed_utc=_first("at_utc", level >= 3),
        level_at_fault=level.filter(upto).max(),
        level=level.max(),
    )


def recovered(events: pl.DataFrame, ends: pl.DataFrame, waiting_s: float) -> pl.DataFrame:
    """`events` without the signs of trouble (strength 1, or an offer taken back) that passed.

    A sign passed where it came before the vehicle asked, what is said after the last trouble tells
    of none, and current was offered again for `waiting_s`: the vehicle could have charged. `ends`:
    `plug_in, end_utc`.
    """
    at, level, trouble = pl.col("at_utc"), pl.col("level"), pl.col("strength") > 0
    bad, clean = trouble | pl.col("cut"), ~trouble & ~pl.col("cut")
    known = events.join(ends, on="plug_in", how="left", maintain_order="left").with_columns(
        _last=at.filter(bad).max().over("plug_in"),
        _asked=at.filter(is_true(level >= 2)).min().over("plug_in"),
    )
    after = clean & is_true(at > pl.col("_last"))
    again = pl.max_horizontal(
        at.filter(after & pl.col("tells_state")).min().over("plug_in"),
        at.filter(after & is_true(level >= 1)).min().over("plug_in"),
    )
    both = (
        (after & pl.col("tells_state")).any().over("plug_in")
        & (after & is_true(level >= 1)).any().over("plug_in")
    )  # fmt: skip
    stood = is_true(pl.col("end_utc") - again >= timedelta(seconds=waiting_s))
    early = pl.col("_asked").is_null() | is_true(at < pl.col("_asked"))
    passed = (pl.col("strength") < 2) & bad & both & stood & early
    return known.with_columns(
        strength=pl.when(passed).then(0).otherwise("strength"),
        cut=pl.col("cut") & ~passed,
    ).select(events.columns)


def _most_exact(column: str, near: pl.Expr) -> pl.Expr:
    """Of the words near the fault the one that names it most exactly, of equals the first."""
    rank = pl.col("rank").filter(near)
    return pl.col(column).filter(near).sort_by(rank, descending=True, maintain_order=True).first()


def authorisation(signals: pl.DataFrame) -> pl.DataFrame:
    """Per plug-in.

    Token shown, whether accepted, refused or unanswered, and the transaction's ends.
    """
    said, cards = pl.col("id_token_status"), predicates.shows_token()
    stops, started = predicates.is_stop(), predicates.takes_token()
    taken = started & predicates.is_accepted()
    welcome = taken | (cards & is_true(said == "Accepted"))
    return (
        signals.sort(
            *("plug_in", "at_utc", "receiver_at_utc", "file_id", "line"), maintain_order=True
        )
        .group_by("plug_in", maintain_order=True)
        .agg(
            started_token=pl.coalesce(_first("id_token", taken), _first("id_token", started)),
            shown_token=_first("id_token", pl.col("id_token").is_not_null() & ~stops),
            accepted=(cards & (said == "Accepted")).any(),
            authorised_utc=_first("at_utc", welcome),
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
            suspended_evse=(predicates.state() == "SuspendedEVSE").any(),
            suspended_ev=(predicates.state() == "SuspendedEV").any(),
        )
    )
