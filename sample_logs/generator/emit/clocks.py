"""Stations' clocks, reboots and times without a connection.

A clock is a run of segments: from `true_ms` on, station time is `station_ms` plus the true time
gone by, stretched by the drift. All loops here are over stations and their few segments.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from sample_logs.generator.models import FIRMWARES
from sample_logs.generator.spec import DAY_S
from sample_logs.generator.world import World

DAY_MS = int(DAY_S * 1000)
HOUR_MS = 3_600_000
EPOCHS_MS = (0, 946_684_800_000)
"""Where a clock without a battery starts: 1970-01-01 or 2000-01-01."""
JUMPS_MS = (HOUR_MS, -HOUR_MS, 2 * HOUR_MS, 37 * 60_000, -11 * 60_000, DAY_MS)


@dataclass(frozen=True)
class Stations:
    """Frames of what befalls stations.

    `clock`: station_id, true_ms, station_ms, drift; `boots`: station_id, true_ms, firmware, cause;
    `offline`: station_id, off_ms, on_ms; `stations`: station_id, version, pilot, export.
    """

    clock: pl.DataFrame
    boots: pl.DataFrame
    offline: pl.DataFrame
    stations: pl.DataFrame


def _one_clock(
    rng: np.random.Generator, span: tuple[int, int], boots: list[int], dirt: float
) -> list[tuple[int, int, float]]:
    """Segments of one station's clock."""
    begin, end = span
    drift = 1.0 + rng.normal(0.0, 2.5) * dirt / DAY_S
    syncs = rng.random() < 0.6
    marks: list[tuple[int, str]] = [(begin - DAY_MS, "start")]
    if syncs:
        marks += [
            (begin + int((d + 0.13) * DAY_MS), "sync") for d in range((end - begin) // DAY_MS)
        ]
    if rng.random() < 0.25 * dirt:
        marks.append((int(rng.uniform(begin, end)), "jump"))
    marks += [(b, "boot") for b in boots]
    out: list[tuple[int, int, float]] = []
    for true_ms, kind in sorted(marks):
        now = true_ms if not out else int(out[-1][1] + (true_ms - out[-1][0]) * out[-1][2])
        if kind == "start":
            out.append((true_ms, true_ms + int(rng.normal(0.0, 8000.0) * dirt), drift))
        elif kind == "sync":
            out.append((true_ms, true_ms + int(rng.uniform(-400, 400)), drift))
        elif kind == "jump":
            out.append((true_ms, now + int(rng.choice(JUMPS_MS)), drift))
        elif rng.random() < 0.5 * dirt:
            lost_ms = int(rng.choice([4_000, 15_000, HOUR_MS * rng.uniform(1, 9)]))
            out.append((true_ms, int(rng.choice(EPOCHS_MS)) + 20_000, drift))
            out.append((true_ms + lost_ms, true_ms + lost_ms + int(rng.uniform(-400, 400)), drift))
        else:
            out.append((true_ms, now, drift))
    return sorted(out)


def _boots(rng: np.random.Generator, span: tuple[int, int], dirt: float) -> list[int]:
    """Reboots that no one asked for, about one in three weeks."""
    days = (span[1] - span[0]) / DAY_MS
    n = rng.poisson(0.045 * days * dirt)
    return sorted(int(x) for x in rng.uniform(span[0] + HOUR_MS, span[1], n))


def _sources(rng: np.random.Generator, world: World) -> pl.DataFrame:
    """How each station's attempts are known: frames of one version, pilot rows, or an export."""
    per = world.evses.with_columns(logs=pl.Series(world.fleet.logs_pilot)).group_by(
        "station_id", maintain_order=True
    )
    stations = per.agg(pl.col("site_id").first(), pilot=pl.col("logs").any())
    sites = stations["site_id"].unique(maintain_order=True).to_list()
    some = max(1, len(sites) // 6) if len(sites) > 1 else 0
    exports = [sites[i] for i in rng.choice(len(sites), some, replace=False)]
    newer = pl.Series(rng.random(stations.height) < 0.4)
    export = pl.col("site_id").is_in(exports)
    return stations.with_columns(
        export=export,
        version=pl.when(newer).then(pl.lit("2.0.1")).otherwise(pl.lit("1.6")),
        pilot=pl.col("pilot") & ~export,
    ).drop("site_id")


def draw_stations(world: World, dirt: float) -> Stations:
    """Draw clocks, reboots, connections and sources of all stations."""
    rng = world.spec.rng("stations")
    begin = int(world.spec.start.timestamp() * 1000)
    span = (begin, begin + world.spec.days * DAY_MS)
    stations = _sources(rng, world)
    first = world.evses.with_row_index("row").group_by("station_id", maintain_order=True).first()
    clock, boots, offline = [], [], []
    for station, row in first.select("station_id", "row").iter_rows():
        updated = begin + world.fleet.firmware_at_s[row] * 1000
        unasked = _boots(rng, span, dirt)
        old, new = (
            FIRMWARES[f[row]] for f in (world.fleet.firmware_first, world.fleet.firmware_then)
        )
        started = [(begin + int(rng.uniform(1_000, 900_000)), "start")]
        if np.isfinite(updated):
            started.append((int(updated), "update"))
        for when, cause in sorted([*started, *((b, "reboot") for b in unasked)]):
            boots.append((station, when, new if when >= updated else old, cause))
        clock += [(station, *segment) for segment in _one_clock(rng, span, unasked, dirt)]
        for _ in range(rng.poisson(0.03 * world.spec.days * dirt)):
            off = int(rng.uniform(*span))
            offline.append((station, off, off + int(rng.gamma(1.5, 2.5) * HOUR_MS) + 120_000))
    return Stations(
        clock=pl.DataFrame(
            clock,
            schema={
                "station_id": pl.String,
                "true_ms": pl.Int64,
                "station_ms": pl.Int64,
                "drift": pl.Float64,
            },
            orient="row",
        ).sort("station_id", "true_ms"),
        boots=pl.DataFrame(
            boots,
            schema={
                "station_id": pl.String,
                "t_ms": pl.Int64,
                "firmware": pl.String,
                "cause": pl.String,
            },
            orient="row",
        ),
        offline=pl.DataFrame(
            offline,
            schema={"station_id": pl.String, "off_ms": pl.Int64, "on_ms": pl.Int64},
            orient="row",
        ).sort("station_id", "off_ms"),
        stations=stations,
    )


def with_station_time(frame: pl.DataFrame, clock: pl.DataFrame) -> pl.DataFrame:
    """Add `station_ms`, the station's own clock at true time `t_ms`."""
    joined = frame.sort("t_ms").join_asof(
        clock.rename({"station_ms": "segment_ms"}).sort("true_ms"),
        left_on="t_ms",
        right_on="true_ms",
        by="station_id",
        check_sortedness=False,
    )
    gone = ((pl.col("t_ms") - pl.col("true_ms")) * pl.col("drift")).round().cast(pl.Int64)
    return joined.with_columns(station_ms=pl.col("segment_ms") + gone).drop(
        "segment_ms", "true_ms", "drift"
    )


def with_offline(frame: pl.DataFrame, offline: pl.DataFrame) -> pl.DataFrame:
    """Add `back_ms`.

    When the station was connected again, null where it was connected at `t_ms`.
    """
    joined = frame.sort("t_ms").join_asof(
        offline.sort("off_ms"),
        left_on="t_ms",
        right_on="off_ms",
        by="station_id",
        check_sortedness=False,
    )
    away = pl.col("t_ms") < pl.col("on_ms")
    return joined.with_columns(back_ms=pl.when(away).then("on_ms")).drop(
        "on_ms", "off_ms", strict=False
    )


def stamp(ms: str) -> pl.Expr:
    """Epoch milliseconds as ISO 8601 UTC with `Z`."""
    return pl.from_epoch(pl.col(ms), time_unit="ms").dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ")
