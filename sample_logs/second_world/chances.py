"""The true chance of every cause at every plug-in, from the circuit and the faults. Written from the contract alone."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from sample_logs.second_world import circuit
from sample_logs.second_world.circuit import Loop
from sample_logs.second_world.faults import Faults
from sample_logs.second_world.fleet import Fleet
from sample_logs.second_world.mechanics import Mechanics

WET_FACTOR = 0.3
"""A leak beside the diode on a wet day, as a share of its dry resistance."""
LEAST_BESIDE_OHM, LEAST_DIODE_OHM = 2500.0, 300.0
SERIES_OHM = 1300.0
"""Contact resistance in the pilot's path at its worst."""
IN_CIRCUIT = ("pilot_diode_shorted", "pilot_diode_leaky", "pilot_leakage", "pilot_resistor")
EVSE_COLUMNS = (
    "site_id",
    "station_id",
    "connector_id",
    "evse_id",
    "evse_model",
    "connector_type",
    "version",
    "record",
    "looks",
    "limit_v",
    "words",
    "begins",
    "max_current_a",
    "phases",
    "max_power_kw",
    "generator_v",
    "update_day",
    "firmware_before",
    "load_managed",
    "exported",
    "timezone",
)
VEHICLE_COLUMNS = (
    "vehicle_id",
    "vehicle_model",
    "id_token",
    "onboard_charger_kw",
    "ac_phases",
    "battery_kwh",
    "telematics",
    "shares_pilot",
    "series_ohm",
    "inlets",
)


def chances(
    plug_ins: pl.DataFrame, fleet: Fleet, faults: Faults, mechanics: Mechanics
) -> pl.DataFrame:
    """Add to each plug-in who meets whom, which fault bites, the pilot's levels, and a `p_*` a cause."""
    frame = _met(plug_ins, fleet, faults)
    frame = _biting(frame, faults)
    frame = _levels(frame)
    frame = _site(frame, faults)
    odds = np.log(mechanics.chance_rate / (1 - mechanics.chance_rate)) - mechanics.chance_spread**2
    return frame.with_columns(
        _p_vehicle().alias("p_vehicle"),
        pl.when("evse_bites").then("evse_rate").otherwise(0.0).alias("p_evse"),
        pl.when(pl.col("pairing_rate").is_not_null() & (pl.col("supply") == "AC"))
        .then("pairing_rate")
        .otherwise(0.0)
        .alias("p_pairing"),
        (1 / (1 + (-(odds + pl.col("vehicle_odds") + pl.col("evse_odds"))).exp())).alias(
            "p_chance"
        ),
    )


def _met(plug_ins: pl.DataFrame, fleet: Fleet, faults: Faults) -> pl.DataFrame:
    """Plug-ins beside what is lasting of their vehicle, EVSE, firmware, pairing and faults."""
    evses = fleet.evses.select(
        pl.col("i").alias("e"), *EVSE_COLUMNS, pl.col("chance_odds").alias("evse_odds")
    )
    vehicles = fleet.vehicles.select(
        pl.col("i").alias("v"), *VEHICLE_COLUMNS, pl.col("chance_odds").alias("vehicle_odds")
    )
    ours = faults.vehicles.rename({"unit": "v"}).rename(
        lambda name: name if name == "v" else f"vehicle_{name}"
    )
    theirs = faults.evses.rename({"unit": "e"}).rename(
        lambda name: name if name == "e" else f"evse_{name}"
    )
    pairings = faults.pairings.select(
        "vehicle_model",
        "evse_model",
        "firmware",
        pl.col("rate").alias("pairing_rate"),
        pl.col("silent_share").alias("pairing_silent"),
    )
    return (
        plug_ins.join(evses, on="e", how="left", maintain_order="left")
        .join(vehicles, on="v", how="left", maintain_order="left")
        .join(ours.with_row_index("vehicle_fault"), on="v", how="left", maintain_order="left")
        .join(theirs.with_row_index("evse_fault"), on="e", how="left", maintain_order="left")
        .with_columns(
            pl.when(pl.col("t_d") >= pl.col("update_day"))
            .then(pl.lit("2.0.1"))
            .otherwise("firmware_before")
            .alias("firmware")
        )
        .join(
            _before_and_after(pairings, faults),
            on=["vehicle_model", "evse_model", "firmware"],
            how="left",
            maintain_order="left",
        )
    )


def _before_and_after(pairings: pl.DataFrame, faults: Faults) -> pl.DataFrame:
    """A pairing that an update does not cure lives on in the new firmware."""
    stays = pairings.filter(~faults.pairings["cured_by_update"]).with_columns(
        pl.lit("2.0.1").alias("firmware")
    )
    return pl.concat([pairings, stays]).unique(
        ["vehicle_model", "evse_model", "firmware"], maintain_order=True
    )


def _biting(frame: pl.DataFrame, faults: Faults) -> pl.DataFrame:
    """Whether it is wet, and whether the vehicle's and the EVSE's fault is there and bites."""
    day = np.clip(frame["t_d"].to_numpy().astype(np.int64), 0, faults.wet.shape[1] - 1)
    frame = frame.with_columns(pl.Series("wet", faults.wet[frame["site"].to_numpy(), day]))
    return frame.with_columns(
        (_there(who) & pl.Series(_on_day(bites, frame[f"{who}_fault"], day)))
        .fill_null(value=False)
        .alias(f"{who}_bites")
        for who, bites in (("vehicle", faults.vehicle_bites), ("evse", faults.evse_bites))
    )


def _on_day(bites: NDArray[np.bool_], row: pl.Series, day: NDArray[np.int64]) -> NDArray[np.bool_]:
    if not len(bites):
        return np.zeros(len(day), dtype=np.bool_)
    return np.asarray(bites[row.fill_null(0).to_numpy(), day])


def _there(who: str) -> pl.Expr:
    """Begun, and not repaired; or come back. Bound to wet days where it is."""
    t_d = pl.col("t_d")
    repaired = (
        (t_d >= pl.col(f"{who}_repaired_d").fill_nan(None)) & ~pl.col(f"{who}_repair_failed")
    ).fill_null(value=False)
    back = (t_d >= pl.col(f"{who}_relapse_d").fill_nan(None)).fill_null(value=False)
    return (
        (t_d >= pl.col(f"{who}_onset_d"))
        & (~repaired | back)
        & (~pl.col(f"{who}_wet_only") | pl.col("wet"))
    )


def _levels(frame: pl.DataFrame) -> pl.DataFrame:
    """The pilot's levels (V), and the chances that the EVSE takes them amiss."""
    on, suspect = pl.col("vehicle_bites"), pl.col("vehicle_suspect").fill_null("")
    age_d = (pl.col("t_d") - pl.col("vehicle_onset_d")).clip(0)
    leak = (
        pl.col("vehicle_ohm_at_onset") * 0.5 ** (age_d / pl.col("vehicle_days_to_halve"))
    ).fill_null(circuit.SOUND_OHM)

    def where(cause: str, value: pl.Expr, otherwise: float) -> pl.Expr:
        return pl.when(on & (suspect == cause)).then(value).otherwise(otherwise)

    off = (
        pl.when(pl.col("evse_bites") & (pl.col("evse_suspect") == "pilot_generator"))
        .then("evse_off_v")
        .otherwise(0.0)
    )
    wet_leak = leak.clip(LEAST_BESIDE_OHM) * pl.when("wet").then(WET_FACTOR).otherwise(1.0)
    parts = frame.select(
        (pl.col("generator_v") + off).alias("generator"),
        pl.when(on & (suspect == "pilot_diode_shorted"))
        .then(0.01)
        .otherwise(where("pilot_diode_leaky", leak.clip(LEAST_DIODE_OHM), circuit.SOUND_OHM))
        .alias("diode"),
        where("pilot_leakage", wet_leak, circuit.SOUND_OHM).alias("beside"),
        (
            pl.col("series_ohm")
            + where("pilot_resistor", 400 + SERIES_OHM * pl.col("vehicle_rate") ** 2, 0.0)
        ).alias("series"),
    )
    loop = Loop(*(parts[name].to_numpy() for name in ("generator", "diode", "beside", "series")))
    high_b, low_b = circuit.levels(loop, circuit.load_b())
    high_c, low_c = circuit.levels(loop, circuit.load_c())
    looks, limit = frame["looks"].to_numpy(), frame["limit_v"].to_numpy()
    has_pilot = frame["connector_type"].to_numpy() != "cG105"
    diode = np.where(
        looks == "no", 0.0, circuit.above(np.where(looks == "b2", low_b, low_c), limit)
    )
    high = 1 - circuit.above(high_b, circuit.BC_LIMIT_V) * (
        1 - circuit.above(high_b, circuit.AB_LIMIT_V)
    ) * circuit.above(high_c, circuit.CD_LIMIT_V)
    unasked = circuit.above(high_c, circuit.BC_LIMIT_V)
    volts = {
        "high_a": loop.generator_v,
        "high_b": high_b,
        "low_b": low_b,
        "high_c": high_c,
        "low_c": low_c,
    }
    odd = {
        "p_diode": diode * has_pilot,
        "p_high": high * has_pilot,
        "p_unasked": unasked * has_pilot,
    }
    return frame.with_columns(pl.Series(name, values) for name, values in (volts | odd).items())


def _p_vehicle() -> pl.Expr:
    """The vehicle's own chance to fail here: from the circuit, or its rate where its fault can bite."""
    suspect, ac = pl.col("vehicle_suspect"), pl.col("supply") == "AC"
    by_circuit = 1 - (1 - pl.col("p_diode")) * (1 - pl.col("p_high")) * (1 - pl.col("p_unasked"))
    place = (
        pl.when(suspect == "carried_cable")
        .then(pl.col("connector_type") == "sType2")
        .when(suspect == "pilot_open")
        .then(pl.col("connector_type") != "cG105")
        .otherwise(ac)
    )
    by_rate = pl.when(place).then("vehicle_rate").otherwise(0.0)
    return (
        pl.when("vehicle_bites")
        .then(pl.when(suspect.is_in(IN_CIRCUIT)).then(by_circuit).otherwise(by_rate))
        .otherwise(0.0)
    )


def _site(frame: pl.DataFrame, faults: Faults) -> pl.DataFrame:
    """The chance that an event of the whole site stops this attempt."""
    hits = (
        frame.select("n", "site", "t_d")
        .join(faults.outages.rename({"rate": "p_site", "suspect": "site_suspect"}), on="site")
        .filter(pl.col("t_d").is_between("from_d", "to_d"))
        .unique("n", keep="first", maintain_order=True)
        .select("n", "p_site", "site_suspect")
    )
    return frame.join(hits, on="n", how="left", maintain_order="left").with_columns(
        pl.col("p_site").fill_null(0.0)
    )
