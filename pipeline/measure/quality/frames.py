"""A simulated world as the frames the refer stage takes."""

from __future__ import annotations

import polars as pl

from pipeline.attribute.attribution import attribute
from pipeline.refer.inputs import Attributed, ReferInputs
from pipeline.registry import conform
from pipeline.settings.attribute import AttributeSettings
from sample_logs.generator.world import World


def core_attempts(world: World) -> pl.DataFrame:
    """The world's attempts in the columns of core_attempt, as a perfect normalise stage would give
    them.
    """
    utc = pl.Datetime("us", "UTC")
    logs_low = pl.col("pilot_low_v").is_not_null()
    in_c = pl.col("stage").is_in(["requested", "energised", "delivering"])
    empty_text = pl.lit(None, dtype=pl.String)
    frame = world.attempts.join(
        world.evses.select("evse_id", "station_id", "connector_id"), on="evse_id"
    ).with_columns(
        plugged_at_utc=pl.col("plugged_at").cast(utc),
        unplugged_at_utc=pl.col("unplugged_at").cast(utc),
        vehicle_known_by=pl.lit("token"),
        id_token=pl.lit("T") + pl.col("vehicle_id"),
        clock_error_s=pl.lit(1.0),
        time_doubt=empty_text,
        source=pl.lit("ocpp16"),
        lineage=pl.lit([], dtype=pl.List(pl.String)),
        fault_raw=pl.col("fault"),
        stop_reason=empty_text,
        offered_a=pl.lit(None, dtype=pl.Float64),
        pilot_high_b_v="pilot_high_v",
        pilot_low_b_v="pilot_low_v",
        pilot_high_c_v=pl.when(in_c & logs_low).then("high_c_v"),
        pilot_low_c_v=pl.when(in_c & logs_low).then("low_c_v"),
        pilot_low_samples=logs_low.cast(pl.Int64),
        vehicle_fault=pl.lit(None, dtype=pl.Boolean),
        transaction_id=empty_text,
        asked=in_c,
        asked_at_utc=pl.lit(None, dtype=utc),
        vehicle_software=empty_text,
        **dict.fromkeys(
            ("wait_s", "let_go_s", "soc_plug_pct", "soc_leave_pct"), pl.lit(None, dtype=pl.Float64)
        ),
        suspended_evse=pl.lit(value=False),
        charged_later=pl.lit(value=False),
        full_before=pl.lit(value=False),
        distrust=pl.lit(value=False),
        weight=pl.lit(1.0),
    )
    return conform(frame, "core_attempt")


def inputs_of(world: World, week: str, look_back_weeks: int = 12) -> ReferInputs:
    """Attribute a week of the world and gather what `refer` takes."""
    attempts = core_attempts(world)
    attribution = attribute(attempts, AttributeSettings(), week, look_back_weeks=look_back_weeks)
    missing = pl.lit(None, dtype=pl.Datetime("us", "UTC"))
    fleet = world.vehicles.with_columns(
        vin=pl.lit(None, dtype=pl.String),
        plate=pl.lit(None, dtype=pl.String),
        in_service_from_utc=missing,
        in_service_to_utc=missing,
    )
    return ReferInputs(
        attempts,
        Attributed.of(attribution),
        conform(fleet, "core_vehicle"),
        conform(world.evses, "core_evse"),
    )
