"""Which part of which station's history must be made again for new rows, so that the result is as
if made whole.

A window a station: raw rows in [lo_utc, hi_utc) are read, core rows in [keep_from_utc, keep_to_utc)
are replaced. What new rows can change ends at the clock's second knot beyond them, at the plug-ins
they meet, and at the end of the next plug-in; what must be read besides begins where those do.
Where a station's clock was astray near the new rows, pilot rows of weeks may have to be placed
anew: months are made again, and rows of an impossible time are read with the files they stand in.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta

import polars as pl

from pipeline.normalise.clocks.eras import HOLDS_DAYS
from pipeline.normalise.signals import messages
from pipeline.registry import conform
from pipeline.settings.normalise import NormaliseSettings
from pipeline.storage.warehouse import Connection, query

ALL_FROM, ALL_TO = datetime(1900, 1, 1, tzinfo=UTC), datetime(2200, 1, 1, tzinfo=UTC)
"""Wide enough for every clock that was never set."""
ASTRAY_KEEP = timedelta(days=32)
"""Pilot rows of an astray clock are placed by the rows around them in their file; files are of a day to a month, practice."""
REACH = timedelta(days=120)
"""No plug-in or knot older than this before the new rows is looked for: plug-ins end after days of silence."""
CLOCKS_FROM = datetime(2015, 1, 1, tzinfo=UTC)
"""A pilot row of before was written by a clock never set: OCPP 1.6 is of 2015."""

_NEW = """
CREATE OR REPLACE TEMP TABLE _new AS
WITH frames AS (
  SELECT station_id, receiver_at_utc AS r, station_at_utc AS s FROM raw_frame WHERE {fresh}
  UNION ALL SELECT station_id, receiver_at_utc, station_at_utc FROM raw_sample WHERE {fresh}
  UNION ALL SELECT station_id, receiver_at_utc, station_at_utc FROM raw_event WHERE {fresh}
), judged AS (
  SELECT *, s IS NOT NULL AND (s > r + INTERVAL 12 HOUR OR s < r - INTERVAL 60 DAY) AS astray FROM frames
), spans AS (
  SELECT station_id, min(if(astray, r, least(r, s))) AS a, max(if(astray, r, greatest(r, s))) AS b, bool_or(astray) AS astray
  FROM judged GROUP BY 1
  UNION ALL
  SELECT station_id, coalesce(min(station_at_utc) FILTER (station_at_utc >= $clocks_from), $all_from),
    coalesce(max(station_at_utc) FILTER (station_at_utc >= $clocks_from), $all_to), bool_or(station_at_utc < $clocks_from)
  FROM raw_pilot WHERE {fresh} GROUP BY station_id, file_id
  UNION ALL
  SELECT e.station_id, min(plugged_at_utc), max(coalesce(unplugged_at_utc, plugged_at_utc)), false
  FROM raw_session s JOIN core_evse e USING (evse_id) WHERE plugged_at_utc IS NOT NULL AND {fresh} GROUP BY 1
  UNION ALL
  SELECT station_id, from_utc, to_utc, false FROM _touched
  UNION ALL
  SELECT station_id, from_utc, to_utc, false FROM raw_changed
)
SELECT station_id, coalesce(min(a), $all_from) AS a, coalesce(max(b), $all_to) AS b, bool_or(astray) AS astray
FROM spans GROUP BY 1
"""

_WINDOWS = """
CREATE OR REPLACE TEMP TABLE _windows AS
WITH clocks AS (
  SELECT n.station_id,
    least(n.a, min(receiver_from_utc) FILTER (abs(offset_s) > 43200
      AND segment_from_utc BETWEEN a - INTERVAL 30 DAY AND b + INTERVAL 30 DAY)) AS first,
    greatest(n.b, max(receiver_from_utc) FILTER (abs(offset_s) > 43200
      AND segment_from_utc BETWEEN a - INTERVAL 30 DAY AND b + INTERVAL 30 DAY)) AS last,
    bool_or(n.astray) OR coalesce(bool_or(abs(offset_s) > 43200
      AND (segment_from_utc BETWEEN a - INTERVAL 30 DAY AND b + INTERVAL 30 DAY
        OR receiver_from_utc BETWEEN a - INTERVAL 30 DAY AND b + INTERVAL 30 DAY)), false) AS astray,
    max(receiver_from_utc) FILTER (receiver_from_utc < date_trunc('day', a)) AS knot_before,
    min(receiver_from_utc, 2) FILTER (receiver_from_utc >= date_trunc('day', b) + INTERVAL 1 DAY) AS knots_after
  FROM _new n LEFT JOIN (FROM core_clock WHERE receiver_from_utc >= $since) c USING (station_id) GROUP BY n.station_id, a, b
), reach AS (
  SELECT station_id, astray,
    least(date_trunc('day', first) - if(astray, $astray, INTERVAL 2 DAY),
      if(knot_before > first - $held - INTERVAL 1 DAY, date_trunc('day', knot_before), date_trunc('day', first))) AS keep_from,
    greatest(date_trunc('day', last) + if(astray, $astray, INTERVAL 3 DAY),
      if(len(knots_after) = 2, least(date_trunc('day', knots_after[2]) + INTERVAL 1 DAY, last + 2 * $held),
        last + $held + INTERVAL 2 DAY)) AS keep_to
  FROM clocks
), ends AS (
  SELECT station_id, evse_id, plugged_at_utc,
    least(coalesce(unplugged_at_utc, seen_utc + $silence),
      lead(plugged_at_utc, 1, 'infinity'::TIMESTAMPTZ) OVER (PARTITION BY evse_id ORDER BY plugged_at_utc)) AS end_utc
  FROM core_plug_in SEMI JOIN _new USING (station_id) WHERE plugged_at_utc >= $since
), met AS (
  SELECT r.station_id, min(e.plugged_at_utc) FILTER (e.plugged_at_utc < r.keep_to AND e.end_utc >= r.keep_from) AS first_met,
    max(e.end_utc) FILTER (e.plugged_at_utc < r.keep_to AND e.end_utc >= r.keep_from) AS last_met
  FROM reach r LEFT JOIN ends e USING (station_id) GROUP BY 1
), next AS (
  SELECT station_id, max(end_utc) AS next_end FROM (
    SELECT e.station_id, e.evse_id, arg_min(e.end_utc, e.plugged_at_utc) AS end_utc
    FROM ends e JOIN reach r ON e.station_id = r.station_id AND e.plugged_at_utc BETWEEN r.keep_to AND r.keep_to + $silence
    GROUP BY ALL) GROUP BY 1
), kept AS (
  SELECT station_id, astray, least(keep_from, first_met) AS keep_from,
    greatest(keep_to, last_met + INTERVAL 1 SECOND, next_end + INTERVAL 1 SECOND) AS keep_to
  FROM reach LEFT JOIN met USING (station_id) LEFT JOIN next USING (station_id)
), behind AS (
  SELECT k.station_id, min(e.plugged_at_utc) AS straddling FROM kept k JOIN ends e
    ON e.station_id = k.station_id AND e.plugged_at_utc < k.keep_from AND e.end_utc >= k.keep_from - INTERVAL 1 DAY GROUP BY 1
), earlier AS (
  SELECT k.station_id, min(receiver_from_utc) AS knot FROM kept k JOIN (
    SELECT c.station_id, c.receiver_from_utc FROM core_clock c JOIN kept USING (station_id)
    WHERE c.receiver_from_utc >= $since AND c.receiver_from_utc < keep_from
    QUALIFY row_number() OVER (PARTITION BY c.station_id ORDER BY c.receiver_from_utc DESC) <= 2) c USING (station_id)
  WHERE c.receiver_from_utc > k.keep_from - 2 * $held GROUP BY 1
)
SELECT k.station_id, astray,
  date_trunc('day', least(keep_from - if(astray, $astray, INTERVAL 4 DAY), straddling - INTERVAL 1 DAY, knot - INTERVAL 1 DAY))
    AS lo_utc,
  keep_from AS keep_from_utc,
  keep_to AS keep_to_utc,
  keep_to + if(astray, $astray, $silence + INTERVAL 1 DAY) AS hi_utc
FROM kept k LEFT JOIN behind USING (station_id) LEFT JOIN earlier USING (station_id)
"""

_WHOLE = """
CREATE OR REPLACE TEMP TABLE _windows AS
SELECT station_id, false AS astray,
  $all_from AS lo_utc, $all_from AS keep_from_utc, $all_to AS keep_to_utc, $all_to AS hi_utc FROM (
  SELECT station_id FROM raw_frame UNION SELECT station_id FROM raw_sample UNION SELECT station_id FROM raw_event
  UNION SELECT station_id FROM raw_pilot UNION SELECT station_id FROM raw_session JOIN core_evse USING (evse_id)
  UNION SELECT station_id FROM core_plug_in)
"""

_FRAMES = """
SELECT t.* FROM (FROM "{table}" WHERE receiver_at_utc >= $lo) t JOIN _batch w USING (station_id)
WHERE t.receiver_at_utc >= w.lo_utc
  AND (t.receiver_at_utc < w.hi_utc OR t.station_at_utc >= w.lo_utc AND t.station_at_utc < w.hi_utc)
"""
_PILOT = """
SELECT t.* FROM (FROM raw_pilot WHERE station_at_utc >= $lo) t JOIN _batch w USING (station_id)
WHERE t.station_at_utc >= w.lo_utc AND t.station_at_utc < w.hi_utc
"""
_ASTRAY_PILOT = """
WITH far AS (
  SELECT t.* FROM raw_pilot t JOIN (FROM _batch WHERE astray) w USING (station_id)
  WHERE t.station_at_utc < w.lo_utc - $astray OR t.station_at_utc >= w.hi_utc + $astray
)
SELECT far.* FROM far SEMI JOIN (
  SELECT DISTINCT t.station_id, t.file_id FROM (FROM raw_pilot WHERE station_at_utc >= $lo) t JOIN _batch w USING (station_id)
  WHERE t.station_at_utc >= w.lo_utc AND t.station_at_utc < w.hi_utc) USING (station_id, file_id)
"""
_SESSIONS = """
SELECT t.*, e.station_id FROM raw_session t JOIN core_evse e USING (evse_id) JOIN _batch w USING (station_id)
WHERE t.plugged_at_utc >= w.lo_utc AND t.plugged_at_utc < w.hi_utc
"""


def whole(con: Connection) -> None:
    """A window over everything for every station (temp table `_windows`)."""
    con.execute(_WHOLE, {"all_from": ALL_FROM, "all_to": ALL_TO})


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
) -> None:
    """Windows (temp table `_windows`) of stations with rows of `fresh` files, and of those touched.

    Stations in `moved` (their EVSEs are described anew) are made whole.
    """
    con.register("_touched", touched.select("station_id", "from_utc", "to_utc").to_arrow())
    con.execute(
        _NEW.format(fresh=fresh),
        {"clocks_from": CLOCKS_FROM, "all_from": ALL_FROM, "all_to": ALL_TO},
    )
    con.unregister("_touched")
    oldest = con.execute("SELECT min(a) FROM _new").fetchall()[0][0] or ALL_TO
    since = max(oldest, ALL_FROM + REACH) - REACH
    spans = {
        "held": timedelta(days=HOLDS_DAYS),
        "silence": timedelta(days=settings.silence_days),
        "astray": ASTRAY_KEEP,
    }
    con.execute(_WINDOWS, {"since": since, **spans})
    con.execute(
        "DELETE FROM _windows WHERE station_id IN (SELECT unnest($moved))", {"moved": moved}
    )
    con.execute(
        "INSERT INTO _windows SELECT unnest($moved), false, $all_from, $all_from, $all_to, $all_to",
        {"moved": moved, "all_from": ALL_FROM, "all_to": ALL_TO},
    )


def batches(con: Connection, rows: int) -> Iterator[pl.DataFrame]:
    """`_windows` in groups of about so many raw rows."""
    parts = " UNION ALL ".join(
        f"SELECT t.station_id, count(*) n FROM {table} t JOIN _windows w USING (station_id)"
        f" WHERE t.{time} >= w.lo_utc AND t.{time} < w.hi_utc GROUP BY 1"
        for table, time in (
            ("raw_frame", "receiver_at_utc"),
            ("raw_sample", "receiver_at_utc"),
            ("raw_event", "receiver_at_utc"),
            ("raw_pilot", "station_at_utc"),
        )
    )
    summed = f"SELECT station_id, sum(n) AS n FROM ({parts}) GROUP BY 1"
    counted = query(
        con,
        f"SELECT w.*, coalesce(n, 0) AS n FROM _windows w LEFT JOIN ({summed}) USING (station_id)",
    )
    grouped = counted.sort("station_id").with_columns(
        part=(pl.col("n").cum_sum() - 1).clip(lower_bound=0) // rows
    )
    yield from grouped.drop("n").partition_by("part", include_key=False, maintain_order=True)


def bound(con: Connection, sql: str, values: Mapping[str, object]) -> pl.DataFrame:
    """The rows of a query with bound values."""
    return pl.DataFrame(con.sql(sql, params=values).to_arrow_table())


def records(con: Connection, batch: pl.DataFrame) -> messages.Records:
    """Raw rows of a batch of windows."""
    con.register("_batch", batch.to_arrow())
    lo = {"lo": batch["lo_utc"].min()}
    pilot = [bound(con, _PILOT, lo)]
    if batch["astray"].any():
        pilot.append(bound(con, _ASTRAY_PILOT, {**lo, "astray": ASTRAY_KEEP}))
    tables = {
        name: bound(con, _FRAMES.format(table=name), lo)
        for name in ("raw_frame", "raw_sample", "raw_event")
    }
    found = messages.Records(
        frames=conform(tables["raw_frame"], "raw_frame"),
        samples=conform(tables["raw_sample"], "raw_sample"),
        events=conform(tables["raw_event"], "raw_event"),
        pilot=conform(pl.concat(pilot), "raw_pilot"),
        sessions=query(con, _SESSIONS),
    )
    con.unregister("_batch")
    return found


def spans_of_new(con: Connection) -> pl.DataFrame:
    """Spans `from_utc, to_utc` of the new rows themselves."""
    return query(con, "SELECT a AS from_utc, b AS to_utc FROM _new")
