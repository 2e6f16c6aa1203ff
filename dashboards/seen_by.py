"""The part of a week that one of the three people may see."""

from __future__ import annotations

from dataclasses import replace

import polars as pl

from dashboards.matrix import KIND
from dashboards.page_data import PageData
from pipeline.registry import empty


def at_sites(data: PageData, sites: frozenset[str]) -> PageData:
    """What the operator of some sites may see.

    Their EVSEs, attempts at them, the vehicles that plugged in there (their call, but no plate, VIN
    or what they did elsewhere), and the pairings that met there.
    """
    here = pl.col("site_id").is_in(sites)
    evses, about_evses = data.evses.filter(here), data.about_evses.filter(here)
    attempts = data.attempts.filter(here)
    seen = attempts["vehicle_id"].drop_nulls().unique().implode()
    mine = pl.concat([evses["evse_id"], about_evses["evse_id"]]).unique().implode()
    met = attempts.select(*KIND[:2], pl.col("firmware").fill_null("")).unique()
    unit = pl.col("unit_id")
    own = (pl.col("unit_kind") == "evse") & unit.is_in(mine)
    return replace(
        data,
        vehicles=_call_only(data.vehicles.filter(pl.col("vehicle_id").is_in(seen))),
        evses=evses,
        pairings=data.pairings.join(met, on=list(KIND), how="semi"),
        attempts=attempts.with_columns(id_token=pl.lit(None, pl.String)),
        rejected=empty("out_rejected"),
        impossible=_tokens_shortened(
            data.impossible.filter(pl.col("attempt_id").is_in(attempts["attempt_id"].implode())),
            data.attempts["id_token"],
        ),
        next_tests=data.next_tests.filter(pl.col("evse_id").is_in(mine)),
        run={key: value for key, value in data.run.items() if key != "inputs"},
        evidence={},
        rule_results=pl.DataFrame(),
        rule_rates=pl.DataFrame(),
        equipment=data.equipment.filter(here) if data.equipment.width else data.equipment,
        vehicles_before=None,
        evses_before=None if data.evses_before is None else data.evses_before.filter(here),
        about_vehicles=data.about_vehicles.filter(pl.col("vehicle_id").is_in(seen)).with_columns(
            pl.lit(None, pl.String).alias(name) for name in ("vin", "plate")
        ),
        about_evses=about_evses,
        marks=data.marks.filter(own),
        decisions=empty("out_decisions"),
        evse_suspects=data.evse_suspects.filter(pl.col("evse_id").is_in(mine)),
        evse_proving=data.evse_proving.filter(pl.col("evse_id").is_in(mine)),
        earlier_calls=data.earlier_calls.filter(own),
    )


def referred_only(data: PageData) -> PageData:
    """What the workshop may see.

    Vehicles referred to it or back from it, and the tests proposed for them.
    """
    back = ["refer", "proving", "proved"]
    shown = data.vehicles.filter(pl.col("call").is_in(back))
    ids = shown["vehicle_id"].implode()
    theirs = pl.col("vehicle_id").is_in(ids)
    own = (pl.col("unit_kind") == "vehicle") & pl.col("unit_id").is_in(ids)
    return replace(
        data,
        vehicles=shown,
        attempts=data.attempts.filter(theirs).with_columns(id_token=pl.lit(None, pl.String)),
        next_tests=data.next_tests.filter(theirs),
        rejected=empty("out_rejected"),
        impossible=empty("out_impossible"),
        rule_results=pl.DataFrame(),
        rule_rates=pl.DataFrame(),
        equipment=pl.DataFrame(),
        run={key: value for key, value in data.run.items() if key != "inputs"},
        vehicles_before=None,
        evses_before=None,
        about_vehicles=data.about_vehicles.filter(theirs),
        marks=data.marks.filter(own),
        decisions=data.decisions.filter(theirs),
        evse_suspects=empty("out_evse_suspects"),
        evse_proving=empty("out_evse_proving"),
        earlier_calls=data.earlier_calls.filter(own),
    )


def _call_only(vehicles: pl.DataFrame) -> pl.DataFrame:
    """Vehicles with call, probability and suspect; what they did at other sites is left out."""
    told = ("vehicle_id", "call", "p_vehicle", "p_diode", "suspect")
    hidden = {
        name: pl.lit("" if kind == pl.String else 0 if kind.is_integer() else None, dtype=kind)
        for name, kind in vehicles.schema.items()
        if name not in told
    }
    return vehicles.with_columns(**hidden)


def _tokens_shortened(impossible: pl.DataFrame, tokens: pl.Series) -> pl.DataFrame:
    """The frame with every token in `detail` cut to its ends, for those who need not know it."""
    known = tokens.drop_nulls().unique().sort()
    # A token of three signs or less could be any word's part, and is no secret.
    short = {token: f"{token[:2]}…{token[-2:]}" for token in known if len(token) > 3}
    if not short:
        return impossible
    return impossible.with_columns(pl.col("detail").str.replace_many(short, leftmost=True))
