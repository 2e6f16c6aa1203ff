"""core_attempt from core_plug_in, span by span.

Only where a plug-in, a vehicle's report, a firmware or a list changed.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import pairwise

import polars as pl

from pipeline.normalise.attempts import attempt_rows
from pipeline.normalise.incremental.windows import REACH, bound
from pipeline.registry import conform, registry
from pipeline.settings.normalise import NormaliseSettings
from pipeline.storage.warehouse import Connection, append, query, read

NEAR = timedelta(hours=1)
"""Attempts this close may compete for one vehicle's report; far beyond the slack between the two clocks."""
PLUG_INS_AT_ONCE = 200_000


def differing(before: pl.DataFrame, now: pl.DataFrame) -> pl.DataFrame:
    """Spans `from_utc, to_utc` of plug-ins that are new, gone, or told otherwise."""
    told = [
        frame.with_columns(pl.col("lineage").list.join(" "))
        for frame in (conform(before, "core_plug_in"), conform(now, "core_plug_in"))
    ]
    columns = told[0].columns
    apart = [
        one.join(other, on=columns, how="anti", nulls_equal=True)
        for one, other in (told, told[::-1])
    ]
    return pl.concat(apart).select(
        from_utc="plugged_at_utc", to_utc=pl.coalesce("unplugged_at_utc", "seen_utc")
    )


def reported(con: Connection, fresh: str, settings: NormaliseSettings) -> pl.DataFrame:
    """Spans of vehicles' own plug-ins with reports in `fresh` files."""
    return query(
        con,
        f"""
        WITH fresh AS (SELECT * FROM raw_charging WHERE {fresh}),
        plugs AS (SELECT vehicle_id, at_utc FROM raw_charging SEMI JOIN fresh USING (vehicle_id) WHERE event = 'plugged'
          AND at_utc >= (SELECT min(at_utc) FROM fresh) - INTERVAL {settings.silence_days} DAY)
        SELECT coalesce(max(p.at_utc), f.at_utc) - INTERVAL {settings.telematics_slack_s} SECOND AS from_utc,
          f.at_utc + INTERVAL {settings.telematics_slack_s} SECOND AS to_utc
        FROM fresh f LEFT JOIN plugs p ON p.vehicle_id = f.vehicle_id AND p.at_utc <= f.at_utc
          AND p.at_utc > f.at_utc - INTERVAL {settings.silence_days} DAY
        GROUP BY f.vehicle_id, f.at_utc, f.file_id, f.line
        """,
    )


def merged(spans: pl.DataFrame) -> list[tuple[object, object]]:
    """Spans joined where they lie within a day of each other."""
    ordered = spans.drop_nulls().sort("from_utc").with_columns(reach=pl.col("to_utc").cum_max())
    apart = pl.col("from_utc") > pl.col("reach").shift(1) + timedelta(days=1)
    groups = ordered.group_by(
        apart.fill_null(value=True).cum_sum().alias("group"), maintain_order=True
    )
    return (
        groups.agg(pl.col("from_utc").min() - NEAR, pl.col("to_utc").max() + NEAR)
        .drop("group")
        .rows()
    )


_EVERYTHING = """
CREATE OR REPLACE TEMP TABLE _spans AS SELECT min(a) AS a, max(b) AS b FROM (
  SELECT min(plugged_at_utc) AS a, max(plugged_at_utc) AS b FROM core_plug_in
  UNION ALL SELECT min(at_utc), max(at_utc) FROM raw_charging)
"""
_WIDENED = """
CREATE OR REPLACE TEMP TABLE _spans AS
SELECT least(m.a, min(p.plugged_at_utc)) AS a, m.b FROM _merged m LEFT JOIN core_plug_in p
  ON p.plugged_at_utc < m.b AND p.plugged_at_utc >= m.a - $reach AND coalesce(p.unplugged_at_utc, p.seen_utc) >= m.a
GROUP BY m.a, m.b
"""
_PIECES = """
SELECT min(plugged_at_utc), max(plugged_at_utc) FROM (
  SELECT plugged_at_utc, (row_number() OVER (ORDER BY plugged_at_utc)) // $size AS piece
  FROM core_plug_in WHERE plugged_at_utc >= $a AND plugged_at_utc < $b) GROUP BY piece ORDER BY 1
"""


def attempts_of(con: Connection, spans: pl.DataFrame | None, settings: NormaliseSettings) -> None:
    """Make core_attempt anew for the plug-ins that meet the spans, or for all of them (None)."""
    if spans is None:
        con.execute("DELETE FROM core_attempt")
        con.execute(_EVERYTHING)
    else:
        time = pl.Datetime("us", "UTC")
        con.register(
            "_merged",
            pl.DataFrame(merged(spans), schema={"a": time, "b": time}, orient="row").to_arrow(),
        )
        con.execute(_WIDENED, {"reach": REACH})
        con.unregister("_merged")
    fleet = attempt_rows.Fleet(
        read(con, "core_evse"),
        read(con, "core_vehicle"),
        read(con, "core_token"),
        read(con, "core_firmware"),
        read(con, "core_software"),
    )
    for start, end in con.execute(
        "SELECT a, b + INTERVAL 1 SECOND FROM _spans WHERE a IS NOT NULL ORDER BY a"
    ).fetchall():
        found = con.execute(_PIECES, {"a": start, "b": end, "size": PLUG_INS_AT_ONCE}).fetchall()
        edges = [start, *(first for first, _ in found[1:]), end]
        for a, b in pairwise(edges):
            piece(con, a, b, fleet, settings)


def piece(
    con: Connection,
    start: datetime,
    end: datetime,
    fleet: attempt_rows.Fleet,
    settings: NormaliseSettings,
) -> None:
    """Replace the attempts plugged in within [start, end), seen with what lies around them."""
    around = timedelta(days=settings.silence_days + 1)
    bounds = {"a": start - around, "b": end + around}
    around_it = "plugged_at_utc >= $a - $reach AND plugged_at_utc < $b AND coalesce(unplugged_at_utc, seen_utc) >= $a"
    plug_ins = bound(
        con, f"SELECT * FROM core_plug_in WHERE {around_it}", {**bounds, "reach": REACH}
    )
    charging = bound(con, "SELECT * FROM raw_charging WHERE at_utc >= $a AND at_utc < $b", bounds)
    shown = "SELECT station_id, at_utc, id_token FROM core_signal WHERE action = 'Authorize' AND evse_id IS NULL"
    cards = bound(con, f"{shown} AND at_utc >= $a AND at_utc < $b", bounds)
    made = attempt_rows.build(
        conform(plug_ins, "core_plug_in"), conform(charging, "raw_charging"), cards, fleet, settings
    )
    con.execute(
        "DELETE FROM core_attempt WHERE plugged_at_utc >= $a AND plugged_at_utc < $b",
        {"a": start, "b": end},
    )
    inside = pl.col("plugged_at_utc").is_between(start, end, closed="left")
    append(
        con,
        "core_attempt",
        made.filter(inside).select(registry().table("core_attempt").column_names),
    )
