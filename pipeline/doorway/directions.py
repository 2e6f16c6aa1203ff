"""Which way a frame went, where no word says it: a call by its action, an answer by the call it answers."""

from __future__ import annotations

from dataclasses import dataclass, field

import polars as pl

from pipeline.ocpp.actions import STATION_ACTIONS

# Calls kept in mind for answers in a later block.
_CALLS_KEPT = 50_000
# What only a central system answers: the time, what it holds of a token, nothing at all. OCPP 1.6 and 2.0.1, published schemas.
_CENTRAL_ANSWERS = r'"(currentTime|idTagInfo|idTokenInfo|transactionId|chargingPriority|updatedPersonalMessage)"|^\s*\{\s*\}'
_FLIPPED = {"in": "out", "out": "in"}


@dataclass
class Directions:
    """Tells directions, block by block of one file."""

    _calls: pl.DataFrame = field(
        default_factory=lambda: pl.DataFrame(
            schema={
                "line": pl.Int64(),
                "station_id": pl.String(),
                "id": pl.String(),
                "way": pl.String(),
            }
        )
    )

    def told(self, rows: pl.DataFrame) -> pl.Series:
        """`way` (in, out) of rows with `line, station_id, kind, id, action, answer, way` in file order; given ways stand."""
        by_action = (
            pl.when(pl.col("action").is_in(sorted(STATION_ACTIONS)))
            .then(pl.lit("in"))
            .otherwise(pl.lit("out"))
        )
        rows = rows.with_columns(
            way=pl.coalesce("way", pl.when(pl.col("kind") == "2").then(by_action))
        )
        calls = rows.filter((pl.col("kind") == "2") & pl.col("id").is_not_null()).select(
            "line", "station_id", "id", "way"
        )
        known = pl.concat([self._calls, calls]).sort("line")
        self._calls = known.tail(_CALLS_KEPT)
        answers = rows.with_row_index("_row").sort("line")
        for strategy in ("backward", "forward"):
            near = known.select(
                "line", "station_id", "id", pl.col("way").replace(_FLIPPED).alias(strategy)
            )
            answers = answers.join_asof(
                near, on="line", by=["station_id", "id"], strategy=strategy, check_sortedness=False,
            )  # fmt: skip
        looks = (
            pl.when(pl.col("answer").str.contains(_CENTRAL_ANSWERS))
            .then(pl.lit("out"))
            .otherwise(pl.lit("in"))
        )
        return (
            answers.sort("_row")
            .select(pl.coalesce("way", "backward", "forward", looks).alias("way"))
            .to_series()
        )
