"""Local times of a log, in the order of its lines, put into UTC: a fold is told by where the time falls back."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import polars as pl

# Between equal offsets nearer than this no change lies: the shortest time between two is Morocco's month of Ramadan (IANA data base).
_NO_CHANGE = timedelta(days=28)
# A line this much earlier than the one before it is a clock put back, not lines written by turns; practice.
_FALL = timedelta(minutes=5)


@dataclass
class LocalTimes:
    """Places the local times of one file, block by block."""

    zone: str
    _last: tuple[int, datetime, bool] | None = (
        None  # of the block before: its last file and time, and whether a fold had its fall
    )

    def placed(self, local: pl.Series, file: pl.Series) -> pl.Series:
        """UTC of local times in the order of writing; null stays null. A time in a gap is taken as if the clock had not moved."""
        early = self._reading(local, "earliest")
        rows = pl.DataFrame({"file": file, "early": early})
        if self._changes(local):
            rows = self._told(rows.with_columns(late=self._reading(local, "latest")))
        else:
            rows = rows.with_columns(at="early", fallen=pl.lit(value=False))
        known = rows.filter(pl.col("early").is_not_null()).tail(1)
        for place, at, fallen in known.select("file", "early", "fallen").iter_rows():
            self._last = (place, at, fallen)
        return rows["at"]

    def _told(self, rows: pl.DataFrame) -> pl.DataFrame:
        """Adds `at` and `fallen`: in a fold the later reading from where the time falls back on."""
        file, at, fallen = self._last or (-1, None, False)
        before = pl.col("early").forward_fill().shift(1).over("file")
        before = pl.coalesce(
            before, pl.when(pl.col("file") == file).then(pl.lit(at, pl.Datetime("us", "UTC")))
        )
        folded = (pl.col("early") < pl.col("late")).fill_null(value=False)
        falls = folded & (pl.col("early") < before - _FALL).fill_null(value=False)
        run = (folded != folded.shift(1)).fill_null(value=True).cum_sum().over("file")
        rows = rows.with_columns(folded=folded, falls=falls, run=run)
        carried = pl.lit(fallen) & (pl.col("run") == 1) & (pl.col("file") == file)
        over = pl.col("folded") & (pl.col("falls").cum_max().over("file", "run") | carried)
        return rows.with_columns(at=pl.when(over).then("late").otherwise("early"), fallen=over)

    def _reading(self, local: pl.Series, which: str) -> pl.Series:
        zone = self.zone
        frame = pl.DataFrame({"t": local})
        placed = pl.col("t").dt.replace_time_zone(zone, ambiguous=which, non_existent="null")  # type: ignore[arg-type]
        moved = (pl.col("t") - pl.duration(hours=3)).dt.replace_time_zone(
            zone, ambiguous="latest", non_existent="null"
        )
        utc = pl.coalesce(
            placed.dt.convert_time_zone("UTC"),
            moved.dt.convert_time_zone("UTC") + pl.duration(hours=3),
        )
        return frame.select(utc.alias("at")).to_series()

    def _changes(self, local: pl.Series) -> bool:
        first, last = local.min(), local.max()
        if not isinstance(first, datetime) or not isinstance(last, datetime):
            return False
        zone = ZoneInfo(self.zone)
        edges = [
            t.replace(tzinfo=zone).utcoffset()
            for t in (first - timedelta(hours=3), last + timedelta(hours=3))
        ]
        return edges[0] != edges[1] or last - first > _NO_CHANGE
