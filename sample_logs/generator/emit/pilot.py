"""The station controller's own record of the control pilot, a row at each change."""

from __future__ import annotations

import numpy as np
import polars as pl

from sample_logs.generator.circuit import duty_for
from sample_logs.generator.emit.clocks import Stations, stamp, with_station_time
from sample_logs.generator.world import World

WORDS: dict[str, str] = {
    "DiodeFault": "diode check failed",
    "PilotFault": "pilot level out of range",
    "OtherError": "other error",
    "InternalError": "internal error",
    "GroundFailure": "residual current trip",
    "ConnectorLockFailure": "plug lock not confirmed",
    "PowerSwitchFailure": "contactor did not close",
    "OverCurrentFailure": "overcurrent",
    "HighTemperature": "cable hot",
    "EVCommunicationError": "vehicle does not answer",
    "ReaderFailure": "card reader failed",
    "OverVoltage": "mains voltage high",
    "UnderVoltage": "mains voltage low",
}
"""How this world's controllers name a fault: their own words, one for each canonical fault."""
PROTECTED = ("GroundFailure", "PowerSwitchFailure")
"""Faults after which a station puts the pilot to state F."""
REPEAT_S = 1800.0
"""Some controllers write a row this often while nothing changes."""


def _rows(
    frame: pl.DataFrame,
    at: pl.Expr | float,
    state: pl.Expr | str,
    *,
    high: str,
    low: str | None,
    closed: bool = False,
    fault: bool = False,
) -> pl.DataFrame:
    """Rows of one kind; `low` only where the PWM runs and the controller reads it."""
    after = pl.lit(at) if isinstance(at, float) else at
    letter = pl.lit(state) if isinstance(state, str) else state
    runs = low is not None
    shown = (
        pl.when("low_logged").then(pl.col(low))
        if low is not None
        else pl.lit(None, dtype=pl.Float64)
    )
    word = (
        pl.col("fault").replace_strict(WORDS, default=None)
        if fault
        else pl.lit(None, dtype=pl.String)
    )
    return frame.select(
        "station_id",
        "connector_id",
        "attempt_id",
        t_ms=pl.col("t0_ms") + (after * 1000).round().cast(pl.Int64),
        state=letter,
        high_v=pl.col(high).round(2),
        low_v=shown.round(2),
        duty_pct=pl.col("duty") if runs else pl.lit(100.0),
        contactor=pl.lit("closed" if closed else "open"),
        fault=word,
        last=pl.lit(value=False),
    )


def _with_duty(world: World, attempts: pl.DataFrame) -> pl.DataFrame:
    """Add the duty cycle offered (5 % on CCS: digital communication) and whether low is read."""
    rng = world.spec.rng("pilot")
    offered = np.minimum(
        attempts["max_current_a"].to_numpy(), rng.choice([10.0, 16.0, 32.0], attempts.height)
    )
    logged = pl.DataFrame({"evse_id": world.evses["evse_id"], "low_logged": world.fleet.logs_low})
    duty = pl.Series(np.round(duty_for(offered), 2))
    return attempts.with_columns(
        duty=pl.when(pl.col("supply") == "DC").then(5.0).otherwise(duty),
        repeats=pl.col("station_id").str.tail(1).is_in(["1", "4", "7"]),
    ).join(logged, on="evse_id", maintain_order="left")


def _periodic(a: pl.DataFrame) -> pl.DataFrame:
    """Rows some controllers repeat during charging."""
    going = a.filter(
        pl.col("repeats") & pl.col("closed_s").is_not_null() & pl.col("stop_s").is_not_null()
    )
    length = pl.col("stop_s") - pl.col("closed_s")
    counted = going.with_columns(k=pl.int_ranges(1, (length / REPEAT_S).floor().cast(pl.Int64) + 1))
    rows = counted.explode("k", empty_as_null=False, keep_nulls=False)
    return _rows(
        rows,
        pl.col("closed_s") + pl.col("k") * REPEAT_S,
        "C2",
        high="high_c_v",
        low="low_c_v",
        closed=True,
    )


def _state_f(frame: pl.DataFrame, at: pl.Expr) -> pl.DataFrame:
    """Rows of state F, a steady -12 V: the station is not available until the plug is out."""
    rows = _rows(frame, at, "F", high="high_b_v", low="low_b_v")
    nothing = pl.lit(None, dtype=pl.Float64)
    return rows.with_columns(high_v=nothing, duty_pct=nothing)


def pilot_rows(world: World, stations: Stations, attempts: pl.DataFrame) -> pl.DataFrame:
    """Pilot rows of attempts at stations that keep them, in the columns of the delivery, in order.

    The DC coupler with its own signals has none. A row's `at` is the station's own clock.
    """
    a = _with_duty(world, attempts.filter("pilot").filter(pl.col("coupler") != "cG105"))
    failed = a.filter(pl.col("outcome") == "failed")
    charged = a.filter(pl.col("outcome") == "charged")
    plugged, offered, requested, energised = (
        failed.filter(pl.col("stage") == s)
        for s in ("plugged", "offered", "requested", "energised")
    )
    delivering = failed.filter(pl.col("stage") == "delivering")
    at, late = pl.col("fault_s"), pl.col("fault_s") + 0.4
    closing = pl.concat([energised, delivering])
    own = pl.col("fault").is_in(PROTECTED).fill_null(value=False)
    ends = _rows(a, pl.col("left_s"), "A1", high="high_a_v", low=None).with_columns(
        last=pl.lit(value=True)
    )
    parts = [
        _rows(a, 0.0, "B1", high="high_b_v", low=None),
        _rows(
            a.filter(pl.col("pwm_s").is_not_null()),
            pl.col("pwm_s"),
            "B2",
            high="high_b_v",
            low="low_b_v",
        ),
        _rows(
            a.filter(pl.col("request_s").is_not_null()),
            pl.col("request_s"),
            "C2",
            high="high_c_v",
            low="low_c_v",
        ),
        _rows(
            a.filter(pl.col("closed_s").is_not_null()),
            pl.col("closed_s"),
            "C2",
            high="high_c_v",
            low="low_c_v",
            closed=True,
        ),
        _periodic(a),
        _rows(plugged, at, "B1", high="high_b_v", low=None, fault=True),
        _rows(offered, at, "B2", high="high_b_v", low="low_b_v", fault=True),
        _rows(offered, late, "B1", high="high_b_v", low=None),
        _rows(requested, at, "C2", high="high_c_v", low="low_c_v", fault=True),
        _rows(requested.filter(~own), late, "C1", high="high_c_v", low=None),
        _rows(closing, at, "C2", high="high_c_v", low="low_c_v", fault=True),
        _rows(closing.filter(~own), late, "C1", high="high_c_v", low=None),
        _state_f(pl.concat([requested, closing]).filter(own), late),
        _rows(charged.filter("full"), pl.col("stop_s"), "B2", high="high_b_v", low="low_b_v"),
        _rows(charged.filter(~pl.col("full")), pl.col("stop_s"), "B1", high="high_b_v", low=None),
        ends,
    ]
    rows = pl.concat(parts).join(
        attempts.select("attempt_id", "cut_ms"), on="attempt_id", how="left"
    )
    rows = rows.filter(
        pl.col("cut_ms").is_null() | (pl.col("t_ms") < pl.col("cut_ms")) | pl.col("last")
    )
    timed = with_station_time(rows, stations.clock).sort("t_ms", "station_id", "connector_id")
    return timed.select(
        "t_ms",
        "attempt_id",
        stamp("station_ms").alias("at"),
        "station_id",
        "connector_id",
        state="state",
        high_v="high_v",
        low_v="low_v",
        duty_pct="duty_pct",
        contactor="contactor",
        fault="fault",
    )
