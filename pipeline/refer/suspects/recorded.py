"""Whether the EVSEs a vehicle uses were recorded when no EVSE saw it.

Where no log tells of a stay, the log itself may be missing. But an EVSE that told of others shortly before and after was recorded:
so far as the vehicle's EVSEs were, a missing log explains nothing.
"""

from __future__ import annotations

from datetime import timedelta

import polars as pl

WAITS, LEAST_WAIT = 3.0, timedelta(hours=12)
"""An EVSE was recorded where the wait between two attempts there lasted so many times as long as its middle one at most, or half a
day; longer ones may be a log that is missing. Judgement."""
ELSEWHERE = 1.0
"""Visits that count as made at an EVSE the vehicle was never seen at; judgement."""


def logged() -> pl.Expr:
    """True where the EVSE's own log told of an attempt. An export of finished sessions says that it failed, not how far it
    came, and who failed before a session began is in none.
    """
    return pl.col("source").str.contains("ocpp|pilot")


def recorded_share(visits: pl.DataFrame, attempts: pl.DataFrame) -> pl.DataFrame:
    """Visits with `recorded`: share of the vehicle's visits that are to EVSEs which were recorded then.

    `visits`: `vehicle_id, evse_id, plugged_at_utc, silent`; `recorded` is null where its place is known, or nobody saw it anywhere.
    `attempts`: core_attempt.
    """
    seen = visits.filter(pl.col("evse_id").is_not_null(), ~pl.col("silent"))
    homes = (
        seen.group_by("vehicle_id", "evse_id")
        .agg(n=pl.len())
        .with_columns(share=pl.col("n") / (pl.col("n").sum().over("vehicle_id") + ELSEWHERE))
        .select("vehicle_id", "share", home="evse_id")
    )
    lost = visits.filter("silent", pl.col("evse_id").is_null()).select(
        "vehicle_id", "plugged_at_utc"
    )
    spans = _recorded_spans(attempts)
    told = (
        lost.unique()
        .join(homes, on="vehicle_id")
        .sort("plugged_at_utc")
        .join_asof(
            spans, left_on="plugged_at_utc", right_on="from_utc", by_left="home", by_right="evse_id", check_sortedness=False
        )
        .group_by("vehicle_id", "plugged_at_utc")
        .agg(recorded=pl.col("share").filter(pl.col("plugged_at_utc") < pl.col("until_utc")).sum())
        .with_columns(evse_id=pl.lit(None, dtype=pl.String))
    )  # fmt: skip
    return visits.join(
        told, on=["vehicle_id", "plugged_at_utc", "evse_id"], how="left", nulls_equal=True, maintain_order="left"
    )  # fmt: skip


def _recorded_spans(attempts: pl.DataFrame) -> pl.DataFrame:
    """`evse_id, from_utc, until_utc` between two logged attempts at an EVSE that lie near each other."""
    at = (
        attempts.filter(pl.col("evse_id").is_not_null(), logged())
        .select("evse_id", from_utc="plugged_at_utc")
        .unique()
        .sort("evse_id", "from_utc")
        .with_columns(until_utc=pl.col("from_utc").shift(-1).over("evse_id"))
    )
    wait = pl.col("until_utc") - pl.col("from_utc")
    longest = pl.max_horizontal(wait.median().over("evse_id") * WAITS, pl.lit(LEAST_WAIT))
    return at.filter(wait <= longest).sort("from_utc")
