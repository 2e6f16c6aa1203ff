"""Lines of frames, typed: most the quick way, the rest by every path."""

from __future__ import annotations

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.core.line_numbers import ANSWER_STEP
from pipeline.ingest.frame_sql import NO_ARRAY, UNFOLDED, staged_query
from pipeline.ingest.sink import Sink

_REJECTED = """
    SELECT l.line, l.byte_offset, s.reject_reason, l.text
    FROM _staged s JOIN _lines l ON s.line = l.line WHERE s.reject_reason IS NOT NULL
"""


# A frame on several lines is rejected with all of them; the answer in its call's row is no line of its own.
_REJECTED_MAPPED = f"""
    SELECT unnest(coalesce(l.lines, [l.line])) AS line, l.byte_offset, s.reject_reason, l.text
    FROM _staged s JOIN _lines l ON s.line = l.line
    WHERE s.reject_reason IS NOT NULL AND (s.line & {ANSWER_STEP}) = 0
"""


def typed(sink: Sink, lines: pa.Table) -> tuple[pa.Table, pa.Table]:
    """A part's lines that the quick way types and finds in order, and the rest of them as they came."""
    column = _envelope(lines)
    with sink.seeing(_lines=lines):
        staged = _used(sink.table(staged_query(column, mapped=column != "text", quick=True)))
    if staged.num_rows == lines.num_rows:
        return staged, lines.schema.empty_table()  # a slice would hold the block's bytes
    taken = np.isin(lines["line"].to_numpy(), staged["line"].to_numpy(), assume_unique=True)
    return staged, lines.filter(pa.array(~taken))


def with_rest(sink: Sink, quick: list[pa.Table], left: list[pa.Table]) -> pa.Table:
    """Typed lines of some parts with the lines that were left, but for those that had to be rejected."""
    lines = pa.concat_tables(left)
    if not lines.num_rows:
        return pa.concat_tables(quick)
    column = _envelope(lines)
    mapped = column != "text"
    with sink.seeing(_lines=lines):
        staged = sink.table(staged_query(column, mapped=mapped))
    if holds_any(staged, "reject_reason"):
        staged = staged if mapped else _unfolded(sink, lines, staged)
        with sink.seeing(_lines=lines, _staged=staged):
            sink.reject(sink.frame(_REJECTED_MAPPED if mapped else _REJECTED))
    return pa.concat_tables([*quick, _used(staged)])


def _envelope(lines: pa.Table) -> str:
    """The column of the lines that holds the envelope."""
    return "envelope" if "envelope" in lines.column_names else "text"


def _used(staged: pa.Table) -> pa.Table:
    """Typed lines without a reason; where few have one, what stands between them, not copied."""
    bad = np.flatnonzero(staged["reject_reason"].is_valid().to_numpy())
    if len(bad) * _APART > staged.num_rows:
        return staged.filter(pc.field("reject_reason").is_null())
    begin, end = [0, *(bad + 1).tolist()], [*bad.tolist(), staged.num_rows]
    return pa.concat_tables([staged.slice(a, b - a) for a, b in zip(begin, end, strict=True)])


_APART = 1024  # lines a piece at least: many small ones cost more than a copy


def _unfolded(sink: Sink, lines: pa.Table, staged: pa.Table) -> pa.Table:
    """Typed lines, those again whose frame stands in the envelope as a text."""
    texts = staged.filter(pc.field("reject_reason") == NO_ARRAY)["line"]
    if not len(texts):
        return staged
    with sink.seeing(_lines=lines.filter(pc.is_in(lines["line"], value_set=texts))):
        unfolded = sink.table(UNFOLDED)
    if not unfolded.num_rows:
        return staged
    with sink.seeing(_lines=unfolded):
        again = sink.table(staged_query("envelope"))
    kept = pc.invert(pc.is_in(staged["line"], value_set=again["line"]))
    return pa.concat_tables([staged.filter(kept), again])


def versioned(staged: pa.Table) -> pa.Table:
    """Typed lines, a version that neither the envelope nor the frame tells being that of the
    station's other frames, else 1.6.
    """
    if not staged["version"].null_count:
        return staged
    own = pl.col("version")
    told = pl.DataFrame(staged.select(["station_id", "version"])).select(
        pl.coalesce(own, own.max().over("station_id"), pl.lit("1.6"))
    )
    place = staged.column_names.index("version")
    return staged.set_column(
        place, "version", told.to_series().to_arrow().cast(staged["version"].type)
    )


def holds_any(rows: pa.Table, column: str) -> bool:
    """Whether a column holds anything.

    What is not there need not be asked for, which counts where files are small.
    """
    return bool(rows[column].null_count < rows.num_rows)
