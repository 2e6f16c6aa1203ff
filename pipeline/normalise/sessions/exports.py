"""Finished-session exports: one row is one plug-in, told afterwards."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta

import polars as pl

from pipeline.core.overlap import meeting
from pipeline.normalise.clocks.eras import CHANGE_ERROR_S
from pipeline.normalise.signals import codes

EXPORT_ERROR_S = 60.0
"""Exports are often written to the minute; common practice, no source."""


def build(raw: pl.DataFrame, own: Mapping[str, str]) -> pl.DataFrame:
    """Spans of exported sessions with what they tell: columns as `plugins.spans`, and the export's
    own facts.

    Sessions that begin at the same instant at one EVSE are told apart by `kept_apart`; rule
    `exported_start_twice` tells where they overlap.
    """
    coded = codes.with_fault(raw.drop("fault"), "fault_raw", "vendor_code", own, "listed")
    coded = codes.with_fault(coded, "stop_reason", "ocpp16_stop_reason", own, "stop")
    mapped = raw.select("file_id", "line", mapped="fault")
    timed = coded.join(mapped, on=["file_id", "line"], maintain_order="left").filter(
        pl.col("plugged_at_utc").is_not_null()
    )
    doubt = pl.col("time_doubt").is_not_null()
    here = pl.format("{}:{}", "file_id", "line")
    told = timed.select(
        "evse_id",
        from_utc="plugged_at_utc",
        to_utc="unplugged_at_utc",
        seen_utc=pl.coalesce("unplugged_at_utc", "plugged_at_utc"),
        error_s=pl.when(doubt).then(pl.lit(CHANGE_ERROR_S)).otherwise(pl.lit(EXPORT_ERROR_S)),
        began=here,
        ended=here,
        sudden=pl.lit(value=False),
        time_doubt="time_doubt",
        export_token="id_token",  # noqa: S106 a column
        export_vehicle="vehicle_id",
        export_kwh="energy_kwh",
        export_stop="stop_reason",
        export_fault=pl.coalesce("mapped", "listed", "stop"),
        export_raw="fault_raw",
        export_trouble=pl.col("mapped").is_not_null()
        | pl.col("listed_trouble")
        | pl.col("stop").is_not_null(),
    )
    return kept_apart(told.with_columns(timed["session_id"])).drop("session_id")


def kept_apart(told: pl.DataFrame) -> pl.DataFrame:
    """Spans of sessions, one a session, where several begin at the same instant at one EVSE.

    A session told again is one: by its id, or with the same card and, to the minute exports are often written to, the same
    end; the record that ends last counts. Others are different sessions (a first try and its retry), however short: each begins
    a microsecond after the one before, so that none is lost and their order stands.
    """
    start = ["evse_id", "from_utc"]
    rows = told.sort(*start, "to_utc", "began", nulls_last=[False, False, False, False])

    def differs(name: str) -> pl.Expr:
        """Whether both this row and the one before say who, and not the same."""
        return (pl.col(name) != pl.col(name).shift(1).over(start)).fill_null(value=False)

    step_s = (pl.col("to_utc") - pl.col("to_utc").shift(1).over(start)).dt.total_microseconds()
    ends_later = (step_s / 1e6 >= EXPORT_ERROR_S).fill_null(value=False)
    same_id = (pl.col("session_id") == pl.col("session_id").shift(1).over(start)).fill_null(
        value=False
    )
    who = differs("session_id") | differs("export_token") | differs("export_vehicle")
    rows = rows.with_columns(_new=(who | ends_later) & ~same_id)
    rows = rows.with_columns(_nth=pl.col("_new").cast(pl.Int64).cum_sum().over(start))
    one_each = rows.unique([*start, "_nth"], keep="last", maintain_order=True)
    return one_each.with_columns(
        from_utc=pl.col("from_utc") + pl.duration(microseconds="_nth")
    ).drop("_new", "_nth")


def matched(plug_ins: pl.DataFrame, told: pl.DataFrame) -> pl.DataFrame:
    """Each plug-in's exported session: the one that made it, else the one that overlaps it longest.

    With the `export_*` facts.
    """
    end = pl.coalesce("to_utc", "seen_utc")
    slack = timedelta(seconds=EXPORT_ERROR_S)
    first, last = (
        pl.min_horizontal("from_utc", end),
        pl.max_horizontal("from_utc", end),
    )  # an export may end before it began
    left = plug_ins.select("plug_in", "evse_id", made_by="began", a=first, b=last)
    right = told.with_columns(c=first, d=last)
    met = meeting(
        left,
        right,
        "evse_id",
        ((pl.col("a"), pl.col("b")), (pl.col("c") - slack, pl.col("d") + slack)),
    )
    met = met.with_columns(overlap=pl.min_horizontal("b", "d") - pl.max_horizontal("a", "c"))
    own = pl.col("made_by") == pl.col("began")
    best = met.sort(
        own, "overlap", "began", "plug_in", descending=[True, True, False, False]
    ).unique("began", keep="first", maintain_order=True)
    best = best.unique("plug_in", keep="first", maintain_order=True)
    return best.select("plug_in", "time_doubt", pl.col("^export_.*$"), told_at="began")
