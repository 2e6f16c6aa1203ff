"""Which result answers which call (OCPP-J): one rule, as polars and as SQL.

An answer belongs to the latest call of its id from the other side that was received no later than
`EARLY` after it and no longer than `WITHIN` before: ids are counted anew after a restart, so the
nearest call before it is meant. Of calls received at one instant the first read counts.
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
"""Whether call `c` may be the one that answer `a` answers; of several the latest is."""


def call_of(answers: pl.DataFrame, calls: pl.DataFrame) -> pl.DataFrame:
    """`answers` with the `call` (row number in `calls`) each answers; those that answer none are left out.

    Parameters
    ----------
    answers, calls
        Frames with `station_id, message_id, direction, receiver_at_utc`; calls in order of reading.

    """
    key = ["station_id", "message_id", "direction"]
    numbered = calls.with_row_index("call").select("call", *key, called="receiver_at_utc")
    ordered = numbered.sort("called", "call", descending=[False, True])
    other = pl.when(pl.col("direction") == "out").then(pl.lit("in")).otherwise(pl.lit("out"))
    rows = answers.with_columns(_by=pl.col("receiver_at_utc") + EARLY, direction=other).sort("_by")
    found = rows.join_asof(
        ordered,
        left_on="_by",
        right_on="called",
        by=key,
        strategy="backward",
        check_sortedness=False,
    )
    near = pl.col("called") > pl.col("receiver_at_utc") - WITHIN
    return found.filter(near.fill_null(value=False)).drop("_by", "called")
