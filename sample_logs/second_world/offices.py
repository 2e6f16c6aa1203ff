"""What offices and workshops keep: lists, findings, work done, trouble codes. Written from the contract alone."""

from __future__ import annotations

import numpy as np
import polars as pl

from sample_logs.second_world.clocks import DAY_S, text_utc
from sample_logs.second_world.faults import Faults
from sample_logs.second_world.fleet import Fleet

FOUND_IN_VEHICLE = {
    "pilot_diode_shorted": "diode_shorted",
    "pilot_diode_leaky": "diode_leaky",
    "pilot_open": "diode_open",
    "pilot_leakage": "inlet_or_wiring",
    "pilot_resistor": "inlet_or_wiring",
    "carried_cable": "inlet_or_wiring",
    "inlet_lock": "inlet_or_wiring",
    "charger_input": "charger_other",
    "charger_leakage": "charger_other",
    "never_requests": "charger_other",
}
FOUND_IN_EVSE = {
    "pilot_generator": "generator",
    "contactor": "contactor",
    "residual_current_device": "residual_current_device",
    "connector_lock": "lock",
    "communication": "communication",
    "cable": "cable_or_connector",
    "supply": "supply",
}


def vehicle_list(fleet: Fleet) -> pl.DataFrame:
    """fleet/vehicles.csv; the model of a few is not known."""
    model = pl.when("known").then("vehicle_model").otherwise(pl.lit(""))
    return fleet.vehicles.select(
        "vehicle_id",
        model.alias("vehicle_model"),
        "model_year",
        "onboard_charger_kw",
        "ac_phases",
        "inlets",
    )


def token_list(fleet: Fleet) -> pl.DataFrame:
    """fleet/tokens.csv: one card a vehicle."""
    return fleet.vehicles.select(
        "id_token",
        "vehicle_id",
        pl.lit("2025-01-01T00:00:00Z").alias("valid_from"),
        pl.lit("").alias("valid_to"),
    )


def evse_list(fleet: Fleet) -> pl.DataFrame:
    """sites/evses.csv; the model of a few is not known."""
    model = pl.when("known").then("evse_model").otherwise(pl.lit(""))
    return fleet.evses.select(
        "evse_id",
        "site_id",
        "station_id",
        "connector_id",
        model.alias("evse_model"),
        "firmware",
        "supply",
        "connector_type",
        "max_current_a",
        "phases",
        "max_power_kw",
        "timezone",
        "diode_check",
    )


def findings(rng: np.random.Generator, fleet: Fleet, faults: Faults) -> pl.DataFrame:
    """workshop/findings.csv: repairs (some in vain), and a few visits of sound vehicles."""
    done = faults.vehicles.filter(pl.col("repaired_d").is_not_nan())
    found = done.select(
        pl.col("unit"),
        (pl.col("repaired_d") - 0.1).alias("d"),
        pl.col("suspect").replace_strict(FOUND_IN_VEHICLE, return_dtype=pl.String).alias("finding"),
        pl.col("repaired_d").alias("back_d"),
    )
    sound = np.setdiff1d(np.arange(fleet.vehicles.height), faults.vehicles["unit"].to_numpy())
    visits = rng.permutation(sound)[: len(sound) // 60]
    nothing = pl.DataFrame(
        {"unit": visits, "d": rng.uniform(5, fleet.days - 5, len(visits))}
    ).with_columns(
        pl.lit("no_fault_found").alias("finding"), pl.lit(None, dtype=pl.Float64).alias("back_d")
    )
    blank = pl.lit("")
    return (
        pl.concat([found, nothing])
        .sort("d")
        .with_columns(
            (pl.col("d") * DAY_S).alias("t_s"), (pl.col("back_d") * DAY_S).alias("back_s")
        )
        .join(
            fleet.vehicles.select(pl.col("i").cast(pl.Int64).alias("unit"), "vehicle_id"),
            on="unit",
            maintain_order="left",
        )
        .select(
            text_utc("t_s").alias("at"),
            "vehicle_id",
            "finding",
            blank.alias("pp_pe_v"),
            blank.alias("cp_pe_forward_ohm"),
            blank.alias("cp_pe_reverse_ohm"),
            text_utc("back_s").alias("repaired_at"),
            blank.alias("note"),
        )
    )


def work(fleet: Fleet, faults: Faults) -> pl.DataFrame:
    """sites/work.csv: what was repaired at EVSEs."""
    return (
        faults.evses.filter(pl.col("repaired_d").is_not_nan())
        .sort("repaired_d")
        .with_columns(
            ((pl.col("repaired_d") - 0.05) * DAY_S).alias("t_s"),
            (pl.col("repaired_d") * DAY_S).alias("back_s"),
        )
        .join(
            fleet.evses.select(pl.col("i").cast(pl.Int64).alias("unit"), "evse_id"),
            on="unit",
            maintain_order="left",
        )
        .select(
            text_utc("t_s").alias("at"),
            "evse_id",
            pl.col("suspect")
            .replace_strict(FOUND_IN_EVSE, return_dtype=pl.String)
            .alias("finding"),
            text_utc("back_s").alias("repaired_at"),
            pl.lit("").alias("note"),
        )
    )


def trouble_codes(rng: np.random.Generator, fleet: Fleet, story: pl.DataFrame) -> pl.DataFrame:
    """telematics/dtcs.csv: stored by failing chargers; many read-outs find none."""
    stored = story.filter(
        (pl.col("cause_suspect") == "charger_input")
        & pl.col("telematics")
        & pl.Series(rng.random(story.height) < 0.5)
    )
    told = stored.select(
        (pl.col("t_s") + 60).alias("t_s"),
        "vehicle_id",
        pl.lit("P0D2C").alias("dtc"),
        pl.lit("charger").alias("module"),
        pl.lit("confirmed").alias("status"),
    )
    ill = story.filter(pl.col("vehicle_bites") & (pl.col("vehicle_suspect") == "charger_input"))[
        "vehicle_id"
    ].unique()
    read = fleet.vehicles.filter(
        pl.Series(rng.random(fleet.vehicles.height) < 0.25)
        & ~pl.col("vehicle_id").is_in(ill.implode())
    )
    none = read.select(
        pl.Series("t_s", rng.uniform(1, fleet.days, read.height) * DAY_S),
        "vehicle_id",
        pl.lit("").alias("dtc"),
        pl.lit("").alias("module"),
        pl.lit("").alias("status"),
    )
    return (
        pl.concat([told, none])
        .sort("t_s")
        .select(text_utc("t_s").alias("at"), "vehicle_id", "dtc", "module", "status")
    )
