"""Which result answers which call (OCPP-J): one rule, as polars and as SQL.

An answer belongs to the latest call of its id from the other side that was received no longer than
`WITHIN` before it, else to the first received within `EARLY` after: ids are counted again after a
restart, so the nearest call before it is meant. Of calls received at one instant the first in order counts.
"""

from __future__ import annotations

from datetime import timedelta

import polars as pl

EARLY = timedelta(seconds=1)
"""The receiver may note an answer this much before its call; practice."""
WITHIN = timedelta(days=1)
"""An answer comes no later than this after its call; decided."""

ANSWERS_SQL = (
    "a.station_id = c.station_id AND a.message_id = c.message_id AND a.direction <> c.direction"
    f" AND c.receiver_at_utc <= a.receiver_at_utc + INTERVAL {EARLY.total_seconds():.0f} SECOND"
    f" AND c.receiver_at_utc > a.receiver_at_utc - INTERVAL {WITHIN.total_seconds():.0f} SECOND"
)
"""Whether call `c` may be the one that answer `a` answers."""
NEAREST_SQL = (
    "'before': c.receiver_at_utc <= a.receiver_at_utc,"
    " 'near_s': -abs(epoch(a.receiver_at_utc) - epoch(c.receiver_at_utc))"
)
"""Of several the one for which the struct of these (and of what tells calls of one instant apart) is largest."""


def call_of(answers: pl.DataFrame, calls: pl.DataFrame) -> pl.DataFrame:
    """`answers` with the `call` (row number in `calls`) each answers; those that answer none are left out.

    Parameters
    ----------
    answers, calls
        Frames with `station_id, message_id, direction, receiver_at_utc`; calls in order.

    """
    other = pl.when(pl.col("direction") == "out").then(pl.lit("in")).otherwise(pl.lit("out"))
    return nearest(
        answers.with_columns(direction=other), calls, ["station_id", "message_id", "direction"]
    )


def nearest(answers: pl.DataFrame, calls: pl.DataFrame, key: list[str]) -> pl.DataFrame:
    """As `call_of`, where an answer bears the `key` columns of the calls that it may answer."""
    numbered = calls.with_row_index("call").select("call", *key, called="receiver_at_utc")
    rows = answers.with_row_index("_answer").sort("receiver_at_utc")
    latest = rows.join_asof(
        numbered.sort("called", "call", descending=[False, True]),
        left_on="receiver_at_utc",
        right_on="called",
        by=key,
        strategy="backward",
        check_sortedness=False,
    ).filter(pl.col("called") > pl.col("receiver_at_utc") - WITHIN)
    early = (
        rows.join(latest.select("_answer"), on="_answer", how="anti", maintain_order="left")
        .join_asof(
            numbered.sort("called", "call"),
            left_on="receiver_at_utc",
            right_on="called",
            by=key,
            strategy="forward",
            check_sortedness=False,
        )
        .filter(pl.col("called") <= pl.col("receiver_at_utc") + EARLY)
    )
    return pl.concat([latest, early]).sort("_answer").drop("_answer", "called")
