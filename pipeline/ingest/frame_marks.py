"""Which typed frames are repeats, and which call each answer answers: over numbers only.

`marked_id` is one number for station, file, direction and message id (a hash, as `frame_key` is), so
that frames of one id are found without their texts; the two directions of an id differ in its last
bit. Frames are told by their place among the rows of `rows_of`.
"""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl
import pyarrow as pa

from pipeline.ocpp.pairing import EARLY, WITHIN, nearest

Flags = np.ndarray[tuple[int], np.dtype[np.bool_]]

# A repeat by the letter may still be another frame: a station that counts its ids again after a boot
# says `[3,"20",{}]` again weeks later. It counts as a duplicate, but its row is kept where it
# carries no time of its own, its partner (the call it answers, or the answer to it) is no repeat,
# and no new frame of its id and direction stands within this of it in its file.
REUSE_S = 600
_NEAR = timedelta(seconds=REUSE_S) - timedelta(microseconds=1)

_NUMBERS = ("line", "marked_id", "frame_key", "message_type")
_TIMES = ("receiver_at_utc", "station_at_utc", "central_at_utc")
_CALL = {
    "line": pl.Int64(),
    "marked_id": pl.Int64(),
    "receiver_at_utc": pl.Datetime("us", "UTC"),
    "action": pl.String(),
}
NO_CALLS = pl.DataFrame(schema=_CALL)
_IS_CALL = pl.col("message_type") == 2  # OCPP-J: CALL; CALLRESULT and CALLERROR are above


def rows_of(staged: pa.Table) -> pl.DataFrame:
    """What the functions here need of typed frames, in their order, with their `place`."""
    columns = [*_NUMBERS, *_TIMES, "action", "station_id"]
    return pl.DataFrame(staged.select(columns)).with_row_index("place")


def repeated(rows: pl.DataFrame, known: pl.Series) -> Flags:
    """Whether each frame repeats one by the letter: one of the `known` keys, or of these an earlier line."""
    key, again = rows["frame_key"], np.zeros(rows.height, bool)
    order = rows["line"].arg_sort()
    again[order.to_numpy()] = ~key.gather(order).is_first_distinct().to_numpy()
    return again if known.is_empty() else again | key.is_in(known.implode()).to_numpy()


def pairs(rows: pl.DataFrame, open_calls: pl.DataFrame) -> pl.DataFrame:
    """Answers (`place`) with their call (`call`, its place; null: one of the open ones) and its `action`.

    By the rule of `ocpp.pairing`, among calls of the same file only, so that it does not matter which files are read
    together; `open_calls` are those (NO_CALLS) that came before these rows.
    """
    before = open_calls.with_columns(place=pl.lit(None, pl.UInt32))
    new = rows.filter(_IS_CALL).select(*_CALL, "place")
    calls = pl.concat([before, new]).sort("line")
    answers = rows.filter(~_IS_CALL).select("place", pl.col("marked_id") ^ 1, "receiver_at_utc")
    twice = calls["marked_id"].is_duplicated()
    once = answers.join(calls.filter(~twice), on="marked_id", suffix="_call")
    late = pl.col("receiver_at_utc") - pl.col("receiver_at_utc_call")
    once = once.filter(late.is_between(-EARLY, WITHIN, closed="left"))
    found = once.select("place", "action", call="place_call")
    if not twice.any():
        return found
    several = calls.filter(twice)
    rest = answers.join(several.select("marked_id"), on="marked_id", how="semi")
    best = nearest(rest, several, ["marked_id"])
    told = several.select("action", call="place")[best["call"]]
    return pl.concat([found, pl.concat([best.select("place"), told], how="horizontal")])


def actions(rows: pl.DataFrame, paired: pl.DataFrame) -> pl.Series:
    """The action of each frame, of an answer that of its call."""
    told = np.full(rows.height, -1)
    told[paired["place"].to_numpy()] = np.arange(paired.height)
    of_call = paired["action"].gather(pl.Series(told).replace(-1, None))
    return rows.select(pl.coalesce("action", of_call)).to_series()


def unanswered(rows: pl.DataFrame, paired: pl.DataFrame) -> pl.DataFrame:
    """Calls that are not answered yet (NO_CALLS), carried to the lines put next.

    Given later, an action would be an update, which costs much more.
    """
    waiting = np.ones(rows.height, bool)
    waiting[paired["call"].drop_nulls().to_numpy()] = False
    return rows.filter(_IS_CALL & pl.Series(waiting)).select(*_CALL)


def left_out(rows: pl.DataFrame, again: Flags, paired: pl.DataFrame) -> Flags:
    """Whether the row of each frame is left out: of those that repeat one (`again`), all but what `REUSE_S` says."""
    timeless = rows["station_at_utc"].is_null() & rows["central_at_utc"].is_null()
    may = again & timeless.to_numpy()
    here = paired.filter(pl.col("call").is_not_null())
    answer, call = here["place"].to_numpy(), here["call"].to_numpy()
    kept = np.concatenate([answer[may[answer] & ~again[call]], call[may[call] & ~again[answer]]])
    if not len(kept):
        return again
    numbers = rows.select("place", "marked_id", at="receiver_at_utc")
    asked = numbers[np.unique(kept)].sort("at")
    news = numbers.filter(pl.Series(~again)).rename({"place": "other"})
    news = news.join(asked.select("marked_id"), on="marked_id", how="semi").sort("at")
    near = asked.join_asof(
        news, on="at", by="marked_id", strategy="nearest", tolerance=_NEAR, check_sortedness=False
    )
    out = again.copy()
    out[near.filter(pl.col("other").is_null())["place"].to_numpy()] = False
    return out


def touched(rows: pl.DataFrame, again: Flags) -> pl.DataFrame:
    """Stations with new frames, and the span of these (`report.TOUCHED_SCHEMA`)."""
    at = pl.col("receiver_at_utc")
    new = rows.select("station_id", "receiver_at_utc").filter(pl.Series(~again))
    return new.group_by("station_id").agg(from_utc=at.min(), to_utc=at.max())
