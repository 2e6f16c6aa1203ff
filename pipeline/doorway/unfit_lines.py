"""Lines of a text log that look like a frame, but do not fit the pattern of its entry."""

from __future__ import annotations

import polars as pl

from pipeline.doorway.frames_entry import FramesEntry
from pipeline.doorway.pattern import Pattern

_LOOKS_LIKE_A_FRAME = r'\[\s*[234]\s*,\s*"'
_FRAME_ID = r'\[\s*([234])\s*,\s*"((?:[^"\\]|\\.)*)"'


def unfit_lines(entry: FramesEntry, chatter: pl.DataFrame, good: pl.DataFrame) -> pl.DataFrame:
    """Lines of `chatter` that look like a frame, unless a line that fits told the same: `line, byte_offset, text, reject_reason`.

    `good`: the lines that fit, with their `frame`.
    """
    none = chatter.head(0).select(
        "line", "byte_offset", "text", reject_reason=pl.lit("", pl.String)
    )
    if entry.line is None or not chatter.height:
        return none
    text = pl.col("text")
    printed = text.str.contains(r"\[\s*$") & text.shift(-1).str.contains(r"^\s*[234]\s*,\s*$")
    looks = chatter.filter(text.str.contains(_LOOKS_LIKE_A_FRAME) | printed.fill_null(value=False))
    told_id = pl.col("key").struct.field("1").is_not_null()
    told = good.select(key=pl.col("frame").str.slice(0, 300).str.extract_groups(_FRAME_ID))
    looks = looks.with_columns(key=text.str.extract_groups(_FRAME_ID)).join(
        told.filter(told_id), on="key", how="anti", maintain_order="left"
    )
    if not looks.height:
        return none
    pattern: Pattern = entry.pattern
    how = pattern.fitted([looks["text"][0].strip()[:2000]]).partition(" ")[2].partition(" ")[2]
    reason = f"it looks like a frame, but does not fit the pattern of its entry; the first such line {how}"
    return looks.select("line", "byte_offset", "text", reject_reason=pl.lit(reason))
