"""Transactions of OCPP 1.6 without an id: stations write 0 or below where a start was refused or never answered,
and the answer that gives a start its id may be lost from the log.

Such a start and its stop are paired by connector, meter and order. Source: an open OCPP stack's
issue tracker (secondary); the rule of pairing is ours.
"""

from __future__ import annotations

import polars as pl

from pipeline.core.masks import is_true
from pipeline.ocpp.predicates import is_start, is_status, is_stop
from pipeline.ocpp.vocabulary import VACANT
from pipeline.settings.energy import EnergySettings

ROUNDS = 3
"""Stops that a nearer start took look again, so often; more than three connectors rarely stop at once."""
BESIDE_S = 60.0
"""A connector says Finishing or Available this near the stop of its own transaction; practice."""
OLDEST = pl.duration(days=14)
"""A start this old is not stopped any more; decided."""


def without_ids(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows with `transaction_id` null where it is no id (0 or below); 2.0.1 ids are texts of the station's own."""
    number = pl.col("transaction_id").cast(pl.Int64, strict=False)
    none = is_true(number <= 0)
    if "version" in rows.columns:
        none &= is_true(pl.col("version") == "1.6")
    return rows.with_columns(transaction_id=pl.when(~none).then("transaction_id"))


def paired(rows: pl.DataFrame, evses: pl.DataFrame, settings: EnergySettings) -> pl.DataFrame:
    """Rows of calls in true time with `transaction_id` and `connector_id` given to starts without an id and their stops.

    A stop belongs to the latest start without an id at one of the connectors whose register can have
    risen to the stop's by then; of several the one with the same token, then the one whose connector
    says that it is over just then, then the one with the least rise, then the one that began first.
    """
    old = is_true(pl.col("version") == "1.6")
    numbered = rows.with_row_index("_row")
    starts = numbered.filter(old & is_start() & pl.col("transaction_id").is_null())
    known = numbered.filter(old & is_start()).select("station_id", "transaction_id").drop_nulls()
    stops = numbered.filter(old & is_stop()).join(
        known.unique(), on=["station_id", "transaction_id"], how="anti"
    )
    if starts.is_empty():
        return rows
    told = _named(starts, stops, matched(starts, stops, numbered.filter(old), evses, settings))
    return (
        numbered.join(told, on="_row", how="left", maintain_order="left")
        .with_columns(
            transaction_id=pl.coalesce("_transaction", "transaction_id"),
            connector_id=pl.coalesce("connector_id", "_connector"),
        )
        .drop("_row", "_transaction", "_connector")
    )


def matched(
    starts: pl.DataFrame,
    stops: pl.DataFrame,
    rows: pl.DataFrame,
    evses: pl.DataFrame,
    settings: EnergySettings,
) -> pl.DataFrame:
    """`start, stop` (row numbers): pairs that fit, each start and each stop once, the best first."""
    limits = evses.select("station_id", "connector_id", limit_kw="max_power_kw")
    connector = ["station_id", "connector_id"]
    following = (
        rows.filter(is_start())
        .sort("at_utc", maintain_order=True)
        .with_columns(_next=pl.col("at_utc").shift(-1).over(connector))
        .select("_row", "_next")
    )
    over = rows.filter(is_status() & pl.col("status").is_in([*VACANT, "Finishing"]))
    left = (
        starts.sort("at_utc")
        .join_asof(
            over.select(*connector, over_utc="at_utc").sort("over_utc"),
            left_on="at_utc",
            right_on="over_utc",
            by=connector,
            strategy="forward",
            check_sortedness=False,
        )
        .join(following, on="_row")
        .join(limits, on=connector, how="left")
    )
    met = left.join(stops, on="station_id", suffix="_stop").filter(
        (pl.col("at_utc_stop") >= pl.col("at_utc"))
        & (pl.col("at_utc_stop") - pl.col("at_utc") <= OLDEST)
        & (pl.col("_next").is_null() | (pl.col("at_utc_stop") <= pl.col("_next")))
        & (
            pl.col("connector_id_stop").is_null()
            | (pl.col("connector_id_stop") == pl.col("connector_id"))
        )
    )
    return _mutually_best(met, settings)


def _mutually_best(met: pl.DataFrame, settings: EnergySettings) -> pl.DataFrame:
    """`start, stop` of pairs that are each other's best by register, token, the connector's own word of the end, and rise."""
    hours = (pl.col("at_utc_stop") - pl.col("at_utc")).dt.total_microseconds() / 3.6e9
    rise_kwh = (pl.col("meter_wh_stop") - pl.col("meter_wh")) / 1000
    most_kwh = (
        pl.col("limit_kw").fill_null(settings.most_kw) * settings.over_rating * hours
        + settings.spare_kwh
    )
    near = (pl.col("over_utc") - pl.col("at_utc_stop")).abs() <= pl.duration(seconds=BESIDE_S)
    scored = met.select(
        start="_row",
        stop="_row_stop",
        misfit=(~is_true(rise_kwh.is_between(0, most_kwh))).cast(pl.Int8),
        other=(~is_true(pl.col("id_token_stop") == pl.col("id_token"))).cast(pl.Int8),
        apart=(~is_true(near)).cast(pl.Int8),
        rise=rise_kwh.abs().fill_null(0.0),
        since=-hours,
    ).sort("misfit", "other", "apart", "rise", "since", "stop", "start")
    taken: list[pl.DataFrame] = []
    for _ in range(ROUNDS):
        first = pl.int_range(pl.len())
        best = scored.filter((first.over("stop") == 0) & (first.over("start") == 0))
        taken.append(best.select("start", "stop"))
        scored = scored.join(best, on="start", how="anti", maintain_order="left").join(
            best, on="stop", how="anti", maintain_order="left"
        )
    return pl.concat(taken)


def _named(starts: pl.DataFrame, stops: pl.DataFrame, pairs: pl.DataFrame) -> pl.DataFrame:
    """`_row, _transaction, _connector` of starts without an id and of their stops.

    The id is the stop's own where no other stop of the station bears it: the answer to the start was
    lost, and the meter's values bear it too. Else it is made of connector and time.
    """
    once = pl.len().over("station_id", "transaction_id") == 1
    own = stops.select(stop="_row", _own=pl.when(once).then("transaction_id"))
    made = pl.format(
        "no id, connector {}, {}", "connector_id", pl.col("station_at_utc").dt.epoch("ms")
    )
    begun = (
        starts.join(pairs, left_on="_row", right_on="start", how="left", maintain_order="left")
        .join(own, on="stop", how="left", maintain_order="left")
        .select("_row", "stop", _connector="connector_id", _transaction=pl.coalesce("_own", made))
    )
    ends = begun.drop("_row").drop_nulls("stop").rename({"stop": "_row"})
    return pl.concat([begun.drop("stop"), ends.select("_row", "_connector", "_transaction")])
