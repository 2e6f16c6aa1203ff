"""Which part of which station's history must be made again for new rows, so that the result is as
if made whole.

A window a station: raw rows in [lo_utc, hi_utc) are read, core rows in [keep_from_utc, keep_to_utc)
are replaced. What new rows can change ends at the clock's second knot beyond them, at the plug-ins
they meet, and at the end of the next plug-in; what must be read besides begins where those do.
Where a station's clock was implausible near the new rows and pilot rows may have its times, such rows
of weeks may have to be placed again: months are made again, and rows of an impossible time are read
with the files they stand in. Where frames alone came by it, days are: they are placed by their arrival.
Clock and pilot rows of all that are cheap to make: where those show that nothing of the months has
moved (`narrowing`), what messages say is made again within a window of days alone (`said_`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta

import polars as pl

from pipeline.normalise.signals import messages
from pipeline.settings.normalise import NormaliseSettings
from pipeline.storage.warehouse import Connection, query, seeing, statement

ALL_FROM, ALL_TO = datetime(1900, 1, 1, tzinfo=UTC), datetime(2200, 1, 1, tzinfo=UTC)
"""Wide enough for every clock that was never set."""
IMPLAUSIBLE_KEEP = timedelta(days=32)
"""Pilot rows of an implausible clock are placed by the rows around them in their file; files are of a day to a month, practice."""
REACH = timedelta(days=120)
"""No plug-in or knot older than this before the new rows is looked for: plug-ins end after days of silence."""
CLOCKS_FROM = datetime(2015, 1, 1, tzinfo=UTC)
"""A pilot row of before was written by a clock never set: OCPP 1.6 is of 2015."""

NOT_NARROWED = "CREATE OR REPLACE TEMP TABLE _narrow AS FROM _windows LIMIT 0"

UNREAD = {
    "raw_frame": "vendor_id, central_at_utc, firmware, station_model, station_vendor, frame_key, unzoned, zone",
    "raw_sample": "unzoned, zone",
    "raw_event": "unzoned, zone",
}
"""Columns of frames that no core row rests on."""


def whole(con: Connection) -> None:
    """A window over everything for every station (temp table `_windows`)."""
    con.execute(statement(__file__, "whole"), {"all_from": ALL_FROM, "all_to": ALL_TO})
    con.execute(NOT_NARROWED)


def fresh_files(con: Connection) -> str:
    """A condition on `file_id`.

    Of files that no run has taken up yet, named one by one so that the store skips the rest.
    """
    found = con.execute(
        "SELECT file_id FROM raw_file ANTI JOIN meta_normalised_file USING (file_id) ORDER BY 1"
    ).fetchall()
    quoted = ", ".join("'" + str(name).replace("'", "''") + "'" for (name,) in found)
    return f"file_id IN ({quoted})" if found else "false"


def of_new(
    con: Connection,
    touched: pl.DataFrame,
    moved: list[str],
    fresh: str,
    settings: NormaliseSettings,
) -> Mapping[str, object]:
    """Windows (temp table `_windows`) of stations with rows of `fresh` files, and of those touched.

    Stations in `moved` (their EVSEs are described again) are made whole. Returns what windows are laid by (`lay`).
    """
    con.register("_touched", touched.select("station_id", "from_utc", "to_utc").to_arrow())
    con.execute(
        statement(__file__, "new_rows").format(fresh=fresh),
        {"clocks_from": CLOCKS_FROM, "all_from": ALL_FROM, "all_to": ALL_TO},
    )
    con.unregister("_touched")
    oldest = con.execute("SELECT min(a) FROM _new").fetchall()[0][0] or ALL_TO
    since = max(oldest, ALL_FROM + REACH) - REACH
    reach = {"since": since, "implausible": IMPLAUSIBLE_KEEP}
    con.execute(
        statement(__file__, "clocks").format(fresh=fresh), {**reach, "clocks_from": CLOCKS_FROM}
    )
    spans = {
        "held": timedelta(days=settings.clocks.holds_days),
        "silence": timedelta(days=settings.silence_days),
    }
    values = {**reach, **spans}
    lay(con, moved, values)
    return values


def lay(con: Connection, moved: list[str], values: Mapping[str, object]) -> None:
    """`_windows` for what `_clocks` says that new rows reach; stations in `moved` are made whole."""
    con.execute(statement(__file__, "windows"), values)
    con.execute(
        "DELETE FROM _windows WHERE station_id IN (SELECT unnest($moved))", {"moved": moved}
    )
    con.execute(
        "INSERT INTO _windows SELECT unnest($moved), false, $all_from, $all_from, $all_to, $all_to",
        {"moved": moved, "all_from": ALL_FROM, "all_to": ALL_TO},
    )
    con.execute(NOT_NARROWED)


def batches(con: Connection, rows: int, table: str = "_windows") -> Iterator[pl.DataFrame]:
    """`_windows` in groups of about so many raw rows.

    `said_lo_utc, said_from_utc, said_to_utc, said_hi_utc`: the window of what messages say, within the other.
    """
    every = statement(__file__, "said").format(windows=table)
    parts = " UNION ALL ".join(
        f"SELECT t.station_id, count(*) n FROM {name} t JOIN _every w USING (station_id)"
        f" WHERE t.{time} >= w.{window}lo_utc AND t.{time} < w.{window}hi_utc GROUP BY 1"
        for name, time, window in (
            ("raw_frame", "receiver_at_utc", "said_"),
            ("raw_sample", "receiver_at_utc", "said_"),
            ("raw_event", "receiver_at_utc", "said_"),
            ("raw_pilot", "station_at_utc", ""),
        )
    )
    summed = f"SELECT station_id, sum(n) AS n FROM ({parts}) GROUP BY 1"
    counted = query(
        con,
        f"WITH _every AS MATERIALIZED ({every})"
        f" SELECT w.*, coalesce(n, 0) AS n FROM _every w LEFT JOIN ({summed}) USING (station_id)",
    )
    grouped = counted.sort("station_id").with_columns(
        part=(pl.col("n").cum_sum() - 1).clip(lower_bound=0) // rows
    )
    yield from grouped.drop("n").partition_by("part", include_key=False, maintain_order=True)


def records(con: Connection, batch: pl.DataFrame) -> messages.Records:
    """Raw rows of a batch of windows."""
    every = {table: f"t.* EXCLUDE ({names})" for table, names in UNREAD.items()}
    answer = ", ".join(f"t.{name}" for name in ("read", *messages.ANSWER))
    said = batch.with_columns(lo_utc="said_lo_utc", hi_utc="said_hi_utc")
    short = narrowed(batch)
    with seeing(con, _batch=short):
        seen = calls(con, short)
    with seeing(con, _batch=batch):
        placed = pilot(con, batch)
    with seeing(con, _batch=said):
        return messages.Records(
            frames=frames(con, said, "raw_frame", every["raw_frame"], "message_type = 2"),
            answers=frames(con, said, "raw_frame", answer, "message_type <> 2"),
            samples=frames(con, said, "raw_sample", every["raw_sample"]),
            events=frames(con, said, "raw_event", every["raw_event"]),
            pilot=placed,
            sessions=query(con, statement(__file__, "sessions")),
            seen=seen,
            short=short.select("station_id", "said_lo_utc", "said_hi_utc"),
        )


def narrowed(batch: pl.DataFrame) -> pl.DataFrame:
    """Windows of a batch in which messages are read of less than clock and pilot rows."""
    return batch.filter(
        (pl.col("said_lo_utc") > pl.col("lo_utc")) | (pl.col("said_hi_utc") < pl.col("hi_utc"))
    )


def frames(
    con: Connection, batch: pl.DataFrame, table: str, columns: str, kind: str = "true"
) -> pl.DataFrame:
    """Rows of a table of frames within the windows that stand as `_batch`, with `read` (`names.in_order`)."""
    found = statement(__file__, "frames").format(table=table, columns=columns, kind=kind)
    return query(con, found, {"lo": batch["lo_utc"].min() or ALL_TO})


def calls(con: Connection, batch: pl.DataFrame) -> pl.DataFrame:
    """Calls within the windows that stand as `_batch`, with what tells clocks and times (`messages.SEEN`)."""
    columns = ", ".join(f"t.{name}" for name in ("read", *messages.SEEN))
    return frames(con, batch, "raw_frame", columns, "message_type = 2")


def events(con: Connection, batch: pl.DataFrame) -> pl.DataFrame:
    """Events within the windows that stand as `_batch`, with what tells their times."""
    columns = ("station_id", "file_id", "line", "receiver_at_utc", "station_at_utc")
    return frames(con, batch, "raw_event", ", ".join(f"t.{name}" for name in ("read", *columns)))


def pilot(con: Connection, batch: pl.DataFrame) -> pl.DataFrame:
    """Pilot rows within the windows that stand as `_batch`, and those of an impossible time beside them."""
    lo = {"lo": batch["lo_utc"].min()}
    rows = [query(con, statement(__file__, "pilot"), lo)]
    if batch["implausible"].any():
        far = statement(__file__, "implausible_pilot")
        rows.append(query(con, far, {**lo, "implausible": IMPLAUSIBLE_KEEP}))
    return pl.concat(rows)


def spans_of_new(con: Connection) -> pl.DataFrame:
    """Spans `from_utc, to_utc` of the new rows themselves."""
    return query(con, "SELECT a AS from_utc, b AS to_utc FROM _new")
