"""Local times of an export at the clock change: told apart where the data allow, else flagged."""

from __future__ import annotations

import polars as pl

from pipeline.ingest.sql import quoted

# Half the changes on Earth shift by an hour; Lord Howe by half of one; double summer time by two. Common practice.
_SHIFTS_MIN = (-120, -60, -30, 30, 60, 120)


def readings(local: str, zone: str) -> tuple[str, str, str]:
    """SQL of a local TIMESTAMP's earlier and later reading in UTC (equal outside a fold), and whether no clock showed it."""
    z = quoted(zone)
    at = f"timezone({z}, {local})"
    others = [f"{at} + INTERVAL '{m} minutes'" for m in _SHIFTS_MIN]
    same = ", ".join(f"CASE WHEN timezone({z}, {other}) = {local} THEN {other} END" for other in others)
    return f"least({at}, {same})", f"greatest({at}, {same})", f"timezone({z}, {at}) <> {local}"


def settle(rows: pl.DataFrame) -> pl.DataFrame:
    """`plugged_at_utc`, `unplugged_at_utc`, `time_doubt` from the readings of rows in file order.

    Three facts decide a fold. A vehicle is unplugged after it was plugged in. An EVSE's rows stand in the order of their
    plug-ins: where the local time falls back between two of them, the change lies between. And the next vehicle is plugged in
    after the one before it was unplugged. What none of them decides keeps the earlier reading and is doubtful.
    """
    rows = _by_order(rows)
    folded_in = pl.col("plugged_early") < pl.col("plugged_late")
    folded_out = pl.col("unplugged_early") < pl.col("unplugged_late")
    rows = rows.with_columns(
        unplugged_early=pl.when(folded_out & (pl.col("unplugged_early") < pl.col("plugged_early")))
        .then("unplugged_late")
        .otherwise("unplugged_early"),
        plugged_late=pl.when(folded_in & (pl.col("plugged_late") > pl.col("unplugged_late")))
        .then("plugged_early")
        .otherwise("plugged_late"),
    )
    following = pl.col("plugged_late").shift(-1).over("evse_id")
    over_by_then = (following >= pl.col("plugged_late")) & (pl.col("unplugged_late") > following)
    rows = rows.with_columns(unplugged_late=pl.when(over_by_then).then("unplugged_early").otherwise("unplugged_late"))
    fold = (pl.col("plugged_early") < pl.col("plugged_late")) | (pl.col("unplugged_early") < pl.col("unplugged_late"))
    gap = pl.col("plugged_gap") | pl.col("unplugged_gap").fill_null(value=False)
    return rows.with_columns(
        plugged_at_utc=pl.col("plugged_early"),
        unplugged_at_utc=pl.col("unplugged_early"),
        time_doubt=pl.when(fold.fill_null(value=False)).then(pl.lit("fold")).when(gap).then(pl.lit("gap")),
    )


def _by_order(rows: pl.DataFrame) -> pl.DataFrame:
    """Plug-ins in a fold before the local time falls back are early, those after it late; more than one fall decides nothing."""
    folded = pl.col("plugged_early") < pl.col("plugged_late")
    one_evse = ["evse_id", pl.col("plugged_early").dt.date()]
    previous = pl.col("plugged_early").shift(1).over("evse_id")
    falls = (folded & (pl.col("plugged_early") < previous)).fill_null(value=False).cast(pl.Int64)
    rows = rows.with_columns(falls=falls)
    so_far, in_all = pl.col("falls").cum_sum().over(one_evse), pl.col("falls").sum().over(one_evse)
    decided = folded & (in_all == 1)
    return rows.with_columns(
        plugged_late=pl.when(decided & (so_far == 0)).then("plugged_early").otherwise("plugged_late"),
        plugged_early=pl.when(decided & (so_far == 1)).then("plugged_late").otherwise("plugged_early"),
    )
