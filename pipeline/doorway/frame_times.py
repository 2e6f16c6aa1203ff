"""When each frame of a log was written or received: from its line, its payload, or the lines around it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import polars as pl

from pipeline.doorway import times
from pipeline.doorway.frames_entry import FramesEntry
from pipeline.doorway.local_times import LocalTimes

# A time inside a payload from before was told by a clock never set: OCPP 1.6 is of 2015.
_CLOCKS_SET = datetime(2015, 1, 1)  # noqa: DTZ001  # local times, compared as such
# The answer that tells the central clock, and the call that begins a station's new life.
_CENTRAL_ANSWER = r'^\s*\[\s*3\s*,.*"currentTime"'
_BOOT = r'^\s*\[\s*2\s*,\s*"[^"]*"\s*,\s*"BootNotification"'
# As clocks are judged later: nearer than this they agree (whole seconds, the network's delay); practice.
_LEAST_ERROR = timedelta(seconds=2)
_KNOWN = pl.col("at_utc").is_not_null() | pl.col("at_local").is_not_null()


def by_central(rows: pl.DataFrame) -> pl.DataFrame:
    """Times of a station's own log by the central clock, as far as the answers to boots and heartbeats in it tell.

    What was written since a boot has the offset of the next answer, and after the last one that of the last: a station that sets
    its clock by an answer does so after it. An offset within the least error that a clock is given is none.
    """
    central = pl.col("inside_utc").dt.convert_time_zone("UTC")
    answer = pl.col("frame").str.contains(_CENTRAL_ANSWER)
    booted = pl.col("frame").str.contains(_BOOT).cast(pl.Int64)
    file = ["file", "station_id"]
    rows = rows.with_columns(
        _life=booted.cum_sum().over(file), _off=pl.when(answer).then(central - pl.col("at_utc"))
    )
    life = [*file, "_life"]
    off = pl.coalesce(
        pl.col("_off").backward_fill().over(life), pl.col("_off").forward_fill().over(life)
    )
    moved = pl.when(off.abs() > _LEAST_ERROR).then(off).otherwise(pl.duration())
    at = pl.col("at_utc") + moved.fill_null(pl.duration())
    return rows.with_columns(at_utc=at).drop("_life", "_off")


@dataclass
class FrameTimes:
    """Tells the times of the files of one entry, block by block."""

    entry: FramesEntry
    _places: LocalTimes | None = None
    _near: datetime | None = None
    _before: pl.DataFrame | None = None  # the last time told: file, at_utc, at_local

    def told(self, rows: pl.DataFrame) -> pl.DataFrame:
        """Rows (`file, at_zoned, at_local, inside_utc, inside_local`) with `at_text`, as the envelope has it, or a `reason`."""
        if not all(times.has_year(form) for form in self.entry.forms):
            rows = self._in_year(rows)
        rows = self._placed(rows)
        if self.entry.by_payload:
            rows = self._by_payload(rows)
        if self.entry.written_by == "station":
            rows = by_central(rows)
        text = pl.coalesce(
            pl.col("at_utc").dt.strftime("%Y-%m-%dT%H:%M:%S%.6fZ"),
            pl.col("at_local").dt.strftime("%Y-%m-%dT%H:%M:%S%.6f"),
        )
        missing = pl.col("reason").is_null() & text.is_null()
        return rows.with_columns(
            at_text=text, reason=pl.when(missing).then(self._unread()).otherwise("reason")
        )

    def _unread(self) -> pl.Expr:
        if self.entry.by_payload:
            return pl.lit("the payload holds no time, and no frame before it does")
        written = pl.col("written_at").str.slice(0, 60)
        told = f" is no time written {times.in_words(self.entry.forms)}"
        if not all(times.has_year(form) for form in self.entry.forms):
            told += ", or nothing in the payloads tells its year"
        return (
            pl.when(written.is_null())
            .then(pl.lit("nothing tells its time"))
            .otherwise(pl.format("'{}'{}", written, pl.lit(told)))
        )

    def _placed(self, rows: pl.DataFrame) -> pl.DataFrame:
        """Local times of the entry's zone in UTC; without a zone they stay local, for the site's to place."""
        zoned = pl.col("at_zoned").dt.convert_time_zone("UTC")
        if self.entry.timezone is None:
            return rows.with_columns(at_utc=zoned)
        self._places = self._places or LocalTimes(self.entry.timezone)
        placed = self._places.placed(rows["at_local"], rows["file"])
        return rows.with_columns(
            at_utc=pl.coalesce(zoned, placed), at_local=pl.lit(None, pl.Datetime("us"))
        )

    def _in_year(self, rows: pl.DataFrame) -> pl.DataFrame:
        """Local times written without a year, in the year nearest to the times inside the payloads around them."""
        inside_utc = pl.col("inside_utc").dt.convert_time_zone("UTC").dt.replace_time_zone(None)
        inside = pl.coalesce(inside_utc, "inside_local")
        told = rows.select(pl.when(inside >= _CLOCKS_SET).then(inside)).to_series()
        near = told.fill_null(strategy="forward")
        near = near.fill_null(self._near) if self._near else near.fill_null(strategy="backward")
        if len(known := told.drop_nulls()):
            self._near = known[-1]
        rows = rows.with_columns(_near=near)
        local = pl.col("at_local")
        years = [local.dt.replace(year=pl.col("_near").dt.year() + k) for k in (0, -1, 1)]
        apart = [(year - pl.col("_near")).abs() for year in years]
        nearest = pl.min_horizontal(apart)
        best = (
            pl.when(apart[0] == nearest)
            .then(years[0])
            .when(apart[1] == nearest)
            .then(years[1])
            .when(apart[2] == nearest)
            .then(years[2])
        )
        unsaid = local.dt.year() == times.NO_YEAR
        at = pl.when(unsaid).then(best).otherwise(local)
        return rows.with_columns(at_local=at).drop("_near")

    def _by_payload(self, rows: pl.DataFrame) -> pl.DataFrame:
        """Rows without a time take that of their payload, else of the station's frame before, else of any before in the file."""
        utc, local = pl.Datetime("us", "UTC"), pl.Datetime("us")
        inside = pl.col("inside_utc").dt.convert_time_zone("UTC")
        own = rows.with_columns(
            at_utc=pl.when(_KNOWN).then("at_utc").otherwise(inside).cast(utc)
        ).with_columns(
            at_local=pl.when(pl.col("at_utc").is_null())
            .then(pl.coalesce("at_local", "inside_local"))
            .cast(local)
        )
        stated = pl.when(_KNOWN).then(pl.struct("at_utc", "at_local"))
        own = own.with_columns(_own=stated)
        by_station = pl.col("_own").forward_fill().over("file", "station_id")
        own = own.with_columns(
            _told=pl.coalesce(by_station, pl.col("_own").forward_fill().over("file"))
        )
        told = pl.col("_told").struct
        filled = own.with_columns(at_utc=told.field("at_utc"), at_local=told.field("at_local"))
        return self._carried(filled).drop("_own", "_told")

    def _carried(self, rows: pl.DataFrame) -> pl.DataFrame:
        """Rows before the first time of a block take the last one of the block before, in the same file."""
        if self._before is not None:
            rows = rows.join(self._before, on="file", how="left", maintain_order="left")
            rows = rows.with_columns(
                at_utc=pl.when(_KNOWN).then("at_utc").otherwise("last_utc"),
                at_local=pl.when(_KNOWN).then("at_local").otherwise("last_local"),
            ).drop("last_utc", "last_local")
        last = rows.filter(_KNOWN).tail(1)
        if last.height:
            self._before = last.select("file", last_utc="at_utc", last_local="at_local")
        return rows
