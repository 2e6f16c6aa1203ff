"""Names of stations, EVSEs and files as numbers that keep the order of the names.

A batch sorts, joins and groups by them some hundred times; as numbers (`pl.Enum`, its categories
sorted) that costs a fraction of what text does, and every order is the same.
"""

from __future__ import annotations

from collections.abc import Iterable

import polars as pl

NAMES = ("station_id", "evse_id", "file_id")


def kinds(frames: Iterable[pl.DataFrame]) -> dict[str, pl.Enum]:
    """One type a column of names, with every name that the frames have."""
    every = list(frames)
    return {
        name: pl.Enum(
            pl.concat(
                [frame[name].unique().cast(pl.String) for frame in every if name in frame.columns]
                or [pl.Series(dtype=pl.String)]
            )
            .unique()
            .drop_nulls()
            .sort()
        )
        for name in NAMES
    }


def numbered(frame: pl.DataFrame, kind: dict[str, pl.Enum]) -> pl.DataFrame:
    """The frame, its names of these kinds."""
    return frame.with_columns(
        pl.col(name).cast(kind[name]) for name in NAMES if name in frame.columns
    )


def in_order(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows of frames as their files have them, `read` (the place among rows of one line) left out.

    Rows come out of the store in any order, and files go into it in the order of their deliveries: of
    what was received at one instant the same must count however it was delivered.
    """
    return rows.sort("file_id", "line", "read").drop("read") if "read" in rows.columns else rows
