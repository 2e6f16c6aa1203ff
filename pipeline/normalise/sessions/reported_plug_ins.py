"""Plug-ins that vehicles reported beside those that EVSEs saw: who an unknown vehicle was, and what no EVSE saw."""

from __future__ import annotations

from datetime import timedelta

import polars as pl

from pipeline.core.overlap import meeting
from pipeline.normalise.sessions.identities import same_token
from pipeline.settings.normalise import NormaliseSettings

FAMILIES = {
    "cCCS2": ["cCCS2", "Type2"],
    "cType2": ["Type2"],
    "sType2": ["Type2"],
    "cCCS1": ["cCCS1", "Type1"],
    "cType1": ["Type1"],
}
"""A CCS inlet holds the AC part of the same coupler (IEC 62196-3; as the contract says)."""
COUPLERS = {"cType2": ["Type2"], "sType2": ["Type2", "Type1"], "cType1": ["Type1"]}
"""AC inlets an outlet serves: at a socket outlet of type 2 the vehicle's own cable (IEC 61851-1 case B) ends in its own inlet's
coupler, be it type 1 or 2 (IEC 62196-2; common practice)."""


def fitting(vehicles: pl.DataFrame, evses: pl.DataFrame) -> pl.DataFrame:
    """Pairs `vehicle_id, evse_id` whose couplers mate."""
    families = vehicles.select("vehicle_id", code=pl.col("inlets").str.split(";")).explode(
        "code", empty_as_null=True
    )
    families = families.with_columns(pl.col("code").str.strip_chars()).with_columns(
        family=pl.col("code").replace_strict(
            FAMILIES, default=pl.concat_list("code"), return_dtype=pl.List(pl.String)
        )
    )
    families = (
        families.explode("family", empty_as_null=True).select("vehicle_id", "family").unique()
    )
    served = pl.col("connector_type").replace_strict(
        COUPLERS, default=pl.concat_list("connector_type"), return_dtype=pl.List(pl.String)
    )
    couplers = evses.select("evse_id", family=served).explode("family", empty_as_null=True)
    return families.join(couplers, on="family").select("vehicle_id", "evse_id").unique()


def free_spans(
    attempts: pl.DataFrame, spans: pl.DataFrame, settings: NormaliseSettings
) -> pl.DataFrame:
    """Spans of vehicles that no attempt known to be theirs overlaps."""
    slack = timedelta(seconds=settings.telematics_slack_s)
    theirs = attempts.filter(pl.col("vehicle_id").is_not_null()).select(
        "vehicle_id", "plugged_at_utc", _end=pl.coalesce("unplugged_at_utc", "seen_utc")
    )
    reported = (pl.col("from_utc"), pl.coalesce("to_utc", "seen_utc"))
    taken = meeting(
        spans,
        theirs,
        "vehicle_id",
        (reported, (pl.col("plugged_at_utc") - slack, pl.col("_end") + slack)),
    )
    return spans.join(taken.select("span").unique(), on="span", how="anti", maintain_order="left")


def identified(
    attempts: pl.DataFrame, spans: pl.DataFrame, pairs: pl.DataFrame, settings: NormaliseSettings
) -> pl.DataFrame:
    """Unknown vehicles named by their own reports: plugged and unplugged at the same moments.

    Only where one free vehicle and one attempt fit each other and no other; a token conflict is
    left alone.
    """
    slack = timedelta(seconds=settings.same_moment_s)
    unknown = attempts.filter(pl.col("vehicle_known_by") == "none").select(
        "attempt_id",
        "evse_id",
        "plugged_at_utc",
        "unplugged_at_utc",
        minute=pl.col("plugged_at_utc").dt.truncate("1h"),
    )
    hours = pl.concat(
        [
            spans.with_columns(minute=(pl.col("from_utc") + pl.duration(hours=h)).dt.truncate("1h"))
            for h in (-1, 0, 1)
        ]
    )
    near = (pl.col("from_utc") - pl.col("plugged_at_utc")).abs() <= slack
    left = ((pl.col("to_utc") - pl.col("unplugged_at_utc")).abs() <= slack).fill_null(value=False)
    fits = (
        unknown.join(hours, on="minute")
        .filter(near & left)
        .join(pairs, on=["vehicle_id", "evse_id"], how="semi")
    )
    sure = fits.filter((pl.len().over("attempt_id") == 1) & (pl.len().over("span") == 1)).select(
        "attempt_id", _vehicle="vehicle_id"
    )
    found = pl.col("_vehicle").is_not_null()
    return (
        attempts.join(sure, on="attempt_id", how="left", maintain_order="left")
        .with_columns(
            vehicle_id=pl.coalesce("vehicle_id", "_vehicle"),
            vehicle_known_by=pl.when(found)
            .then(pl.lit("telematics"))
            .otherwise("vehicle_known_by"),
            source=pl.when(found).then(pl.format("{}+telematics", "source")).otherwise("source"),
        )
        .drop("_vehicle")
    )


def unseen(
    spans: pl.DataFrame,
    cards: pl.DataFrame,
    tokens: pl.DataFrame,
    attempts: pl.DataFrame,
    pairs: pl.DataFrame,
    settings: NormaliseSettings,
) -> pl.DataFrame:
    """Plug-ins that only the vehicle reported, placed by its card: its spans with `evse_id`,
    `station_of`, `id_token`.

    The card was shown at the time at a station with just one EVSE that fits the vehicle and had
    nobody plugged in.
    """
    near = timedelta(seconds=settings.card_first_s)
    holders = tokens.select(
        "vehicle_id", "valid_from_utc", "valid_to_utc", _token=same_token("id_token")
    )
    shown = (
        cards.sort("at_utc", "station_id", "id_token")
        .with_columns(_token=same_token("id_token"))
        .join(holders, on="_token")
        .filter(
            (pl.col("valid_from_utc").is_null() | (pl.col("valid_from_utc") <= pl.col("at_utc")))
            & (pl.col("valid_to_utc").is_null() | (pl.col("at_utc") < pl.col("valid_to_utc")))
        )
    )
    reported = (pl.col("from_utc"), pl.coalesce("to_utc", "seen_utc"))
    shown_at = (pl.col("at_utc") - near, pl.col("at_utc") + near)
    met = meeting(spans, shown, "vehicle_id", (reported, shown_at))
    placed = met.join(pairs, on="vehicle_id").filter(pl.col("station_id") == pl.col("station_of"))
    placed = placed.unique(["span", "evse_id"], keep="first", maintain_order=True).filter(
        pl.len().over("span") == 1
    )
    plugged = attempts.select(
        "evse_id", "plugged_at_utc", _end=pl.coalesce("unplugged_at_utc", "seen_utc")
    )
    busy = meeting(
        placed, plugged, "evse_id", (reported, (pl.col("plugged_at_utc"), pl.col("_end")))
    )
    return placed.join(busy.select("span").unique(), on="span", how="anti", maintain_order="left")
