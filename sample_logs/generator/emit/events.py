"""Frames before they are on the wire: an action with its payload, at a true time.

A payload holds `@TS` where the station writes its clock; a reply holds `@NOW` where the central
system writes its own. One row an event: station_id, attempt_id, t_ms, rank, version, action,
payload, reply (null: nobody answered), replay (whether a station without connection keeps it).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

import polars as pl

COLUMNS = (
    "station_id",
    "attempt_id",
    "t_ms",
    "rank",
    "version",
    "action",
    "payload",
    "reply",
    "replay",
    "last",
)
EMPTY_REPLY = "{}"
Keep = Literal["live", "queued", "final"]
"""Whether a station without connection queues it; `final`: it follows even where a reboot cut the attempt."""

# canonical fault -> 1.6 errorCode, vendorId, vendorErrorCode, info; the CX numbers are published
# codes
TOLD_16: dict[str, tuple[str, str, str, str]] = {
    "DiodeFault": ("OtherError", "ambelin.example", "DiodeFault", "pilot diode"),
    "PilotFault": ("OtherError", "https://chargex.inl.gov", "CX014", "pilot voltage"),
    "EVCommunicationError": ("EVCommunicationError", "", "", "vehicle does not answer"),
}
# canonical fault -> 2.0.1 techCode, component, variable
TOLD_201: dict[str, tuple[str, str, str]] = {
    "DiodeFault": ("DiodeFault", "ControlPilot", "Problem"),
    "PilotFault": ("CX014", "ControlPilot", "Problem"),
    "GroundFailure": ("CX002", "RCD", "Problem"),
    "ConnectorLockFailure": ("CX001", "ConnectorPlugRetentionLock", "Problem"),
    "HighTemperature": ("HighTemperature", "CableTemperatureSensor", "Problem"),
    "OverCurrentFailure": ("CX004", "ElectricalFeed", "Problem"),
    "PowerSwitchFailure": ("PowerSwitchFailure", "PowerContactor", "Problem"),
    "OverVoltage": ("CX005", "ElectricalFeed", "Problem"),
    "UnderVoltage": ("CX006", "ElectricalFeed", "Problem"),
    "ReaderFailure": ("ReaderFailure", "TokenReader", "Problem"),
    "EVCommunicationError": ("EVCommunicationError", "ISO15118Ctrlr", "Problem"),
}


def told(faults: pl.Expr, table: Mapping[str, tuple[str, ...]], place: int) -> pl.Expr:
    """One part of how a fault is told; a fault not listed is told by its own name."""
    known = {name: words[place] for name, words in table.items()}
    return faults.replace_strict(
        known, default=faults if place == 0 else pl.lit(""), return_dtype=pl.String
    )


def event(
    frame: pl.DataFrame,
    seconds: pl.Expr | float,
    action: str,
    payload: pl.Expr,
    reply: pl.Expr | str | None = EMPTY_REPLY,
    *,
    rank: int = 0,
    keep: Keep = "live",
) -> pl.DataFrame:
    """Events of one kind: one row for each row of `frame`, at `seconds` after plug-in."""
    after = pl.lit(seconds) if isinstance(seconds, (int, float)) else seconds
    answer = reply if isinstance(reply, pl.Expr) else pl.lit(reply, dtype=pl.String)
    return frame.select(
        "station_id",
        "attempt_id",
        t_ms=pl.col("t0_ms") + (after * 1000).round().cast(pl.Int64),
        rank=pl.lit(rank, dtype=pl.Int32),
        version="version",
        action=pl.lit(action),
        payload=payload,
        reply=answer,
        replay=pl.lit(keep == "queued"),
        last=pl.lit(keep == "final"),
    )


def spread(frame: pl.DataFrame, every_s: float) -> pl.DataFrame:
    """One row for each meter reading while delivering: `reading_s`, `reading_wh`, `power_w`."""
    going = frame.filter(pl.col("stop_s").is_not_null() & pl.col("closed_s").is_not_null())
    length = pl.col("stop_s") - pl.col("closed_s")
    counted = going.with_columns(k=pl.int_ranges(1, (length / every_s).floor().cast(pl.Int64) + 1))
    rows = counted.explode("k", empty_as_null=False, keep_nulls=False).filter(
        pl.col("k").is_not_null()
    )
    share = pl.col("k") * every_s / length
    return rows.with_columns(
        reading_s=pl.col("closed_s") + pl.col("k") * every_s,
        reading_wh=pl.col("meter_start") + (share * pl.col("energy_wh")).round().cast(pl.Int64),
        power_w=(pl.col("energy_wh") * 3600 / length).round().cast(pl.Int64),
    )


def filled(template: str, *parts: pl.Expr | str) -> pl.Expr:
    """Text with each `{}` replaced in turn: column names or expressions.

    Other braces stay (JSON).
    """
    pieces = template.split("{}")
    if len(pieces) != len(parts) + 1:
        raise ValueError(f"{len(pieces) - 1} places, {len(parts)} parts: {template}")
    exprs = [pl.lit(pieces[0])]
    for part, piece in zip(parts, pieces[1:], strict=True):
        value = pl.col(part) if isinstance(part, str) else part
        exprs += [value.cast(pl.String), pl.lit(piece)]
    return pl.concat_str(exprs)
