"""What is wrong with whom, from when to when: vehicles, EVSEs, pairings, sites. Written from the contract alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from sample_logs.second_world.fleet import Fleet
from sample_logs.second_world.mechanics import Mechanics

WET_SUSPECTS = (
    "pilot_diode_shorted",
    "pilot_leakage",
    "charger_leakage",
    "residual_current_device",
    "pilot_generator",
    "cable",
)
"""Faults that water can bring and take; others do not care for weather."""
SOCKET = "sType2"


@dataclass(frozen=True)
class Faults:
    """Frames a row a fault (`unit` is the row of the vehicle or EVSE), and days: wet by site, biting by fault."""

    vehicles: pl.DataFrame
    evses: pl.DataFrame
    pairings: pl.DataFrame
    outages: pl.DataFrame
    wet: NDArray[np.bool_]
    vehicle_bites: NDArray[np.bool_]
    evse_bites: NDArray[np.bool_]


def draw_faults(rng: np.random.Generator, fleet: Fleet, mechanics: Mechanics) -> Faults:
    """Draw all that will go wrong."""
    days = fleet.days
    sites = int(fleet.evses["site"].n_unique())
    vehicles = _vehicle_faults(rng, fleet, mechanics)
    evses = _evse_faults(rng, fleet, mechanics)
    return Faults(
        vehicles,
        evses,
        _pairings(rng, fleet, mechanics),
        _outages(rng, sites, days, mechanics),
        _spells(rng, sites, days, mechanics.wet_days, mean_days=2.0),
        _bites(rng, vehicles, days),
        _bites(rng, evses, days),
    )


def _course(
    rng: np.random.Generator, units: NDArray[np.int64], days: int, mechanics: Mechanics
) -> pl.DataFrame:
    """When faults begin, whether a repair comes, helps, holds; days since the start, null where never."""
    count = len(units)
    first_day = rng.random(count) < mechanics.from_first_day
    onset = np.where(first_day, -rng.uniform(1, 40, count), rng.uniform(0.05, 0.75, count) * days)
    repaired = np.maximum(onset, 0) + rng.uniform(10, 35, count)
    comes = (rng.random(count) < mechanics.repaired_share) & (repaired < days - 7)
    fails = comes & (rng.random(count) < mechanics.failed_repair_share)
    relapse = repaired + rng.uniform(7, 28, count)
    back = comes & ~fails & (rng.random(count) < mechanics.relapse_share) & (relapse < days - 7)
    nothing = np.full(count, np.nan)
    return pl.DataFrame(
        {
            "unit": units,
            "onset_d": onset,
            "repaired_d": np.where(comes, repaired, nothing),
            "repair_failed": fails,
            "relapse_d": np.where(back, relapse, nothing),
            "comes_and_goes": rng.random(count) < mechanics.intermittent_share,
        }
    )


def _vehicle_faults(rng: np.random.Generator, fleet: Fleet, mechanics: Mechanics) -> pl.DataFrame:
    count = fleet.vehicles.height
    units = np.sort(rng.permutation(count)[: round(count * mechanics.vehicle_faults)])
    suspects = np.array(mechanics.vehicle_suspects)
    suspect = suspects[(rng.permutation(len(suspects))[np.arange(len(units)) % len(suspects)])]
    silent = {"inlet_lock": 0.5, "never_requests": 1.0, "charger_input": 0.15}
    frame = _course(rng, units, fleet.days, mechanics).with_columns(
        pl.Series("suspect", suspect, dtype=pl.String),
        pl.Series("rate", rng.uniform(0.5, 0.95, len(units))),
        pl.Series("ohm_at_onset", rng.uniform(14e3, 19e3, len(units))),
        pl.Series("days_to_halve", rng.uniform(6, 30, len(units))),
        pl.Series("_wet", rng.random(len(units)) < mechanics.wet_only_share),
    )
    return frame.with_columns(
        pl.col("suspect")
        .replace_strict(silent, default=0.0, return_dtype=pl.Float64)
        .alias("silent_share"),
        (pl.col("_wet") & pl.col("suspect").is_in(WET_SUSPECTS)).alias("wet_only"),
    ).drop("_wet")


def _evse_faults(rng: np.random.Generator, fleet: Fleet, mechanics: Mechanics) -> pl.DataFrame:
    count = fleet.evses.height
    units = np.sort(rng.permutation(count)[: round(count * mechanics.evse_faults)])
    suspect = _fitting(rng, fleet.evses[units], mechanics)
    weak = rng.random(len(units)) < mechanics.weak_share
    rate = np.where(weak, rng.uniform(0.1, 0.14, len(units)), rng.uniform(0.3, 0.8, len(units)))
    return _course(rng, units, fleet.days, mechanics).with_columns(
        pl.Series("suspect", suspect, dtype=pl.String),
        pl.Series("rate", rate),
        pl.Series("weak", weak),
        pl.Series("off_v", rng.choice([-1.6, -2.2, 1.5], len(units))),
        (
            pl.Series("_wet", rng.random(len(units)) < mechanics.wet_only_share)
            & pl.Series("s", suspect, dtype=pl.String).is_in(WET_SUSPECTS)
        ).alias("wet_only"),
    )


def _fitting(
    rng: np.random.Generator, evses: pl.DataFrame, mechanics: Mechanics
) -> NDArray[np.str_]:
    """A suspect for each EVSE, drawn evenly from those its kind can have."""
    suspects = np.array(mechanics.evse_suspects)
    socket = (evses["connector_type"] == SOCKET).to_numpy()[:, None]
    dc = (evses["supply"] == "DC").to_numpy()[:, None]
    cannot = (
        ((suspects == "connector_lock") & ~socket)
        | ((suspects == "cable") & socket)
        | ((suspects == "residual_current_device") & dc)
    )
    drawn = np.where(cannot, -1.0, rng.random((evses.height, len(suspects))))
    return np.asarray(suspects[drawn.argmax(axis=1)])


def _pairings(rng: np.random.Generator, fleet: Fleet, mechanics: Mechanics) -> pl.DataFrame:
    """Vehicle models that do not get on with an EVSE model's firmware; an update may bring one or cure one."""
    models = (
        fleet.vehicles.group_by("vehicle_model")
        .len()
        .sort("len", "vehicle_model", descending=[True, False])["vehicle_model"]
        .to_list()[:5]
    )
    on_ac = fleet.evses.filter((pl.col("supply") == "AC") & (pl.col("connector_type") != "cType1"))
    groups = (
        on_ac.group_by("evse_model", "firmware_before")
        .len()
        .filter(pl.col("len") >= 2)
        .sort("evse_model", "firmware_before")
    )
    count = min(mechanics.pairings, groups.height)
    group = groups[np.sort(rng.permutation(groups.height)[:count]).tolist()]
    weak = rng.random(count) < mechanics.weak_pairing_share
    cured = rng.random(count) < mechanics.cured_share
    fits_any = [
        model
        for model in models
        if "Type1" not in fleet.vehicles.filter(pl.col("vehicle_model") == model)["inlets"][0]
    ]
    named: pl.DataFrame = group.select("evse_model", pl.col("firmware_before").alias("firmware"))
    return named.with_columns(
        pl.Series(
            "vehicle_model",
            rng.permutation(np.array(fits_any or models))[
                np.arange(count) % max(1, len(fits_any or models))
            ],
            dtype=pl.String,
        ),
        pl.Series(
            "rate", np.where(weak, rng.uniform(0.18, 0.25, count), rng.uniform(0.5, 0.9, count))
        ),
        pl.Series("weak", weak),
        pl.Series("cured_by_update", cured),
        pl.Series("silent_share", np.where(rng.random(count) < 0.4, 0.8, 0.0)),
    )


def _outages(rng: np.random.Generator, sites: int, days: int, mechanics: Mechanics) -> pl.DataFrame:
    """Events that hit a whole site for hours: its mains sag, or nobody answers."""
    count = int(rng.poisson(mechanics.outages_per_site_week * sites * days / 7))
    begins = rng.uniform(0, days, count)
    return pl.DataFrame(
        {
            "site": rng.integers(0, sites, count),
            "from_d": begins,
            "to_d": begins + rng.uniform(2, 14, count) / 24,
            "suspect": np.array(["supply", "communication"])[rng.integers(0, 2, count)],
            "rate": rng.uniform(0.7, 1.0, count),
        }
    )


def _spells(
    rng: np.random.Generator, units: int, days: int, share: float, mean_days: float
) -> NDArray[np.bool_]:
    """Days (a column each) in spells of a mean length, so that a share of all days is in one."""
    if share <= 0 or units == 0:
        return np.zeros((units, days), dtype=np.bool_)
    leave = 1 / mean_days
    enter = min(1.0, share * leave / (1 - share))
    state = rng.random(units) < share
    out = np.empty((units, days), dtype=np.bool_)
    for day in range(days):
        out[:, day] = state
        state = np.where(state, rng.random(units) >= leave, rng.random(units) < enter)
    return out


def _bites(rng: np.random.Generator, faults: pl.DataFrame, days: int) -> NDArray[np.bool_]:
    """Days on which a fault bites: all, or by spells where it comes and goes."""
    spells = _spells(rng, faults.height, days, share=0.45, mean_days=4.0)
    return np.asarray(spells | ~faults["comes_and_goes"].to_numpy()[:, None], dtype=np.bool_)
