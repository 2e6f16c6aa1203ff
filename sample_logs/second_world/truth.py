"""What is true of a world, beside its delivery and never read by the analysis: attempts, faults, pairings."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from sample_logs.second_world.clocks import DAY_S, EPOCH_S
from sample_logs.second_world.faults import Faults
from sample_logs.second_world.fleet import Fleet


def _utc(seconds: pl.Expr) -> pl.Expr:
    return pl.from_epoch(
        ((seconds + EPOCH_S) * 1e6).round().cast(pl.Int64), time_unit="us"
    ).dt.replace_time_zone("UTC")


def _recorded() -> pl.Expr:
    """Whether any source tells of the plug-in: the EVSE or its card reader, a finished session, or the vehicle."""
    told = (
        pl.when("exported")
        .then(pl.col("accepted") & ~pl.col("unseen"))
        .otherwise(~pl.col("unseen") | pl.col("carded"))
    )
    return told | pl.col("telematics")


def _known() -> pl.Expr:
    """Whether any source tells which vehicle it was: its card before the trouble came, or the vehicle itself."""
    return (
        pl.when("exported").then(pl.col("accepted") & ~pl.col("unseen")).otherwise("carded")
    ) | pl.col("telematics")


def attempts(steps: pl.DataFrame) -> pl.DataFrame:
    """A row a plug-in, with its true time, outcome, cause and the true chance of each cause."""
    return steps.select(
        "n",
        "evse_id",
        "site_id",
        "vehicle_id",
        "vehicle_model",
        "evse_model",
        "firmware",
        "supply",
        "connector_type",
        "looks",
        _utc(pl.col("t_s")).alias("plugged_at"),
        _utc(pl.col("t_s") + pl.col("left_s")).alias("unplugged_at"),
        "outcome",
        "cause",
        "cause_suspect",
        "trouble",
        "silent",
        pl.col("stage_hit").alias("stage"),
        "no_wish",
        "timer_h",
        "managed_h",
        "full",
        "soc",
        "telematics",
        "exported",
        pl.col("unseen").alias("unseen_by_evse"),
        pl.col("shares_pilot"),
        "carded",
        _recorded().alias("recorded"),
        _known().alias("known"),
        "p_vehicle",
        "p_evse",
        "p_pairing",
        "p_site",
        "p_chance",
        "vehicle_bites",
        "evse_bites",
        "wet",
        "high_b",
        "low_b",
        "high_c",
        "low_c",
        "energy_kwh",
    )


def _faults(faults: pl.DataFrame, units: pl.DataFrame, name: str) -> pl.DataFrame:
    days = [pl.col(f"{what}_d").fill_nan(None) * DAY_S for what in ("onset", "repaired", "relapse")]
    return (
        faults.join(
            units.select(pl.col("i").cast(pl.Int64).alias("unit"), name),
            on="unit",
            how="left",
            maintain_order="left",
        )
        .with_columns(
            _utc(when).alias(f"{what}_at")
            for what, when in zip(("onset", "repaired", "relapse"), days, strict=True)
        )
        .drop("unit", "onset_d", "repaired_d", "relapse_d")
        .select(name, pl.exclude(name))
    )


def write_truth(folder: Path, steps: pl.DataFrame, fleet: Fleet, faults: Faults) -> None:
    """Write the truth's tables as Parquet."""
    folder.mkdir(parents=True, exist_ok=True)
    attempts(steps).write_parquet(folder / "attempts.parquet")
    _faults(faults.vehicles, fleet.vehicles, "vehicle_id").write_parquet(
        folder / "vehicle_faults.parquet"
    )
    _faults(faults.evses, fleet.evses, "evse_id").write_parquet(folder / "evse_faults.parquet")
    faults.pairings.write_parquet(folder / "pairings.parquet")
    sites = fleet.evses.select("site", "site_id").unique(maintain_order=True)
    outages = faults.outages.join(sites, on="site", how="left", maintain_order="left")
    outages.select(
        "site_id",
        "suspect",
        "rate",
        _utc(pl.col("from_d") * DAY_S).alias("from_at"),
        _utc(pl.col("to_d") * DAY_S).alias("to_at"),
    ).write_parquet(folder / "outages.parquet")
    fleet.vehicles.select(
        "vehicle_id", "vehicle_model", "use", "timer", "telematics"
    ).write_parquet(folder / "vehicles.parquet")
    fleet.evses.select(
        "evse_id", "site_id", "evse_model", "looks", "limit_v", "record", "exported"
    ).write_parquet(folder / "evses.parquet")
