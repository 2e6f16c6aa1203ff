"""core_attempt from core_plug_in, span by span.

Only where a plug-in, a vehicle's report, a firmware or a list changed.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import pairwise

import polars as pl

from pipeline.normalise.attempts import attempt_rows
from pipeline.normalise.incremental import names
from pipeline.normalise.incremental.windows import REACH
from pipeline.registry import conform, registry
from pipeline.settings.normalise import NormaliseSettings
from pipeline.storage.warehouse import Connection, append, query, read, statement

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
    spans = {
        "silence": timedelta(days=settings.silence_days),
        "slack": timedelta(seconds=settings.telematics_slack_s),
    }
    return query(con, statement(__file__, "reported").format(fresh=fresh), spans)


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


def attempts_of(con: Connection, spans: pl.DataFrame | None, settings: NormaliseSettings) -> None:
    """Make core_attempt again for the plug-ins that meet the spans, or for all of them (None)."""
    if spans is None:
        con.execute("DELETE FROM core_attempt")
        con.execute(statement(__file__, "everything"))
    else:
        time = pl.Datetime("us", "UTC")
        con.register(
            "_merged",
            pl.DataFrame(merged(spans), schema={"a": time, "b": time}, orient="row").to_arrow(),
        )
        con.execute(statement(__file__, "widened"), {"reach": REACH})
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
        found = con.execute(
            statement(__file__, "pieces"), {"a": start, "b": end, "size": PLUG_INS_AT_ONCE}
        ).fetchall()
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
    made = _made(con, start, end, fleet, settings)
    con.execute(
        "DELETE FROM core_attempt WHERE plugged_at_utc >= $a AND plugged_at_utc < $b",
        {"a": start, "b": end},
    )
    append(con, "core_attempt", made)


def _made(
    con: Connection,
    start: datetime,
    end: datetime,
    fleet: attempt_rows.Fleet,
    settings: NormaliseSettings,
) -> pl.DataFrame:
    """core_attempt within [start, end); what it is made from is let go before it is put."""
    around = timedelta(days=settings.silence_days + 1)
    bounds = {"a": start - around, "b": end + around}
    around_it = "plugged_at_utc >= $a - $reach AND plugged_at_utc < $b AND coalesce(unplugged_at_utc, seen_utc) >= $a"
    plug_ins = query(
        con, f"SELECT * FROM core_plug_in WHERE {around_it}", {**bounds, "reach": REACH}
    )
    charging = query(con, "SELECT * FROM raw_charging WHERE at_utc >= $a AND at_utc < $b", bounds)
    shown = "SELECT station_id, at_utc, id_token FROM core_signal WHERE action = 'Authorize' AND evse_id IS NULL"
    cards = query(con, f"{shown} AND at_utc >= $a AND at_utc < $b", bounds)
    told = names.numbered(conform(charging, "raw_charging"), names.kinds([charging]))
    inside = pl.col("plugged_at_utc").is_between(start, end, closed="left")
    known = conform(plug_ins, "core_plug_in")
    made = attempt_rows.build(known, told, cards, fleet, settings, inside)
    return made.select(registry().table("core_attempt").column_names)
