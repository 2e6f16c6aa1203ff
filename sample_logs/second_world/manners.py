"""How each cause shows when it hits: which trouble the EVSE sees, and the stage it ends in. Written from the contract alone."""

from __future__ import annotations

import numpy as np
import polars as pl

STAGES = ("plugged", "offered", "requested", "energised", "delivering")
# fmt: off
MANNERS = pl.DataFrame(
    [
        # suspect, how it shows: trouble ('silent', 'unseen', 'no_answer' are no words of the EVSE), stage it ends in, weight
        ("pilot_diode_shorted", "diode", "check", 0.9), ("pilot_diode_shorted", "pilot_level", "check", 0.1),
        ("pilot_diode_leaky", "diode", "check", 0.6), ("pilot_diode_leaky", "pilot_level", "check", 0.4),
        ("pilot_leakage", "pilot_level", "check", 0.7), ("pilot_leakage", "diode", "check", 0.3),
        ("pilot_resistor", "silent", "offered", 0.7), ("pilot_resistor", "pilot_level", "offered", 0.3),
        ("pilot_open", "unseen", "plugged", 1.0),
        ("carried_cable", "proximity", "plugged", 0.7), ("carried_cable", "lock", "plugged", 0.3),
        ("inlet_lock", "silent", "offered", 0.5),
        ("inlet_lock", "lock", "plugged", 0.35), ("inlet_lock", "dropped", "requested", 0.15),
        ("charger_input", "overcurrent", "energised", 0.35),
        ("charger_input", "dropped", "energised", 0.5), ("charger_input", "silent", "offered", 0.15),
        ("charger_leakage", "ground", "energised", 1.0),
        ("never_requests", "silent", "offered", 1.0),
        ("pilot_generator", "pilot_level", "offered", 0.7), ("pilot_generator", "diode", "offered", 0.3),
        ("contactor", "contactor", "requested", 1.0),
        ("residual_current_device", "ground", "energised", 0.8), ("residual_current_device", "ground", "offered", 0.2),
        ("connector_lock", "lock", "plugged", 1.0),
        ("communication", "no_answer", "plugged", 1.0),
        ("cable", "unseen", "plugged", 0.4),
        ("cable", "pilot_level", "offered", 0.35), ("cable", "dropped", "energised", 0.25),
        ("supply", "voltage", "plugged", 0.5), ("supply", "voltage", "energised", 0.5),
        ("pairing", "pilot_level", "requested", 0.4), ("pairing", "dropped", "energised", 0.6),
        ("pairing_silent", "silent", "offered", 1.0),
        ("chance", "silent", "offered", 0.2), ("chance", "pilot_level", "offered", 0.15), ("chance", "diode", "check", 0.05),
        ("chance", "lock", "plugged", 0.1), ("chance", "proximity", "plugged", 0.1), ("chance", "ground", "energised", 0.1),
        ("chance", "contactor", "requested", 0.05), ("chance", "overcurrent", "energised", 0.05),
        ("chance", "dropped", "energised", 0.1), ("chance", "no_answer", "plugged", 0.1),
    ],
    schema=["suspect", "trouble", "stage", "weight"], orient="row",
)
# fmt: on


def manner(rng: np.random.Generator, suspect: pl.Series, looks: pl.Series) -> pl.DataFrame:
    """How a cause would show if it hit: `trouble` and `stage` a row; stage 'check' is where this EVSE looks for the diode."""
    weights = MANNERS.with_columns(
        (pl.col("weight").cum_sum().over("suspect") / pl.col("weight").sum().over("suspect")).alias(
            "to"
        )
    )
    weights = weights.with_columns(
        (pl.col("to") - pl.col("weight") / pl.col("weight").sum().over("suspect")).alias("from")
    )
    drawn = pl.DataFrame(
        {
            "row": np.arange(len(suspect)),
            "suspect": suspect,
            "looks": looks,
            "u": rng.random(len(suspect)),
        }
    )
    picked = drawn.join(weights, on="suspect", how="left").filter(
        pl.col("from").is_null() | ((pl.col("u") >= pl.col("from")) & (pl.col("u") < pl.col("to")))
    )
    at_check = (
        pl.when(pl.col("looks") == "c2").then(pl.lit("requested")).otherwise(pl.lit("offered"))
    )
    whole = drawn.select("row").join(picked.unique("row"), on="row", how="left").sort("row")
    return whole.select(
        "trouble",
        pl.when(pl.col("stage") == "check").then(at_check).otherwise("stage").alias("stage"),
    )
