"""Tables of the fleet office, the sites and the workshop."""

from __future__ import annotations

import numpy as np
import polars as pl

from sample_logs.generator.circuit import R2_OHM
from sample_logs.generator.emit.clocks import DAY_MS, stamp
from sample_logs.generator.faults import leak_ohm
from sample_logs.generator.spec import VEHICLE_FAULTS
from sample_logs.generator.world import World

FINDINGS = {
    "pilot_diode_shorted": "diode_shorted",
    "pilot_diode_leaky": "diode_leaky",
    "charger_input": "charger_other",
    "inlet_lock": "inlet_or_wiring",
    "never_requests": "charger_other",
}
UNPLUGGED_V = 4.46
"""Proximity to earth at an unplugged Type 1 inlet: 5 V through 330 ohm over 2.7 kohm (derived)."""
METER_TOP_OHM = 40e6


def vehicles_csv(world: World) -> bytes:
    """vehicles.csv."""
    made = pl.col("model_year").cast(pl.String) + "-03-01T00:00:00Z"
    return world.vehicles.with_columns(in_service_from=made).write_csv().encode()


def evses_csv(world: World) -> bytes:
    """evses.csv, with today's firmware."""
    order = (
        "evse_id site_id station_id connector_id evse_model firmware supply connector_type "
        "max_current_a phases max_power_kw timezone diode_check"
    )
    return world.evses.select(order.split()).write_csv().encode()


def tokens_csv(tokens: pl.DataFrame) -> bytes:
    """tokens.csv, with the overlap as filed."""
    rows = tokens.select(
        "id_token",
        "vehicle_id",
        valid_from=stamp("from_ms"),
        valid_to=stamp("told_to_ms"),
    )
    return rows.write_csv().encode()


def findings(world: World) -> pl.DataFrame:
    """Findings of the workshop: every repair in the world, and a few cars with nothing wrong.

    Readings as a hand-held meter at the inlet shows them: forward through the diode depends on the
    test current, in reverse a sound diode is open (blank: over range).
    """
    rng = world.spec.rng("findings")
    mended = world.vehicle_truth.filter(pl.col("to_utc").is_not_null())
    repaired = mended["to_utc"].dt.epoch("ms").to_numpy()
    row_of = {v: i for i, v in enumerate(world.vehicles["vehicle_id"].to_list())}
    unit = np.array([row_of[v] for v in mended["vehicle_id"].to_list()], dtype=np.int64)
    begin = int(world.spec.start.timestamp() * 1000)
    leak = leak_ohm(world.faults.vehicles, unit, (repaired - begin) / 1000.0 - 3600.0)
    r2 = world.fleet.pilot_ev.r2_ohm[unit]
    kind = mended["fault"].to_list()
    shorted = np.array([k == VEHICLE_FAULTS[0] for k in kind], dtype=bool)
    forward = np.where(shorted, r2, r2 + rng.uniform(600, 5000, len(unit)))
    reverse = np.where(np.isinf(leak), np.nan, r2 + leak) * rng.normal(1.0, 0.005, len(unit))
    rows = pl.DataFrame(
        {
            "t_ms": repaired - rng.integers(2, 30, len(unit)) * 3_600_000,
            "vehicle_id": mended["vehicle_id"],
            "finding": pl.Series([FINDINGS[k] for k in kind], dtype=pl.String),
            "forward": forward,
            "reverse": reverse,
            "repaired_ms": repaired,
            "note": pl.Series(["repaired" for _ in kind], dtype=pl.String),
        }
    )
    return pl.concat([rows, _healthy(world, rng)]).sort("t_ms", "vehicle_id")


def _healthy(world: World, rng: np.random.Generator) -> pl.DataFrame:
    """Visits of cars with nothing wrong, about 3 in 200."""
    sick = world.vehicle_truth["vehicle_id"].unique().to_list()
    well = [v for v in world.vehicles["vehicle_id"].to_list() if v not in set(sick)]
    some = (
        [well[i] for i in rng.choice(len(well), max(1, len(well) // 70), replace=False)]
        if well
        else []
    )
    begin = int(world.spec.start.timestamp() * 1000)
    n = len(some)
    return pl.DataFrame(
        {
            "t_ms": (begin + rng.uniform(0.1, 1.0, n) * world.spec.days * DAY_MS).astype(np.int64),
            "vehicle_id": pl.Series(some, dtype=pl.String),
            "finding": pl.Series(["no_fault_found"] * n, dtype=pl.String),
            "forward": R2_OHM + rng.uniform(600, 5000, n),
            "reverse": np.full(n, np.nan),
            "repaired_ms": pl.Series([None] * n, dtype=pl.Int64),
            "note": pl.Series(["charged at the workshop without fault"] * n, dtype=pl.String),
        }
    )


def findings_csv(world: World) -> bytes:
    """findings.csv: a blank reverse reading is over range."""
    rng = world.spec.rng("proximity")
    rows = findings(world)
    proximity = pl.Series(np.round(UNPLUGGED_V + rng.normal(0.0, 0.03, rows.height), 2))
    reverse = pl.col("reverse").fill_nan(None)
    return (
        rows.select(
            at=stamp("t_ms"),
            vehicle_id="vehicle_id",
            finding="finding",
            pp_pe_v=proximity,
            cp_pe_forward_ohm=pl.col("forward").round(0).cast(pl.Int64),
            cp_pe_reverse_ohm=pl.when(reverse < METER_TOP_OHM)
            .then(reverse)
            .round(0)
            .cast(pl.Int64),
            repaired_at=stamp("repaired_ms"),
            note="note",
        )
        .write_csv()
        .encode()
    )
