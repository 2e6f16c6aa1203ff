"""What ingest tells of a delivery: the account of every file, and which stations have new rows."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

FILES_SCHEMA = pl.Schema(
    {
        "file": pl.String(),
        "file_id": pl.String(),
        "kind": pl.String(),
        "lines": pl.Int64(),
        "used": pl.Int64(),
        "rejected": pl.Int64(),
        "duplicates": pl.Int64(),
        "chatter": pl.Int64(),
        "known_as": pl.String(),
        "earlier_run": pl.Boolean(),
        "unknown_columns": pl.List(pl.String()),
        "message": pl.String(),
        "turned_away": pl.Boolean(),
        "first_line": pl.String(),
        "looks_like": pl.String(),
    }
)
TOUCHED_SCHEMA = pl.Schema(
    {
        "station_id": pl.String(),
        "from_utc": pl.Datetime("us", "UTC"),
        "to_utc": pl.Datetime("us", "UTC"),
    }
)

_TOUCHED_CAST = [pl.col(name).cast(dtype) for name, dtype in TOUCHED_SCHEMA.items()]


@dataclass(frozen=True)
class IngestReport:
    """What one delivery came to.

    `files`: one row a delivered file. `lines = used + rejected + duplicates` holds for each. A file
    whose content is in the warehouse already has all its lines in `duplicates`; `known_as` names
    the file it repeats, `earlier_run` says whether an earlier run read that (its first account
    stands in raw_file). `turned_away` says that a whole file, or an entry of a mapping,
    was not used (with `first_line`, and what kind it `looks_like`); `message` says why, or what a mapping
    asks for. `touched`: stations with new rows, and the span of the receiver's (frames), the
    station's (pilot rows) or the site's time (exports) these cover; a null span means everything of
    the station (its EVSE row is new).
    """

    files: pl.DataFrame
    touched: pl.DataFrame


def spans(parts: list[pl.DataFrame]) -> pl.DataFrame:
    """`touched`: one row a station, its whole span, null (= everything) where any part is."""
    joined = pl.concat(
        [pl.DataFrame(schema=TOUCHED_SCHEMA), *(p.select(_TOUCHED_CAST) for p in parts)]
    )
    whole = pl.col("from_utc").is_null().any()
    return (
        joined.group_by("station_id")
        .agg(
            from_utc=pl.when(whole).then(None).otherwise(pl.col("from_utc").min()),
            to_utc=pl.when(whole).then(None).otherwise(pl.col("to_utc").max()),
        )
        .sort("station_id")
    )
