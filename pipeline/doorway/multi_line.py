"""Frames that go on over further lines: which lines belong to which frame, told by where its JSON closes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
import pyarrow as pa

from pipeline.core.line_numbers import FILE_STEP

Ints = np.ndarray[tuple[int], np.dtype[np.int64]]
Bytes = np.ndarray[tuple[int], np.dtype[np.uint8]]
Mask = np.ndarray[tuple[int], np.dtype[np.bool_]]

# What a line of JSON begins with when it stands alone: such lines after a frame that never closes were part of it.
_JSON_LINE = r'^\s*(["{}\[\],]|-?\d+(\.\d+)?\s*,?\s*$|(true|false|null)\s*,?\s*$)'
NEVER_CLOSES = "the frame is cut off: its JSON never closes"


@dataclass(frozen=True)
class Joined:
    """Frames with all their lines; lines of frames that never closed; how many lines belonged to none.

    `whole`: head rows, their `body` complete, `lines` the numbers of all lines it stood on. `cut`: rows of the lines of a cut
    frame. `chatter`: rows of lines in no frame. `open`: rows from the last head on, where what follows may close it.
    """

    whole: pl.DataFrame
    cut: pl.DataFrame
    chatter: pl.DataFrame
    open: pl.DataFrame


def joined(rows: pl.DataFrame, cap: int, *, last: bool) -> Joined:
    """Frames of rows in file order (`line, is_head, closed, piece, thread`).

    `closed` says that a head's own piece is whole, `piece` is what the line adds to a frame (null: nothing), `thread` keeps
    frames apart that are written in turns. A frame spans `cap` lines at most; of the last block (`last`) nothing is kept open.
    """
    numbered = rows.with_columns(frame=pl.col("is_head").cast(pl.Int64).cum_sum().over("thread"))
    group = ["thread", "frame"]
    numbered = numbered.with_columns(
        in_frame=(pl.col("frame") > 0) & pl.col("piece").is_not_null(),
        own=pl.col("closed").first().over(group) & (pl.col("frame") > 0),
    )
    nth = pl.col("in_frame").cast(pl.Int64).cum_sum().over(group)
    numbered = numbered.with_columns(nth=nth)
    asked = numbered.filter(pl.col("in_frame") & ~pl.col("own") & (pl.col("nth") <= cap))
    asked = asked.sort("thread", "frame", "line")
    told = _closings(asked) if asked.height else None
    if told is None:
        heads = numbered.filter("is_head")
        whole = heads.with_columns(body=pl.col("piece"), lines=pl.lit(None, pl.List(pl.Int64)))
        return Joined(
            whole, numbered.head(0), numbered.filter(~pl.col("is_head")), numbered.head(0)
        )
    numbered = numbered.join(told, on=group, how="left", maintain_order="left")
    return _parted(numbered, cap, last=last)


def _parted(rows: pl.DataFrame, cap: int, *, last: bool) -> Joined:
    group = ["thread", "frame"]
    asked = pl.col("in_frame") & ~pl.col("own") & (pl.col("nth") <= cap)
    part_of = asked & (pl.col("nth") <= pl.col("pieces")).fill_null(value=False)
    never = asked & pl.col("joined").is_null()
    reached = pl.col("frame").max().over("thread")
    pieces = pl.col("in_frame").sum().over(group)
    newest = pl.col("line") // FILE_STEP == pl.col("line").max() // FILE_STEP
    left_open = never & (pl.col("frame") == reached) & (pieces < cap) & newest & pl.lit(not last)
    rows = rows.with_columns(part_of=part_of, never=never, left_open=left_open)
    still = rows.filter("left_open")
    since = still["line"].min()
    held = rows.filter(pl.col("line") >= since) if since is not None else rows.head(0)
    rows = rows.filter(pl.col("line") < since) if since is not None else rows
    numbers = pl.col("line").filter("part_of").over(group, mapping_strategy="join")
    heads = rows.with_columns(lines=numbers).filter(pl.col("is_head") & ~pl.col("never"))
    body = pl.when("own").then("piece").otherwise("joined")
    whole = heads.with_columns(body=body, lines=pl.when(~pl.col("own")).then("lines"))
    like = pl.col("piece").str.contains(_JSON_LINE) | pl.col("is_head") | ~pl.col("in_frame")
    rows = rows.with_columns(
        like_json=like.fill_null(value=True).cast(pl.Int8).cum_min().over(group)
    )
    cut = pl.col("never") & (pl.col("like_json") == 1)
    rest = ~pl.col("is_head") & ~pl.col("part_of") & ~cut
    return Joined(whole, rows.filter(cut), rows.filter(rest), held)


def _closings(asked: pl.DataFrame) -> pl.DataFrame:
    """`thread, frame, joined, pieces`: the text of each frame up to where it closes, and how many pieces that takes.

    Null where it never closes.
    """
    text = pa.array(
        asked["piece"].to_list() if asked["piece"].dtype != pl.String else asked["piece"].to_arrow()
    )
    array = pa.chunked_array([text]).combine_chunks().cast(pa.large_binary())
    _, offsets_buffer, data_buffer = array.buffers()
    offsets = np.frombuffer(offsets_buffer, np.int64)[array.offset : array.offset + len(array) + 1]
    data = (
        np.frombuffer(data_buffer, np.uint8)[: offsets[-1]]
        if data_buffer
        else np.zeros(0, np.uint8)
    )
    frames = asked.group_by("thread", "frame", maintain_order=True).agg(pl.len())
    first_piece = np.concatenate([[0], np.cumsum(frames["len"].to_numpy())]).astype(np.int64)
    starts, ends = offsets[first_piece[:-1]], offsets[first_piece[1:]]
    closes = _first_closing(data, starts, ends)
    good = closes >= 0
    stops = np.where(good, closes + 1, starts)
    pieces = (
        np.searchsorted(offsets, np.where(good, closes, starts), side="right") - first_piece[:-1]
    )
    bounds = np.empty(2 * len(starts), np.int64)
    bounds[0::2], bounds[1::2] = starts, stops
    slices = pa.LargeStringArray.from_buffers(
        len(bounds) - 1, pa.py_buffer(bounds), pa.py_buffer(data.tobytes())
    )
    texts = pl.Series("joined", slices.take(pa.array(np.arange(0, len(bounds), 2))))
    return frames.select("thread", "frame").with_columns(
        joined=pl.when(pl.Series(good)).then(texts),
        pieces=pl.when(pl.Series(good)).then(pl.Series(pieces)),
    )


def _first_closing(data: Bytes, starts: Ints, ends: Ints) -> Ints:
    """Where the brackets opened from each start on are all closed, not counting those in texts; -1 where they never are."""
    quote = (data == ord('"')) & ~_escaped(data)
    before = np.concatenate([[0], np.cumsum(quote, dtype=np.int64)])
    of_frame = np.zeros(len(data), np.int64)
    sizes = ends - starts
    of_frame[:] = np.repeat(before[starts], sizes)
    in_text = (before[:-1] - of_frame) % 2 == 1
    opens = ((data == ord("[")) | (data == ord("{"))) & ~in_text
    shuts = ((data == ord("]")) | (data == ord("}"))) & ~in_text
    depth = np.concatenate(
        [[0], np.cumsum(opens.astype(np.int8) - shuts.astype(np.int8), dtype=np.int64)]
    )
    level = depth[1:] - np.repeat(depth[starts], sizes)
    at = np.flatnonzero(shuts & (level <= 0))
    found = np.searchsorted(at, starts)
    has = found < len(at)
    first = np.where(has, at[np.minimum(found, max(len(at) - 1, 0))] if len(at) else -1, -1)
    return np.where(has & (first < ends), first, -1)


def _escaped(data: Bytes) -> Mask:
    """Signs with an odd number of backslashes before them."""
    slash = data == ord("\\")
    if not slash.any():
        return np.zeros(len(data), np.bool_)
    index = np.arange(len(data))
    last_other = np.maximum.accumulate(np.where(slash, -1, index))
    run = index - last_other  # backslashes up to and with this sign
    odd = np.concatenate([[0], run[:-1]]) % 2 == 1
    unslashed: Mask = odd & ~slash
    return unslashed
