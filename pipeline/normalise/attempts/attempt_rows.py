"""Attempts: plug-ins with their vehicle, what the vehicle reported, and how they ended.

Core_attempt.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.normalise.attempts import outcome, still_full
from pipeline.normalise.clocks.eras import CHANGE_ERROR_S
from pipeline.normalise.sessions import identities, reported_plug_ins, telematics
from pipeline.registry import empty
from pipeline.settings.normalise import NormaliseSettings


@dataclass(frozen=True)
class Fleet:
    """Who and what there is: core_evse, core_vehicle, core_token, core_firmware, core_software."""

    evses: pl.DataFrame
    vehicles: pl.DataFrame
    tokens: pl.DataFrame
    firmware: pl.DataFrame
    software: pl.DataFrame


def build(
    plug_ins: pl.DataFrame,
    charging: pl.DataFrame,
    cards: pl.DataFrame,
    fleet: Fleet,
    settings: NormaliseSettings,
    asked: pl.Expr | None = None,
) -> pl.DataFrame:
    """core_attempt from core_plug_in, raw_charging and tokens shown (core_signal) of some span of
    time; `asked`: of which plug-ins (None: all), the others tell only whose vehicle was where.
    """
    every = _of_vehicles(plug_ins, charging, cards, fleet, settings)
    told = telematics.enriched(every, charging, settings)
    known = still_full.with_full_before(told.drop("station_id"), settings)
    of_these = known if asked is None else known.filter(asked)
    described = identities.described(of_these, fleet.evses, fleet.firmware, fleet.vehicles)
    decided = outcome.outcome(identities.with_software(described, fleet.software), settings)
    return decided.with_columns(distrust=pl.lit(value=False), weight=pl.lit(1.0)).sort("attempt_id")


def _of_vehicles(
    plug_ins: pl.DataFrame,
    charging: pl.DataFrame,
    cards: pl.DataFrame,
    fleet: Fleet,
    settings: NormaliseSettings,
) -> pl.DataFrame:
    """Plug-ins with their vehicle as far as it can be known, and those only a vehicle told of."""
    named = numbered(
        plug_ins.sort("evse_id", "plugged_at_utc").with_columns(
            attempt_id=attempt_id("plugged_at_utc")
        )
    )
    owned = identities.by_token(named, fleet.tokens)
    spans = telematics.vehicle_spans(charging, settings)
    pairs = reported_plug_ins.fitting(fleet.vehicles, fleet.evses)
    found = reported_plug_ins.identified(
        owned, reported_plug_ins.free_spans(owned, spans, settings), pairs, settings
    )
    free = reported_plug_ins.free_spans(found, spans, settings)
    stations = fleet.evses.select("evse_id", station_of="station_id")
    alone = reported_plug_ins.unseen(
        free, cards, fleet.tokens, found, pairs.join(stations, on="evse_id"), settings
    )
    return numbered(pl.concat([found, vehicle_only(alone).select(found.columns)]))


def attempt_id(plugged: str) -> pl.Expr:
    """EVSE and second of the plug-in, true time.

    The hours after the last frame of a drifting clock are corrected again when the next come: then a
    second may turn, and with it the id (measured: 7 of 49,000 attempts in twelve weeks delivered
    one by one). Nothing kept from week to week refers to it.
    """
    return pl.format("{}|{}", "evse_id", pl.col(plugged).dt.strftime("%Y%m%dT%H%M%SZ"))


def numbered(attempts: pl.DataFrame) -> pl.DataFrame:
    """Attempts of one EVSE in one second told apart: the second of them is `…|2`."""
    again = pl.int_range(1, pl.len() + 1).over("attempt_id")
    return attempts.with_columns(
        pl.when(again == 1).then("attempt_id").otherwise(pl.format("{}|{}", "attempt_id", again))
    )


def vehicle_only(alone: pl.DataFrame) -> pl.DataFrame:
    """Rows like core_plug_in for what only the vehicle reported.

    Plugged, and the EVSE never saw it.
    """
    said = alone.select(
        "evse_id",
        "vehicle_id",
        "id_token",
        "seen_utc",
        "time_doubt",
        station_id="station_of",
        attempt_id=attempt_id("from_utc"),
        plugged_at_utc="from_utc",
        unplugged_at_utc="to_utc",
        clock_error_s=pl.when(pl.col("time_doubt").is_null())
        .then(telematics.VEHICLE_ERROR_S)
        .otherwise(CHANGE_ERROR_S),
        source=pl.lit("telematics"),
        lineage=pl.concat_list("began", "ended").list.drop_nulls(),
        vehicle_known_by=pl.lit("token"),
        level=pl.lit(0, dtype=pl.Int64),
        warning_at_utc=pl.coalesce("to_utc", "seen_utc"),
        warning_raw=pl.lit("not seen by the EVSE"),
        pilot_low_samples=pl.lit(0, dtype=pl.Int64),
    )
    shape = empty("core_plug_in")
    lacking = [
        pl.lit(None, dtype=kind).alias(name)
        for name, kind in shape.schema.items()
        if name not in said.columns
    ]
    return said.with_columns(lacking)
