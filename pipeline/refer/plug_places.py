"""Where a vehicle can be plugged in: which EVSEs its inlet fits, and which sites it uses."""

from __future__ import annotations

import polars as pl

from pipeline.refer.inputs import ReferInputs

TYPE1, TYPE2 = ("cType1", "cCCS1"), ("cType2", "sType2", "cCCS2")
PLUGS = {"cType1": TYPE1, "cType2": TYPE2, "cTesla": ("cTesla",)}
"""Inlets a captive AC plug fits; a socket (s...) takes any AC vehicle with its own cable. A CCS inlet holds the AC part."""


def fits(inputs: ReferInputs, attempts: pl.DataFrame, equipment: pl.DataFrame) -> pl.DataFrame:
    """Pairs `vehicle_model, connector_type` that fit.

    By the plug, or because they have been plugged together.
    """
    models = (
        inputs.fleet.select(
            "vehicle_model", pl.col("inlets").fill_null("").str.split(";").alias("inlet")
        )
        .explode("inlet")
        .with_columns(pl.col("inlet").str.strip_chars())
        .unique()
    )
    plugs = pl.DataFrame(
        [(plug, inlet) for plug, inlets in PLUGS.items() for inlet in inlets],
        schema=["connector_type", "inlet"],
        orient="row",
    )
    by_plug = models.join(plugs, on="inlet").select("vehicle_model", "connector_type")
    sockets = (
        equipment.filter(pl.col("connector_type").str.starts_with("s"))
        .select("connector_type")
        .unique()
    )
    ac_models = (
        models.filter(pl.col("inlet").is_in([*TYPE1, *TYPE2, "cTesla"]))
        .select("vehicle_model")
        .unique()
    )
    by_socket = ac_models.join(sockets, how="cross")
    used = attempts.filter(pl.col("supply") == "AC").select(
        "vehicle_model", pl.col("coupler").alias("connector_type")
    )
    return pl.concat([by_plug, by_socket, used.drop_nulls()]).unique()


def sites(attempts: pl.DataFrame, vehicles: pl.Series) -> pl.DataFrame:
    """`question, site_id, tier`: 0 for the site a vehicle uses most, 1 for the others it uses."""
    used = (
        attempts.filter(pl.col("vehicle_id").is_in(vehicles.implode()))
        .group_by(pl.col("vehicle_id").alias("question"), "site_id")
        .len("n")
        .sort(["question", "n", "site_id"], descending=[False, True, False])
    )
    return used.with_columns(pl.int_range(pl.len()).over("question").clip(0, 1).alias("tier")).drop(
        "n"
    )
