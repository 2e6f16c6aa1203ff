"""Tokens shown at a station that did not say at which EVSE (OCPP 1.6 Authorize).

Given to the plug-in that waited.
"""

from __future__ import annotations

from datetime import timedelta

import polars as pl

from pipeline.core.overlap import meeting
from pipeline.ocpp.predicates import takes_token
from pipeline.settings.normalise import NormaliseSettings


def begun(signals: pl.DataFrame) -> pl.DataFrame:
    """Per plug-in: when its transactions started and with which tokens, one row a transaction."""
    return signals.filter(takes_token()).select(
        "plug_in",
        started_utc="at_utc",
        started_token="id_token",  # noqa: S106  # a column
    )


def placed(
    shown: pl.DataFrame, signals: pl.DataFrame, plug_ins: pl.DataFrame, settings: NormaliseSettings
) -> pl.DataFrame:
    """Cards with their `plug_in`, one row each; a card that could be of two plug-ins alike is given
    to neither.

    Best a plug-in where a transaction with the same token started soon after; else the only one
    there without a running transaction; else the only one plugged in soon after.
    """
    near, slack = timedelta(seconds=settings.card_first_s), timedelta(seconds=settings.settle_s)
    stations = signals.select("evse_id", "station_id").unique()
    open_ = plug_ins.join(stations, on="evse_id").select(
        "station_id", "plug_in", "from_utc", "bound_utc", _evse="evse_id"
    )
    numbered = shown.with_row_index("_card")
    at = pl.col("at_utc")
    around = meeting(
        numbered.select("_card", "station_id", "at_utc", "id_token"),
        open_,
        "station_id",
        ((at, at), (pl.col("from_utc") - near, pl.col("bound_utc") + slack)),
    )
    tried = around.join(begun(signals), on="plug_in", how="left", maintain_order="left")
    soon = (pl.col("started_utc") - pl.col("at_utc")).is_between(-slack, near)
    each = tried.group_by("_card", "plug_in", maintain_order=True).agg(
        same=(soon & (pl.col("started_token") == pl.col("id_token"))).fill_null(value=False).any(),
        running=(pl.col("started_utc") < pl.col("at_utc") - slack).fill_null(value=False).any(),
        there=(pl.col("from_utc") <= pl.col("at_utc") + slack).any(),
        evse_id=pl.col("_evse").first(),
    )
    fit = (
        pl.when("same")
        .then(3)
        .when(pl.col("there") & ~pl.col("running"))
        .then(2)
        .when(~pl.col("there"))
        .then(1)
        .otherwise(0)
    )
    best = each.with_columns(fit=fit).filter(
        (pl.col("fit") > 0) & (pl.col("fit") == pl.col("fit").max().over("_card"))
    )
    sure = best.filter(pl.len().over("_card") == 1).select("_card", "plug_in", _at="evse_id")
    return (
        numbered.join(sure, on="_card", maintain_order="left")
        .with_columns(evse_id=pl.col("_at"))
        .drop("_card", "_at")
    )
