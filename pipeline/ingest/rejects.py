"""Lines that are not used: each becomes a row of raw_rejected with its place and reason."""

from __future__ import annotations

import polars as pl

from pipeline.ingest.lines import printable
from pipeline.warehouse import Connection, append


def reject(con: Connection, file_id: str, file: str, lines: pl.DataFrame) -> int:
    """Keep rejected lines (`lines.REJECT_SCHEMA`) and give their number."""
    if lines.is_empty():
        return 0
    rows = lines.with_columns(printable(pl.col("text")), file_id=pl.lit(file_id), file=pl.lit(file))
    append(con, "raw_rejected", rows)
    return lines.height
