"""Local times at the clock change: told apart where the data allow, else flagged."""

from __future__ import annotations

import polars as pl

# Half the changes on Earth shift by an hour; Lord Howe by half of one; double summer time by two.
# Common practice.
_SHIFTS_MIN = (-120, -60, -30, 30, 60, 120)


def readings(local: str, zone: str) -> tuple[str, str, str]:
    """SQL of a local TIMESTAMP's earlier and later reading in UTC (equal outside a fold), and
    whether no clock showed it.

    Both arguments are SQL expressions.
    """
    at = f"timezone({zone}, {local})"
    others = [f"{at} + INTERVAL '{m} minutes'" for m in _SHIFTS_MIN]
    same = ", ".join(
        f"CASE WHEN timezone({zone}, {other}) = {local} THEN {other} END" for other in others
    )
    return f"least({at}, {same})", f"greatest({at}, {same})", f"timezone({zone}, {at}) <> {local}"


def settle(rows: pl.DataFrame, series: list[str]) -> pl.DataFrame:
    """`plugged_at_utc`, `unplugged_at_utc`, `time_doubt` from the readings of rows in file order.

    `series` are the columns that tell one EVSE's rows in one file.
    Three facts decide a fold. A vehicle is unplugged after it was plugged in. An EVSE's rows stand
    in the order of their plug-ins: where the local time falls back between two of them, the change
    lies between. And the next vehicle is plugged in after the one before it was unplugged. What
    none of them decides keeps the earlier reading and is doubtful.
    """
    rows = _by_order(rows, series, "plugged_early", "plugged_late")
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
    following = pl.col("plugged_late").shift(-1).over(series)
    over_by_then = (following >= pl.col("plugged_late")) & (pl.col("unplugged_late") > following)
    rows = rows.with_columns(
        unplugged_late=pl.when(over_by_then).then("unplugged_early").otherwise("unplugged_late")
    )
    fold = (pl.col("plugged_early") < pl.col("plugged_late")) | (
        pl.col("unplugged_early") < pl.col("unplugged_late")
    )
    gap = pl.col("plugged_gap") | pl.col("unplugged_gap").fill_null(value=False)
    return rows.with_columns(
        plugged_at_utc=pl.col("plugged_early"),
        unplugged_at_utc=pl.col("unplugged_early"),
        time_doubt=_doubt(fold.fill_null(value=False), gap),
    )


def settle_series(rows: pl.DataFrame, series: list[str]) -> pl.DataFrame:
    """`file_id, line, at_utc, time_doubt` of times written one by one (`early, late, gap`), each
    series of a file in its order.

    Written forward or newest first. What the order does not decide keeps the earlier reading and is
    doubtful.
    """
    group = ["file_id", *series]
    newest_first = pl.col("early").first() > pl.col("early").last() + pl.duration(hours=2)
    ordered = rows.sort("file_id", "line").with_columns(
        _back=newest_first.over(*group, pl.col("early").dt.date())
    )
    ordered = ordered.sort("file_id", pl.when("_back").then(-pl.col("line")).otherwise("line"))
    told = _by_order(ordered, group, "early", "late")
    doubt = _doubt(pl.col("early") < pl.col("late"), pl.col("gap"))
    return told.select("file_id", "line", at_utc="early", time_doubt=doubt)


def _doubt(fold: pl.Expr, gap: pl.Expr) -> pl.Expr:
    return pl.when(fold).then(pl.lit("fold")).when(gap).then(pl.lit("gap"))


def _by_order(rows: pl.DataFrame, series: list[str], early: str, late: str) -> pl.DataFrame:
    """Times in a fold before the local time falls back are early, those after it late.

    More than one fall decides nothing.
    """
    folded = pl.col(early) < pl.col(late)
    one_day = [*series, pl.col(early).dt.date()]
    falls = (
        (folded & (pl.col(early) < pl.col(early).shift(1).over(series)))
        .fill_null(value=False)
        .cast(pl.Int64)
    )
    rows = rows.with_columns(falls=falls)
    so_far, in_all = pl.col("falls").cum_sum().over(one_day), pl.col("falls").sum().over(one_day)
    decided = folded & (in_all == 1)
    return rows.with_columns(
        pl.when(decided & (so_far == 0)).then(early).otherwise(late).alias(late),
        pl.when(decided & (so_far == 1)).then(late).otherwise(early).alias(early),
    )
