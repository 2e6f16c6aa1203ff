"""Who there is: sites with their stations and EVSEs, vehicles with their homes and cards. Written from the contract alone."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
import polars as pl

from sample_logs.second_world.mechanics import Mechanics
from sample_logs.second_world.models import EVSE_MODELS, FITS, VEHICLE_MODELS

START = datetime(2026, 2, 2, tzinfo=UTC)
"""Monday 00:00 UTC; a look-back of twelve weeks holds the clock change of spring."""
ZONES = ("Europe/Oslo", "Europe/Dublin", "Europe/Vienna", "Europe/Helsinki")
EVSES_A_SITE = 6
DC_SHARE = 0.14


@dataclass(frozen=True)
class Fleet:
    """Frames with a row a vehicle, an EVSE; `i` is the row's number."""

    vehicles: pl.DataFrame
    evses: pl.DataFrame
    days: int


def build_fleet(
    rng: np.random.Generator, vehicles: int, evses: int, weeks: int, mechanics: Mechanics
) -> Fleet:
    """Draw a fleet."""
    places = _evses(rng, evses, weeks, mechanics)
    return Fleet(_vehicles(rng, vehicles, places, mechanics), places, 7 * weeks)


def _evses(rng: np.random.Generator, count: int, weeks: int, mechanics: Mechanics) -> pl.DataFrame:
    sites = max(2, round(count / EVSES_A_SITE))
    site = np.sort(np.arange(count) % sites)
    within = np.arange(count) - np.searchsorted(site, site)
    # Two EVSEs of a station are of one model: the even one decides.
    is_dc = EVSE_MODELS["supply"].to_numpy() == "DC"
    ac, dc = np.flatnonzero(~is_dc), np.flatnonzero(is_dc)
    usual = rng.permuted(np.tile(ac, (sites, 1)), axis=1)[:, :3]
    drawn = usual[site, rng.integers(0, 3, count)]
    model = np.where(rng.random(count) < DC_SHARE, dc[rng.integers(0, len(dc), count)], drawn)
    model = np.where(within % 2 == 1, np.roll(model, 1), model)
    station_in_site = within // 2
    updated = rng.random((sites, len(EVSE_MODELS))) < 0.5
    update_day = rng.uniform(0.25, 0.8, (sites, len(EVSE_MODELS))) * 7 * weeks
    older = rng.random((sites, len(EVSE_MODELS))) < 0.3
    frame = EVSE_MODELS[model].with_columns(
        pl.int_range(count).alias("i"),
        pl.Series("site", site),
        pl.Series("station_in_site", station_in_site),
        pl.Series("connector_id", within % 2 + 1),
        pl.Series("update_day", np.where(updated, update_day, np.inf)[site, model]),
        pl.Series("firmware_before", np.where(older, "1.4.0", "1.6.2")[site, model]),
        pl.Series("known", rng.random(count) >= mechanics.unknown_models),
        pl.Series("limit_v", EVSE_MODELS["limit_v"].to_numpy()[model] + rng.normal(0, 0.1, count)),
        pl.Series("generator_v", np.clip(rng.normal(12.0, 0.12, count), 11.7, 12.3)),
        pl.Series("chance_odds", rng.normal(0, mechanics.chance_spread, count)),
        pl.Series("load_managed", (rng.random(sites) < mechanics.load_managed_sites)[site]),
        pl.Series("central", site < mechanics.central_log_sites),
        pl.Series(
            "exported",
            site >= sites - mechanics.export_sites
            if sites > mechanics.export_sites + 1
            else np.zeros(count, bool),
        ),
    )
    site_id = pl.format("yard-{}", pl.col("site") + 1)
    zone = pl.col("site").replace_strict(
        dict(enumerate(np.resize(ZONES, sites).tolist())), return_dtype=pl.String
    )
    return (
        frame.with_columns(
            site_id.alias("site_id"),
            zone.alias("timezone"),
            pl.format("y{}-{}", pl.col("site") + 1, pl.col("station_in_site") + 1).alias(
                "station_id"
            ),
            pl.when(pl.col("update_day").is_finite())
            .then(pl.lit("2.0.1"))
            .otherwise("firmware_before")
            .alias("firmware"),
            ((pl.col("begins") == "plugged") & pl.col("known")).alias("_"),
        )
        .drop("_")
        .with_columns(pl.format("{}-{}", "station_id", "connector_id").alias("evse_id"))
    )


def _vehicles(
    rng: np.random.Generator, count: int, evses: pl.DataFrame, mechanics: Mechanics
) -> pl.DataFrame:
    share = VEHICLE_MODELS["share"].to_numpy()
    model = rng.choice(len(share), count, p=share / share.sum())
    use = rng.choice(
        3,
        count,
        p=[
            mechanics.sparse_share,
            1 - mechanics.sparse_share - mechanics.heavy_share,
            mechanics.heavy_share,
        ],
    )
    rate = np.array([1.5 / 14, mechanics.attempts_per_day, 2 * mechanics.attempts_per_day])[use]
    return (
        VEHICLE_MODELS[model]
        .with_columns(
            pl.int_range(count).alias("i"),
            pl.Series("home", rng.integers(0, evses["site"].n_unique(), count)),
            pl.Series("per_day", rate * rng.lognormal(0, 0.25, count)),
            pl.Series("use", np.array(["sparse", "ordinary", "heavy"])[use]),
            pl.Series("known", rng.random(count) >= mechanics.unknown_models),
            pl.Series("telematics", rng.random(count) < mechanics.telematics_share),
            pl.Series("timer", rng.random(count) < mechanics.timer_share),
            pl.Series("timer_hour", rng.uniform(21.5, 25.0, count)),
            pl.Series("chance_odds", rng.normal(0, mechanics.chance_spread, count)),
            pl.Series("series_ohm", rng.uniform(0, 15, count)),
            pl.Series("model_year", rng.integers(2019, 2026, count)),
        )
        .with_columns(
            pl.format("van-{}", (pl.col("i") + 1).cast(pl.String).str.zfill(4)).alias("vehicle_id"),
            pl.format("CARD{}", (pl.col("i") + 1).cast(pl.String).str.zfill(5)).alias("id_token"),
            pl.col("inlets").str.contains("CCS").alias("shares_pilot"),
        )
    )


def choices(vehicles: pl.DataFrame, evses: pl.DataFrame) -> pl.DataFrame:
    """EVSEs a kind of inlet can use: a row for each (inlets, site, supply), with a list of EVSE rows `there`."""
    inlets = vehicles.select("inlets").unique(maintain_order=True)
    fits = pl.DataFrame({"connector_type": list(FITS), "fits": list(FITS.values())})
    pairs = inlets.join(fits, how="cross").filter(
        pl.struct("inlets", "fits").map_elements(
            lambda row: bool(pl.Series([row["inlets"]]).str.contains(row["fits"])[0]),
            return_dtype=pl.Boolean,
        )
    )
    return (
        pairs.join(evses.select("i", "site", "supply", "connector_type"), on="connector_type")
        .group_by("inlets", "site", "supply", maintain_order=True)
        .agg(pl.col("i").sort().alias("there"))
    )
