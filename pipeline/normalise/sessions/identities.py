"""Who and what: vehicles, tokens at a time, EVSEs, firmware in force.

Delivered again, the last delivery counts.
"""

from __future__ import annotations

import polars as pl

from pipeline.core.masks import is_true


def latest(raw: pl.DataFrame, key: list[str]) -> pl.DataFrame:
    """The last delivered row of each key.

    `raw` carries `ingested_at_utc` beside its own columns.
    """
    return (
        raw.sort("ingested_at_utc", "file_id", "line")
        .unique(key, keep="last", maintain_order=True)
        .drop("ingested_at_utc", "file_id", "line")
        .sort(key)
    )


def same_token(column: str) -> pl.Expr:
    """Tokens compare without case (OCPP 1.6 CiString, 2.0.1 identifierString) and without outer
    blanks.
    """
    return pl.col(column).str.strip_chars().str.to_lowercase()


def conflicts(tokens: pl.DataFrame) -> pl.DataFrame:
    """core_token_conflict: spans in which a token is assigned to two vehicles."""
    rows = tokens.with_row_index("_n").with_columns(_token=same_token("id_token"))
    pairs = rows.join(rows, on="_token", suffix="_b").filter(
        (pl.col("_n") < pl.col("_n_b")) & (pl.col("vehicle_id") != pl.col("vehicle_id_b"))
    )
    begin = pl.max_horizontal("valid_from_utc", "valid_from_utc_b")
    end = pl.min_horizontal("valid_to_utc", "valid_to_utc_b")
    return (
        pairs.with_columns(begin=begin, end=end)
        .filter(
            pl.col("begin").is_null() | pl.col("end").is_null() | (pl.col("begin") < pl.col("end"))
        )
        .select(
            "id_token",
            valid_from_utc="begin",
            valid_to_utc="end",
            detail=pl.format("assigned to {} and to {} at once", "vehicle_id", "vehicle_id_b"),
        )
        .sort("id_token", "valid_from_utc", "detail")
    )


def by_token(attempts: pl.DataFrame, tokens: pl.DataFrame) -> pl.DataFrame:
    """Adds `vehicle_id` and `vehicle_known_by` from the token's assignment at plug-in.

    Two at once are a conflict.
    """
    rows = attempts.select("attempt_id", "plugged_at_utc", _token=same_token("id_token"))
    valid = tokens.select(
        "vehicle_id", "valid_from_utc", "valid_to_utc", _token=same_token("id_token")
    )
    at = pl.col("plugged_at_utc")
    from_ok = pl.col("valid_from_utc").is_null() | (pl.col("valid_from_utc") <= at)
    to_ok = pl.col("valid_to_utc").is_null() | (at < pl.col("valid_to_utc"))
    holders = (
        rows.join(valid, on="_token")
        .filter(from_ok & to_ok)
        .group_by("attempt_id")
        .agg(_vehicles=pl.col("vehicle_id").n_unique(), _vehicle=pl.col("vehicle_id").first())
    )
    one, told = pl.col("_vehicles") == 1, pl.col("vehicle_id").is_not_null()
    known_by = (
        pl.when(pl.col("_vehicles") > 1)
        .then(pl.lit("conflict"))
        .when(told)
        .then(pl.lit("export"))
        .when(one)
        .then(pl.lit("token"))
        .otherwise(pl.lit("none"))
    )
    return (
        attempts.join(holders, on="attempt_id", how="left", maintain_order="left")
        .with_columns(
            vehicle_id=pl.when(pl.col("_vehicles") > 1)
            .then(None)
            .when(told)
            .then("vehicle_id")
            .when(one)
            .then("_vehicle"),
            vehicle_known_by=known_by,
        )
        .drop("_vehicles", "_vehicle")
    )


def firmwares(boots: pl.DataFrame) -> pl.DataFrame:
    """core_firmware.

    One row a change of firmware that BootNotifications (`station_id, at_utc, firmware`) told of.
    """
    told = boots.filter(pl.col("firmware").is_not_null()).sort("station_id", "at_utc", "firmware")
    changes = told.unique(["station_id", "at_utc"], keep="last", maintain_order=True).filter(
        (pl.col("firmware") != pl.col("firmware").shift(1).over("station_id")).fill_null(value=True)
    )
    return changes.select(
        "station_id",
        valid_from_utc="at_utc",
        valid_to_utc=pl.col("at_utc").shift(-1).over("station_id"),
        firmware="firmware",
    )


def software(changes: pl.DataFrame) -> pl.DataFrame:
    """core_software: one row a version of a vehicle's software, in force until its next change of it.

    A change whose version is not given leaves the version unknown from then on: no row.
    """
    told = changes.filter(pl.col("change") == "software").sort(
        "vehicle_id", "at_utc", "software_version"
    )
    each = told.unique(["vehicle_id", "at_utc"], keep="last", maintain_order=True)
    return each.select(
        "vehicle_id",
        valid_from_utc="at_utc",
        valid_to_utc=pl.col("at_utc").shift(-1).over("vehicle_id"),
        software_version="software_version",
    ).drop_nulls("software_version")


def with_software(attempts: pl.DataFrame, versions: pl.DataFrame) -> pl.DataFrame:
    """Adds `vehicle_software`, the version in force at plug-in; null where none is known."""
    known = versions.sort("valid_from_utc")
    found = attempts.sort("plugged_at_utc").join_asof(
        known,
        left_on="plugged_at_utc",
        right_on="valid_from_utc",
        by="vehicle_id",
        check_sortedness=False,
    )
    past = pl.col("valid_to_utc") <= pl.col("plugged_at_utc")
    return found.with_columns(
        vehicle_software=pl.when(~is_true(past)).then("software_version")
    ).drop("software_version", "valid_from_utc", "valid_to_utc")


def described(
    attempts: pl.DataFrame, evses: pl.DataFrame, firmware: pl.DataFrame, vehicles: pl.DataFrame
) -> pl.DataFrame:
    """Adds site, model, firmware in force, supply, coupler, diode check and vehicle model."""
    known = evses.select(
        "evse_id",
        "station_id",
        "connector_id",
        "site_id",
        "evse_model",
        "supply",
        "diode_check",
        coupler="connector_type",
        listed="firmware",
    )
    boots = firmware.select("station_id", "valid_from_utc", booted="firmware").sort(
        "valid_from_utc"
    )
    return (
        attempts.join(known, on="evse_id", how="left", maintain_order="left")
        .sort("plugged_at_utc")
        .join_asof(
            boots,
            left_on="plugged_at_utc",
            right_on="valid_from_utc",
            by="station_id",
            check_sortedness=False,
        )
        .with_columns(firmware=pl.coalesce("booted", "listed"))
        .drop("booted", "listed", "valid_from_utc")
        .join(
            vehicles.select("vehicle_id", "vehicle_model"),
            on="vehicle_id",
            how="left",
            maintain_order="left",
        )
    )
