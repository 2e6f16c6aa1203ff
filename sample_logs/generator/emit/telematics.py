"""The vehicle's side: charging events and trouble-code read-outs."""

from __future__ import annotations

import numpy as np
import polars as pl

from sample_logs.generator.emit.clocks import DAY_MS, stamp
from sample_logs.generator.world import World

REPORTING = 0.7
"""Share of vehicles that report charging events."""
CODES = {
    "charger_input": ("P1DA4", "OBC"),
    "inlet_lock": ("B1C2E", "INLET"),
    "never_requests": ("U3F11", "VCU"),
}
"""Maker-defined codes in the form of SAE J2012. A shorted or leaking pilot diode stores none."""


def charging_rows(world: World, attempts: pl.DataFrame) -> pl.DataFrame:
    """charging.csv: one row an event of a reporting vehicle, in order of time."""
    rng = world.spec.rng("telematics")
    ids = world.vehicles["vehicle_id"]
    reporting = ids.filter(pl.Series(rng.random(len(ids)) < REPORTING, dtype=pl.Boolean))
    a = attempts.filter(pl.col("vehicle_id").is_in(reporting.implode()))
    a = a.join(
        world.vehicles.select("vehicle_id", "inlets"), on="vehicle_id", maintain_order="left"
    )
    capacity = (
        pl.col("vehicle_id").str.slice(1).str.to_integer(strict=False).fill_null(0) % 3 * 12 + 40
    )
    soc = (18 + pl.col("u") * 60).round()
    a = a.with_columns(soc=soc, gained=(100 * pl.col("energy_kwh") / capacity))
    begun = a.filter(pl.col("stop_s").is_not_null())
    own = (pl.col("outcome") == "failed") & (pl.col("cause") == "vehicle")
    own &= pl.col("vehicle_fault").is_in(["charger_input", "inlet_lock"])
    after = (pl.col("soc") + pl.col("gained")).clip(0, 100).round()
    parts = [
        _event(a, 0.0, "plugged", pl.col("soc")),
        _event(begun, pl.col("closed_s") + 3.0, "charge_started", pl.col("soc")),
        _event(begun, pl.col("stop_s"), "charge_stopped", after),
        _event(a.filter(own), pl.col("fault_s"), "charge_fault", pl.col("soc")),
        _event(
            a,
            pl.col("left_s"),
            "unplugged",
            pl.when(pl.col("stop_s").is_null()).then("soc").otherwise(after),
        ),
    ]
    rows = pl.concat(parts).sort("t_ms", "vehicle_id")
    return rows.select(
        "t_ms",
        at=stamp("t_ms"),
        vehicle_id="vehicle_id",
        event="event",
        inlet="inlet",
        soc_pct="soc_pct",
    )


def _event(frame: pl.DataFrame, at: pl.Expr | float, name: str, soc: pl.Expr) -> pl.DataFrame:
    """Rows of one event; the vehicle's own clock is good to a second or two."""
    after = pl.lit(at) if isinstance(at, float) else at
    own = pl.col("inlets").str.split(";").list.first().replace({"sType2": "cType2"})
    inlet = pl.when(pl.col("supply") == "DC").then("coupler").otherwise(own)
    return frame.select(
        "vehicle_id",
        t_ms=pl.col("t0_ms") + ((after + pl.col("u") * 2 - 1) * 1000).round().cast(pl.Int64),
        event=pl.lit(name),
        inlet=inlet,
        soc_pct=soc,
    )


def dtc_rows(world: World) -> pl.DataFrame:
    """dtcs.csv: each vehicle is read about every nine days; most read-outs are empty."""
    rng = world.spec.rng("dtcs")
    begin = int(world.spec.start.timestamp() * 1000)
    ids = world.vehicles["vehicle_id"]
    reads = max(1, world.spec.days // 9)
    jitter = rng.uniform(0, 9 * DAY_MS, (len(ids), reads)) * 0.8
    t_ms = begin + np.minimum(jitter + np.arange(reads) * 9 * DAY_MS, world.spec.days * DAY_MS - 1)
    rows = pl.DataFrame(
        {"vehicle_id": np.repeat(ids.to_numpy(), reads), "t_ms": t_ms.ravel().astype(np.int64)},
        schema_overrides={"vehicle_id": pl.String},
    )
    own = world.vehicle_truth.filter(pl.col("fault").is_in(list(CODES))).select(
        "vehicle_id",
        "fault",
        since=pl.col("from_utc").dt.epoch("ms"),
        until=pl.col("to_utc").dt.epoch("ms"),
    )
    hit = rows.join(own, on="vehicle_id", how="left")
    on = (pl.col("t_ms") >= pl.col("since")) & (
        pl.col("until").is_null() | (pl.col("t_ms") < pl.col("until"))
    )
    stored = on.fill_null(value=False) & (pl.Series(rng.random(hit.height)) < 0.85)
    chatter = pl.Series(rng.random(hit.height)) < 0.03
    hit = hit.with_columns(stored=stored, chatter=chatter)
    code = pl.col("fault").replace_strict({k: v[0] for k, v in CODES.items()}, default=None)
    unit = pl.col("fault").replace_strict({k: v[1] for k, v in CODES.items()}, default=None)
    rest = pl.col("chatter")
    return (
        hit.sort("t_ms", "vehicle_id")
        .unique(["vehicle_id", "t_ms"], keep="first", maintain_order=True)
        .select(
            "t_ms",
            at=stamp("t_ms"),
            vehicle_id="vehicle_id",
            dtc=pl.when("stored").then(code).when(rest).then(pl.lit("B1A07")),
            module=pl.when("stored").then(unit).when(rest).then(pl.lit("CABIN")),
            status=pl.when("stored").then(pl.lit("confirmed")).when(rest).then(pl.lit("pending")),
        )
    )
