"""A vehicle's own failures and silences: which attempts speak of its present state, what it would bear of them, how many it
comes to, and how soon it is expected to show again.
"""

from __future__ import annotations

import polars as pl

from pipeline.core.weeks import LookBack
from pipeline.refer.suspects.drift import WEEK

LEAST_P = 1e-6
HALF = 0.5


def of_state(attempts: pl.DataFrame, known: pl.DataFrame, since_utc: pl.DataFrame) -> pl.DataFrame:
    """Attempts that speak of each vehicle's present state, with `p_state`: attribution's probability of it."""
    state = known.select("vehicle_id", p_state="p_vehicle")
    return (
        attempts.filter(
            pl.col("outcome").is_in(["charged", "failed"]) | pl.col("silent"), pl.col("weight") > 0
        )
        .join(since_utc, on="vehicle_id", how="left", maintain_order="left")
        .filter(pl.col("since_utc").is_null() | (pl.col("plugged_at_utc") >= pl.col("since_utc")))
        .join(state, on="vehicle_id", how="left", maintain_order="left")
    )


def as_if_at_fault(evidence: pl.DataFrame) -> pl.DataFrame:
    """The same with the share of each attempt the vehicle would bear were it at fault: how its failures look, not whether."""
    return evidence.with_columns(borne_at_fault("p_vehicle"))


def borne_at_fault(share: str) -> pl.Expr:
    """A unit's `share` of an attempt were it at fault for sure; `p_state`: the probability of it by which it bears the share."""
    return (pl.col(share) / pl.col("p_state").clip(lower_bound=LEAST_P)).clip(0.0, 1.0)


def by_posterior(as_if: pl.DataFrame, table: pl.DataFrame) -> pl.DataFrame:
    """The same with the share it bears by all that is known of it: a fault too weak yet to fail an attempt bears none
    (`p_failing`).
    """
    now = table.select("vehicle_id", p_now="p_failing")
    rows = as_if.join(now, on="vehicle_id", how="left", maintain_order="left")
    return rows.with_columns(p_vehicle=pl.col("p_vehicle") * pl.col("p_now"))


def silences(attempts: pl.DataFrame) -> pl.DataFrame:
    """`vehicle_id, silent`: AC plug-ins of the look-back at which it never asked and nothing seen explains it."""
    mine = attempts.filter(
        pl.col("silent"), pl.col("supply") == "AC", pl.col("vehicle_id").is_not_null()
    )
    return mine.group_by("vehicle_id").agg(silent=pl.len().cast(pl.Int64))


def own_events(evidence: pl.DataFrame) -> pl.DataFrame:
    """`vehicle_id, blamed` (vehicle-caused AC failures expected), `own_events` (silences besides),
    `blamed_evses` (EVSEs with half a failure or silence or more of them).
    """
    return (
        _wrong(evidence)
        .group_by("vehicle_id", "evse_id", maintain_order=True)
        .agg(
            pl.col("_own").filter(pl.col("outcome") == "failed").sum().alias("blamed"),
            pl.col("_own").sum(),
        )
        .sort("vehicle_id", "evse_id")
        .group_by("vehicle_id", maintain_order=True)
        .agg(
            pl.col("blamed").sum(),
            pl.col("_own").sum().alias("own_events"),
            (pl.col("_own") >= HALF).sum().cast(pl.Int64).alias("blamed_evses"),
        )
    )


def _wrong(evidence: pl.DataFrame) -> pl.DataFrame:
    """AC attempts of known vehicles that failed or were silent, with `_own`: the vehicle's share in each, by its weight."""
    return evidence.filter(
        pl.col("supply") == "AC",
        (pl.col("outcome") == "failed") | pl.col("silent"),
        pl.col("vehicle_id").is_not_null(),
    ).with_columns(_own=(pl.col("p_vehicle") * pl.col("weight")).fill_null(0.0))


def until_last_shown(levels: pl.DataFrame, as_if: pl.DataFrame) -> pl.DataFrame:
    """Readings of each vehicle (`vehicle_id, at`) until it last failed or kept silent by itself, were it at fault (half of the blame
    or more); none where it never did.
    """
    last = (
        _wrong(as_if)
        .filter(pl.col("p_vehicle") >= HALF)
        .group_by("vehicle_id")
        .agg(pl.col("plugged_at_utc").max().alias("last_utc"))
    )
    return (
        levels.join(last, on="vehicle_id", how="inner", maintain_order="left")
        .filter(pl.col("at") <= pl.col("last_utc"))
        .drop("last_utc")
    )


def weeks_to_show(as_if: pl.DataFrame, begun: pl.DataFrame, look_back: LookBack) -> pl.DataFrame:
    """`vehicle_id, weeks_to_show`: weeks until a vehicle, if it is at fault, is expected to fail or keep silent by itself once
    more, a week at a time (1 or more).

    By the mean of such events a week since the onset, or since the look-back began: events come by
    chance (Poisson), so a week holds one with probability 1 - exp(-mean). `as_if`: `p_vehicle` is the share it would bear.
    """
    events = _wrong(as_if).group_by("vehicle_id").agg(pl.col("_own").sum())
    from_utc = pl.max_horizontal(
        pl.col("since_utc").fill_null(look_back.from_utc), look_back.from_utc
    )
    weeks = ((look_back.to_utc - from_utc) / WEEK).clip(lower_bound=1.0)
    shows = 1.0 - (-pl.col("_own") / weeks).exp()
    return events.join(begun, on="vehicle_id").select("vehicle_id", weeks_to_show=1.0 / shows)
