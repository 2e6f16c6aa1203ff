"""Vehicles, sites, EVSEs and the models they are of: what exists before anyone plugs in."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from sample_logs.generator import circuit
from sample_logs.generator.models import EVSE_MODELS, FIRMWARES, VEHICLE_MODELS
from sample_logs.generator.spec import DAY_S, DIODE_MOMENTS, WorldSpec

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

UPDATE_HOUR = 3.0
NEITHER, TYPE1, TYPE2, ANY_AC = 0, 1, 2, 3


@dataclass(frozen=True)
class Fleet:
    """Everything that exists, as frames for people and as arrays (by row number) for the maths."""

    vehicles: pl.DataFrame
    evses: pl.DataFrame
    sites: pl.DataFrame
    vehicle_model: Ints
    evse_model: Ints
    home: Ints
    favourite: Ints
    loyalty: Floats
    site: Ints
    supply_dc: Bools
    firmware_first: Ints
    firmware_then: Ints
    firmware_at_s: Floats
    moment: Ints
    check_limit_v: Floats
    logs_pilot: Bools
    logs_low: Bools
    exclusive: Bools
    pilot_ev: circuit.VehicleCircuit
    pilot_evse: circuit.EvseCircuit


def _sites(spec: WorldSpec) -> tuple[pl.DataFrame, Ints, Ints]:
    """Sites with their kind and zone; numbers of the depots and of the public ones."""
    n = min(spec.evses, max(2, round(spec.evses / 5)))
    public = 0 if n == 1 else max(1, round(n * 0.3))
    depot = n - public
    kind = ["depot"] * depot + ["public"] * public
    zone = ["Europe/Oslo"] * (n - 1) + ["Europe/Helsinki"]
    frame = pl.DataFrame(
        {
            "site_id": [f"site-{i + 1:03d}" for i in range(n)],
            "kind": kind,
            "timezone": zone,
        }
    )
    return frame, np.arange(depot), np.arange(depot, n)


def _evse_models(rng: np.random.Generator, site: Ints) -> Ints:
    """Model of each EVSE (one a station); every site's first is a socket any AC vehicle can use."""
    share = np.array([m[8] for m in EVSE_MODELS])
    share = np.where([m[1] == "DC" for m in EVSE_MODELS], share * 0.8, share)
    drawn = rng.choice(len(EVSE_MODELS), len(site), p=share / share.sum()).astype(np.int64)
    place = np.arange(len(site)) - np.searchsorted(site, site)
    model = np.where(place == 0, rng.integers(0, 4, len(site)), drawn)
    return model[np.arange(len(site)) - place % 2]


def _evse_frame(sites: pl.DataFrame, site: Ints, model: Ints) -> pl.DataFrame:
    """One row an EVSE, in the columns of the delivery (firmware is added later)."""
    n = len(site)
    place = np.arange(n) - np.searchsorted(site, site)
    station = site * 1000 + place // 2
    names, numbers = np.unique(station, return_inverse=True)
    del names
    pick = [EVSE_MODELS[m] for m in model]
    return pl.DataFrame(
        {
            "evse_id": [f"E{i + 1:04d}" for i in range(n)],
            "site_id": sites["site_id"].gather(site),
            "station_id": [f"S{i + 1:04d}" for i in numbers],
            "connector_id": (place % 2 + 1).astype(np.int64),
            "evse_model": [m[0] for m in pick],
            "supply": [m[1] for m in pick],
            "connector_type": [m[2] for m in pick],
            "max_current_a": [m[3] for m in pick],
            "phases": [m[4] for m in pick],
            "max_power_kw": [m[5] for m in pick],
            "timezone": sites["timezone"].gather(site),
        }
    )


def _disclosed(rng: np.random.Generator, moment: Ints) -> list[str]:
    """What evses.csv says of the diode check: the truth for some models, else `unknown`."""
    told = rng.random(len(EVSE_MODELS)) < 0.5
    return told_per_model(told, moment)


def told_per_model(told: Bools, moment: Ints) -> list[str]:
    """`yes`, `no` or `unknown` per EVSE model."""
    return [("no" if moment[m] == 0 else "yes") if told[m] else "unknown" for m in range(len(told))]


def _vehicle_frame(spec: WorldSpec, rng: np.random.Generator, model: Ints) -> pl.DataFrame:
    """One row a vehicle, in the columns of the delivery."""
    n = spec.vehicles
    pick = [VEHICLE_MODELS[m] for m in model]
    return pl.DataFrame(
        {
            "vehicle_id": [f"V{i + 1:04d}" for i in range(n)],
            "vehicle_model": [m[0] for m in pick],
            "model_year": rng.integers(2019, 2026, n),
            "onboard_charger_kw": [m[1] for m in pick],
            "ac_phases": [m[2] for m in pick],
            "inlets": [m[3] for m in pick],
        }
    )


def accepts(ac_class: Ints | int, connector: str) -> Bools | bool:
    """Whether an AC vehicle of a class (Type 1, Type 2) can use an EVSE's connector."""
    need = {"sType2": ANY_AC, "cType2": TYPE2, "cType1": TYPE1}.get(connector, NEITHER)
    return np.asarray((need == ANY_AC) | (np.asarray(ac_class) == need))


def _favourites(
    rng: np.random.Generator, home: Ints, ac_class: Ints, evses: pl.DataFrame, site: Ints
) -> Ints:
    """Each vehicle's usual EVSE at its home depot."""
    usable = np.array(
        [accepts(np.array([TYPE1, TYPE2]), c) for c in evses["connector_type"]], dtype=bool
    )
    out = np.zeros(len(home), dtype=np.int64)
    for depot in np.unique(home):
        for kind in (TYPE1, TYPE2):
            rows = np.flatnonzero((home == depot) & (ac_class == kind))
            choice = np.flatnonzero((site == depot) & usable[:, kind - 1])
            out[rows] = rng.choice(choice, len(rows))
    return out


@dataclass(frozen=True)
class Layout:
    """What stands where and who lives where.

    Sites, each EVSE's site and model, each vehicle's model and home.
    """

    sites: pl.DataFrame
    site: Ints
    evse_model: Ints
    vehicle_model: Ints
    home: Ints


def draw_layout(spec: WorldSpec, rng: np.random.Generator) -> Layout:
    """Draw sites, EVSEs and vehicles of a world."""
    sites, depots, public = _sites(spec)
    weight = np.r_[rng.uniform(0.7, 1.6, len(depots)), rng.uniform(0.3, 0.9, len(public))]
    extra = rng.choice(len(weight), max(0, spec.evses - len(weight)), p=weight / weight.sum())
    site = np.sort(np.r_[np.arange(len(weight)), extra])[: spec.evses].astype(np.int64)
    share = np.array([m[6] for m in VEHICLE_MODELS])
    vehicle_model = rng.choice(len(share), spec.vehicles, p=share / share.sum()).astype(np.int64)
    size = np.bincount(site, minlength=len(weight))[depots].astype(float)
    home = rng.choice(depots, spec.vehicles, p=size / size.sum()).astype(np.int64)
    return Layout(sites, site, _evse_models(rng, site), vehicle_model, home)


def build_fleet(spec: WorldSpec, layout: Layout | None = None) -> Fleet:
    """Draw vehicles, sites and EVSEs of a world, or furnish a layout that is given."""
    rng = spec.rng("fleet")
    laid = draw_layout(spec, rng) if layout is None else layout
    site, model = laid.site, laid.evse_model
    evses = _evse_frame(laid.sites, site, model)
    ac_class = np.array([m[4] for m in VEHICLE_MODELS])[laid.vehicle_model]
    moments = np.array([DIODE_MOMENTS.index(m[6]) for m in EVSE_MODELS])
    told = _disclosed(rng, moments)
    first, then, when = _firmwares(spec, rng, evses)
    evses = evses.with_columns(
        firmware=pl.Series([FIRMWARES[f] for f in then]),
        diode_check=pl.Series([told[m] for m in model]),
    )
    logs = _logging(rng, model, evses)
    return Fleet(
        vehicles=_vehicle_frame(spec, rng, laid.vehicle_model),
        evses=evses,
        sites=laid.sites,
        vehicle_model=laid.vehicle_model,
        evse_model=model,
        home=laid.home,
        favourite=_favourites(rng, laid.home, ac_class, evses, site),
        loyalty=_loyalty(spec, rng),
        site=site,
        supply_dc=(evses["supply"] == "DC").to_numpy(),
        firmware_first=first,
        firmware_then=then,
        firmware_at_s=when,
        moment=moments[model],
        check_limit_v=rng.uniform(-10.9, -9.9, len(EVSE_MODELS))[model],
        logs_pilot=logs[0],
        logs_low=logs[1],
        exclusive=_exclusive(spec, rng, site),
        pilot_ev=circuit.draw_vehicles(rng, spec.vehicles),
        pilot_evse=circuit.draw_evses(rng, spec.evses),
    )


def _exclusive(spec: WorldSpec, rng: np.random.Generator, site: Ints) -> Bools:
    """EVSEs kept for one vehicle, the one whose favourite they are; never a site's first."""
    first = np.r_[True, site[1:] != site[:-1]]
    return np.asarray((rng.random(len(site)) < spec.rates.exclusive_evse) & ~first)


def _loyalty(spec: WorldSpec, rng: np.random.Generator) -> Floats:
    """Share of home charging at the usual EVSE; 1 for those that meet no other."""
    some = rng.beta(1.6, 2.4, spec.vehicles)
    return np.where(rng.random(spec.vehicles) < spec.rates.single_evse, 1.0, some)


def _firmwares(
    spec: WorldSpec, rng: np.random.Generator, evses: pl.DataFrame
) -> tuple[Ints, Ints, Floats]:
    """Firmware at the start, firmware after an update, and when (inf: never); a station has one."""
    _, group = np.unique(evses["station_id"].to_numpy(), return_inverse=True)
    n = int(group.max()) + 1
    first = rng.integers(0, 2, n)
    updates = rng.random(n) < 0.3
    then = np.where(updates, first + 1, first)
    night = np.floor(rng.uniform(0.1, 0.9, n) * spec.days) * DAY_S + UPDATE_HOUR * 3600
    when = np.where(updates, night, np.inf)
    return first[group], then[group], when[group]


def _logging(rng: np.random.Generator, model: Ints, evses: pl.DataFrame) -> tuple[Bools, Bools]:
    """Which EVSEs record pilot rows, and which of those record the negative level too (by model)."""
    _, group = np.unique(evses["station_id"].to_numpy(), return_inverse=True)
    pilot = (rng.random(int(group.max()) + 1) < 0.6)[group]
    chademo = (evses["connector_type"] == "cG105").to_numpy()
    low = rng.random(len(EVSE_MODELS)) < 0.65
    return pilot & ~chademo, pilot & ~chademo & low[model]
