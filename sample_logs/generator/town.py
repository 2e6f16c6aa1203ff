"""The committed sample.

An invented town whose vans carry meals and parcels, with planted faults.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray

from sample_logs.generator.emit.clocks import Stations, draw_stations
from sample_logs.generator.emit.delivery import write_delivery
from sample_logs.generator.faults import Faults, PairingFaults, UnitFaults, no_faults
from sample_logs.generator.fleet import Fleet, Layout, build_fleet
from sample_logs.generator.models import EVSE_MODELS, FIRMWARES, VEHICLE_MODELS
from sample_logs.generator.spec import DAY_S, EVSE_FAULTS, OFFERED, VEHICLE_FAULTS, WorldSpec
from sample_logs.generator.world import World, simulate_world

SEED = 20260405
WEEKS = 5
VISITS_PER_DAY = 1.5

# site, kind, zone, stations: (name, model, connectors, OCPP version or "" for an export, pilot
# rows, negative level)
Station = tuple[str, str, int, str, bool, bool]
SITES: tuple[tuple[str, str, str, tuple[Station, ...]], ...] = (
    (
        "north-yard",
        "depot",
        "Europe/Oslo",
        (
            ("ny-west", "Ambelin W22", 2, "1.6", True, True),
            ("ny-mid", "Ambelin W11", 2, "1.6", True, True),
            ("ny-east", "Corvane Post Duo", 2, "1.6", False, False),
        ),
    ),
    (
        "harbour-kitchen",
        "depot",
        "Europe/Oslo",
        (
            ("hk-quay", "Ambelin W22", 2, "2.0.1", True, True),
            ("hk-wall", "Corvane Post", 2, "1.6", True, False),
            ("hk-gate", "Ellsworthy One", 1, "1.6", False, False),
            ("hk-fast", "Garnock Q50 H", 1, "1.6", False, False),
        ),
    ),
    (
        "mill-depot",
        "depot",
        "Europe/Oslo",
        (
            ("md-hall", "Corvane Post Duo", 2, "2.0.1", True, True),
            ("md-ramp", "Dovrin S", 2, "2.0.1", False, False),
            ("md-shed", "Ambelin W11", 1, "1.6", True, True),
        ),
    ),
    (
        "market-square",
        "public",
        "Europe/Oslo",
        (
            ("ms-post", "Ambelin W22", 2, "1.6", True, True),
            ("ms-fast", "Garnock Q50", 1, "2.0.1", True, True),
        ),
    ),
    (
        "ferry-landing",
        "public",
        "Europe/Helsinki",
        (("fl-pier", "Corvane Post", 2, "", False, False),),
    ),
)
# home, what they carry, model, how many
VANS: tuple[tuple[str, str, str, int], ...] = (
    ("north-yard", "parcels", "Fernwick Porter", 7),
    ("north-yard", "parcels", "Fernwick Porter Long", 4),
    ("north-yard", "parcels", "Marlow & Dene Crate", 5),
    ("north-yard", "parcels", "Quillon Runner", 3),
    ("harbour-kitchen", "meals", "Oskel Tiffin", 8),
    ("harbour-kitchen", "meals", "Oskel Tiffin Cold", 4),
    ("harbour-kitchen", "meals", "Tarnside Pannier", 2),
    ("harbour-kitchen", "meals", "Quillon Runner 2", 4),
    ("mill-depot", "parcels", "Harrowby Dray", 5),
    ("mill-depot", "parcels", "Marlow & Dene Crate", 5),
    ("mill-depot", "parcels", "Quillon Runner", 2),
)
Plant = tuple[str, str, float, float, float, float]
# vehicle, fault, from day, to day (inf: still on), chance to fail, days a diode takes to leak
VEHICLE_PLANTS: tuple[Plant, ...] = (
    ("meals-03", "pilot_diode_shorted", 14.0, np.inf, 0.98, 0.0),
    ("parcels-05", "pilot_diode_shorted", 20.0, np.inf, 0.97, 0.0),
    ("parcels-14", "pilot_diode_leaky", -14.0, np.inf, 1.0, 82.0),
    ("meals-09", "charger_input", 17.0, np.inf, 0.80, 0.0),
    ("parcels-10", "pilot_diode_shorted", 2.0, 29.5, 0.98, 0.0),
    ("parcels-31", "inlet_lock", 12.0, np.inf, 0.55, 0.0),
)
EVSE_PLANTS: tuple[Plant, ...] = (
    ("ny-east-2", "contactor", 16.0, np.inf, 0.75, 0.0),
    ("hk-quay-2", "pilot_generator", 22.0, np.inf, 0.70, 0.0),
)
ONE_EVSE = ("parcels-31", "md-shed-1")
"""This van meets this EVSE only, and nobody else does."""
BAD_PAIRING = ("Harrowby Dray", "Corvane Post Duo", "2.1.0", 0.65)
UPDATED = ("md-hall", 17.0)
"""The station that gets the bad firmware, and the day."""


def _layout() -> tuple[Layout, pl.DataFrame]:
    """Sites, EVSEs and vans as planted; and one row an EVSE of names and sources."""
    models = [m[0] for m in EVSE_MODELS]
    rows = [
        {
            "site": i,
            "station": s[0],
            "connector_id": c + 1,
            "model": models.index(s[1]),
            "version": s[3],
        }
        | {"logs": s[4], "low": s[5]}
        for i, site in enumerate(SITES)
        for s in site[3]
        for c in range(s[2])
    ]
    names = pl.DataFrame(rows)
    sites = pl.DataFrame(
        {
            "site_id": [s[0] for s in SITES],
            "kind": [s[1] for s in SITES],
            "timezone": [s[2] for s in SITES],
        }
    )
    vans = [m[0] for m in VEHICLE_MODELS]
    places = [s[0] for s in SITES]
    kinds = np.array([vans.index(v[2]) for v in VANS for _ in range(v[3])], dtype=np.int64)
    home = np.array([places.index(v[0]) for v in VANS for _ in range(v[3])], dtype=np.int64)
    return Layout(sites, names["site"].to_numpy(), names["model"].to_numpy(), kinds, home), names


def _fleet(spec: WorldSpec) -> Fleet:
    """The town's fleet with its names, sources and firmware."""
    layout, names = _layout()
    drawn = build_fleet(spec, layout)
    evse_id = names["station"] + "-" + names["connector_id"].cast(pl.String)
    carries = [v[1] for v in VANS for _ in range(v[3])]
    count = {kind: iter(range(1, 99)) for kind in ("parcels", "meals")}
    vehicle_id = pl.Series([f"{kind}-{next(count[kind]):02d}" for kind in carries])
    firmware = np.ones(len(names), dtype=np.int64)
    updated = (names["station"] == UPDATED[0]).to_numpy()
    loyalty, favourite = drawn.loyalty.clip(0.0, 0.7), drawn.favourite.copy()
    lone = vehicle_id.to_list().index(ONE_EVSE[0])
    its = evse_id.to_list().index(ONE_EVSE[1])
    favourite[favourite == its] = its - 1
    loyalty[lone], favourite[lone] = 1.0, its
    after = np.where(updated, 2, firmware)
    evses = drawn.evses.with_columns(
        evse_id=evse_id,
        station_id=names["station"],
        connector_id=names["connector_id"],
        firmware=pl.Series([FIRMWARES[f] for f in after]),
    )
    return replace(
        drawn,
        vehicles=drawn.vehicles.with_columns(vehicle_id=vehicle_id),
        evses=evses,
        favourite=favourite,
        loyalty=loyalty,
        firmware_first=firmware,
        firmware_then=after,
        firmware_at_s=np.where(updated, UPDATED[1] * DAY_S + 3 * 3600, np.inf),
        logs_pilot=names["logs"].to_numpy(),
        logs_low=names["low"].to_numpy(),
        exclusive=(evse_id == ONE_EVSE[1]).to_numpy(),
    )


def _planted(ids: pl.Series, plants: tuple[Plant, ...], kinds: tuple[str, ...]) -> UnitFaults:
    """Faults of units as planted."""
    none = no_faults(len(ids))
    names = ids.to_list()
    for unit, fault, begin, end, severity, creep in plants:
        row = names.index(unit)
        none.kind[row] = kinds.index(fault)
        none.from_s[row, 0], none.to_s[row, 0] = begin * DAY_S, end * DAY_S
        none.severity[row], none.creep_s[row] = severity, creep * DAY_S
    return none


def _pairings() -> PairingFaults:
    """The one bad pairing."""
    size = len(VEHICLE_MODELS) * len(EVSE_MODELS) * len(FIRMWARES)
    vehicle, evse, firmware, chance = BAD_PAIRING

    def one(value: int) -> NDArray[np.int64]:
        return np.array([value], dtype=np.int64)

    cell = PairingFaults.key(
        one([m[0] for m in VEHICLE_MODELS].index(vehicle)),
        one([m[0] for m in EVSE_MODELS].index(evse)),
        one(FIRMWARES.index(firmware)),
    )
    probability = np.zeros(size)
    probability[cell] = chance
    return PairingFaults(probability, np.full(size, OFFERED, dtype=np.int64))


def town_world() -> World:
    """The sample's world: five weeks to Sunday 2026-04-05."""
    layout, names = _layout()
    spec = WorldSpec(len(layout.home), len(names), WEEKS, SEED, attempts_per_day=VISITS_PER_DAY)
    fleet = _fleet(spec)
    faults = Faults(
        _planted(fleet.vehicles["vehicle_id"], VEHICLE_PLANTS, VEHICLE_FAULTS),
        _planted(fleet.evses["evse_id"], EVSE_PLANTS, EVSE_FAULTS),
        _pairings(),
    )
    return simulate_world(spec, fleet, faults)


def _stations(world: World, dirt: float) -> Stations:
    """The town's stations, with their sources as planned."""
    drawn = draw_stations(world, dirt)
    _, names = _layout()
    planned = names.group_by("station", maintain_order=True).agg(pl.col("logs", "version").first())
    sources = planned.select(
        station_id="station",
        pilot="logs",
        export=pl.col("version") == "",
        version=pl.col("version").replace("", "1.6"),
    )
    return replace(drawn, stations=sources)


def write_town(directory: Path) -> None:
    """Write the sample: `directory`/delivery and `directory`/truth."""
    world = town_world()
    write_delivery(world, Path(directory), 1.0, stations=_stations(world, 1.0), packed=True)
