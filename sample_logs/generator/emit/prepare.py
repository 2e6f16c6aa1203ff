"""Attempts made ready for writing.

Who held which card, meter registers, transactions, times in ms.
"""

from __future__ import annotations

import polars as pl

from sample_logs.generator.emit.clocks import DAY_MS, HOUR_MS, Stations
from sample_logs.generator.world import World


def draw_tokens(world: World) -> pl.DataFrame:
    """Cards by vehicle: id_token, vehicle_id, from_ms, to_ms (null: open), `told_to_ms` as filed.

    Some pairs of vehicles exchange their cards; one such change is filed with an overlap.
    """
    rng = world.spec.rng("tokens")
    n = world.vehicles.height
    begin = int(world.spec.start.timestamp() * 1000) - 30 * DAY_MS
    cards = [f"CARD{10_000 + i * 7:06d}" for i in rng.permutation(n)]
    ids = world.vehicles["vehicle_id"].to_list()
    pairs = max(1, n // 25) if n > 1 else 0
    order = rng.permutation(n)
    rows: list[tuple[str, str, int, int | None, int | None]] = []
    swapped = set(order[: 2 * pairs].tolist())
    rows += [(cards[i], ids[i], begin, None, None) for i in range(n) if i not in swapped]
    for p in range(pairs):
        a, b = order[2 * p], order[2 * p + 1]
        change = (
            begin
            + 30 * DAY_MS
            + int(rng.uniform(0.2, 0.8) * world.spec.days) * DAY_MS
            + 5 * HOUR_MS
        )
        late = change + DAY_MS if p == 0 else change
        rows += [(cards[a], ids[a], begin, change, late), (cards[b], ids[b], begin, change, change)]
        rows += [(cards[a], ids[b], change, None, None), (cards[b], ids[a], change, None, None)]
    schema = {
        "id_token": pl.String,
        "vehicle_id": pl.String,
        "from_ms": pl.Int64,
        "to_ms": pl.Int64,
        "told_to_ms": pl.Int64,
    }
    return pl.DataFrame(rows, schema=schema, orient="row").sort("vehicle_id", "from_ms")


def prepared(world: World, stations: Stations, tokens: pl.DataFrame) -> pl.DataFrame:
    """Attempts with card, station, registers and transaction number; one row an attempt."""
    rng = world.spec.rng("prepare")
    base = world.attempts.join(
        world.evses.with_row_index("evse_row").select(
            "evse_id",
            "evse_row",
            "station_id",
            "connector_id",
            "timezone",
            "max_current_a",
            "phases",
        ),
        on="evse_id",
    ).join(stations.stations, on="station_id")
    base = base.with_columns(
        t0_ms=pl.col("plugged_at").dt.epoch("ms"), end_ms=pl.col("unplugged_at").dt.epoch("ms")
    ).sort("t0_ms", "attempt_id")
    held = base.join_asof(
        tokens.drop("to_ms", "told_to_ms").sort("from_ms"),
        left_on="t0_ms",
        right_on="from_ms",
        by="vehicle_id",
        check_sortedness=False,
    ).drop("from_ms")
    held = held.with_columns(
        strange=pl.Series(rng.random(held.height) < 0.4) & (pl.col("outcome") == "declined")
    )
    held = held.with_columns(
        id_token=pl.when("strange").then(pl.lit("VISITOR77")).otherwise("id_token"),
        energy_wh=(pl.col("energy_kwh") * 1000).round().cast(pl.Int64),
        u=pl.Series(rng.random(held.height)),
    )
    start = pl.col("energy_wh").cum_sum().over("evse_id") - pl.col("energy_wh")
    opening = (pl.col("evse_row").cast(pl.Int64) * 791_933) % 4_000_000
    return held.with_columns(
        tx=pl.int_range(1, pl.len() + 1) + 70_000,
        meter_start=start + opening,
        meter_stop=start + opening + pl.col("energy_wh"),
        left_s=(pl.col("end_ms") - pl.col("t0_ms")) / 1000.0,
        token_conflict=_in_conflict(tokens),
    )


def _in_conflict(tokens: pl.DataFrame) -> pl.Expr:
    """Whether the card was, by the files, two vehicles' at that time."""
    both = tokens.filter(pl.col("told_to_ms") > pl.col("to_ms"))
    out = pl.lit(value=False)
    for card, begin, end in both.select("id_token", "to_ms", "told_to_ms").iter_rows():
        out = out | (
            (pl.col("id_token") == card) & (pl.col("t0_ms") >= begin) & (pl.col("t0_ms") < end)
        )
    return out
