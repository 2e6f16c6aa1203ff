"""What the page of one vehicle or one EVSE is made of: everything known of it, as JSON.

A unit's attempts travel by columns (`t`, `at`, `outcome`, …), only those its page shows and only where
there is something: words as places in the unit's own list of them (`words`), times as seconds since
1970, UTC, each from the one before. The page tells them in the site's zone. Static pages read their
unit from a data file of `SHARD` units, deflated, which a page opened from disk can read too; the
server hands out one unit at a time: same text.
"""

from __future__ import annotations

import base64
import zlib
from collections.abc import Mapping
from typing import Any, Literal

import polars as pl

from dashboards.page_data import PageData, counted

Kind = Literal["vehicle", "evse"]
SHARD = 150
"""Units in one data file: some hundred kilobytes for a fleet that plugs in daily; decided."""
DEFLATED = 4
"""zlib's level: half the time of its usual 6 for a tenth more bytes (measured); decided."""

_WORDS: Mapping[str, pl.Expr] = {
    "outcome": pl.col("outcome"),
    "stage": pl.col("stage"),
    "fault": pl.col("fault"),
    "state": pl.when(pl.col("pilot_low_b_v").is_not_null())
    .then(pl.lit("B"))
    .when(pl.col("pilot_low_c_v").is_not_null())
    .then(pl.lit("C")),
}
_FIGURES: Mapping[str, pl.Expr] = {
    "s": pl.col("stage_seconds").round().cast(pl.Int64),
    "kwh": pl.col("energy_kwh").round(1),
    "low": pl.coalesce("pilot_low_b_v", "pilot_low_c_v").round(2),
}
_SHARE = {"vehicle": "p_vehicle", "evse": "p_evse"}
_PARTNER: Mapping[Kind, Kind] = {"vehicle": "evse", "evse": "vehicle"}


def ids(data: PageData, kind: Kind) -> pl.Series:
    """Every unit of a kind that the week knows: called ones, listed ones, those with an attempt."""
    called, about = (
        (data.vehicles, data.about_vehicles)
        if kind == "vehicle"
        else (data.evses, data.about_evses)
    )
    name = f"{kind}_id"
    parts = [frame[name].drop_nulls() for frame in (called, about, data.attempts)]
    return pl.concat(parts).unique().sort()


def unit_texts(
    data: PageData, kind: Kind, only: pl.Series, said: pl.DataFrame | None = None
) -> pl.DataFrame:
    """id, text: each of the units as one JSON object, sorted by id.

    said: id and further columns: what is said of the unit in the reader's language.
    """
    name = f"{kind}_id"
    base = pl.DataFrame({"id": only.unique().sort()})
    facts = _facts(data, kind).rename({name: "id"})
    parts = [
        facts,
        _attempts(data, kind, only),
        _partners(data, kind, only),
        _marks(data, kind),
        _weeks(data, kind),
        *([_decisions(data)] if kind == "vehicle" else []),
        *_extra(data, kind),
    ]
    if said is not None:
        parts.append(said)
    for part in parts:
        base = base.join(part, on="id", how="left", maintain_order="left")
    moments = pl.col(pl.Datetime("us", "UTC")).dt.epoch("s")
    whole = base.with_columns(moments, kind=pl.lit(kind))
    return whole.select("id", text=pl.struct(pl.all()).struct.json_encode())


def _facts(data: PageData, kind: Kind) -> pl.DataFrame:
    """The unit's row of the week's table and of the fleet's list."""
    if kind == "vehicle":
        models = data.attempts.group_by("vehicle_id").agg(
            seen_model=pl.col("vehicle_model").drop_nulls().last()
        )
        whole = data.vehicles.join(
            data.about_vehicles, on="vehicle_id", how="full", coalesce=True
        ).join(models, on="vehicle_id", how="left")
        return whole.with_columns(model=pl.coalesce("vehicle_model", "seen_model")).drop(
            "vehicle_model", "seen_model"
        )
    about = data.about_evses.rename({"site_id": "listed_site"})
    called = data.evses.rename({"attempts": "attempts_counted"})
    whole = called.join(about, on="evse_id", how="full", coalesce=True)
    return whole.with_columns(site_id=pl.coalesce("site_id", "listed_site")).drop("listed_site")


def _of(data: PageData, kind: Kind, only: pl.Series) -> pl.DataFrame:
    return data.attempts.filter(pl.col(f"{kind}_id").is_in(only.implode()))


def _attempts(data: PageData, kind: Kind, only: pl.Series) -> pl.DataFrame:
    """id, attempts: a struct of lists, oldest first; `at` is the partner, `p` the unit's share."""
    words = {"at": pl.col(f"{_PARTNER[kind]}_id"), **_WORDS}
    figures = {"p": pl.col(_SHARE[kind]).round(3), **_FIGURES}
    shown = _of(data, kind, only).sort("plugged_at", "attempt_id")
    shown = shown.select(
        pl.col(f"{kind}_id").alias("id"),
        pl.col("plugged_at").dt.epoch("s").alias("t"),
        **words,
        **figures,
    )
    place = [pl.col(name).rank("dense").over("id").cast(pl.Int64) - 1 for name in words]
    listed = shown.group_by("id").agg(pl.col(name).drop_nulls().unique().sort() for name in words)
    since = pl.col("t").diff().over("id").fill_null(pl.col("t"))
    lists = shown.with_columns(since, *place).group_by("id", maintain_order=True).agg(pl.all())
    told = [
        pl.when(pl.col(name).list.drop_nulls().list.len() > 0).then(name)
        for name in (*words, *figures)
    ]
    named = listed.select("id", words=pl.struct(pl.exclude("id")))
    return lists.join(named, on="id").select("id", attempts=pl.struct("t", *told, "words"))


def _partners(data: PageData, kind: Kind, only: pl.Series) -> pl.DataFrame:
    """id, partners: whom it met, how it went, how the partner fared with all others, the worst first: a struct of lists.

    `low`, `high`: median levels in B2, V; at a called unit since its onset, so that no median lies between before and since.
    """
    unit, partner = f"{kind}_id", f"{_PARTNER[kind]}_id"
    known = counted(data.attempts).filter(pl.col("vehicle_id").is_not_null())
    whole = known.group_by(partner).agg(all_n=pl.len(), all_failed=pl.col("failed").sum())
    onset = (data.vehicles if kind == "vehicle" else data.evses).select(unit, "onset")
    mine = known.filter(pl.col(unit).is_in(only.implode())).join(onset, on=unit, how="left")
    since = (pl.col("plugged_at") >= pl.col("onset")).fill_null(value=True)
    pairs = (
        mine.group_by(unit, partner)
        .agg(
            n=pl.len(),
            failed=pl.col("failed").sum(),
            low=pl.col("pilot_low_b_v").filter(since).median().round(2),
            high=pl.col("pilot_high_b_v").filter(since).median().round(2),
        )
        .join(whole, on=partner, how="left")
        .with_columns(
            others_n=pl.col("all_n") - pl.col("n"),
            others_failed=pl.col("all_failed") - pl.col("failed"),
        )
        .sort(unit, "failed", "n", partner, descending=[False, True, True, False])
    )
    lists = pairs.group_by(pl.col(unit).alias("id"), maintain_order=True).agg(
        pl.col(partner).alias("at"), "n", "failed", "low", "high", "others_n", "others_failed"
    )
    return lists.select("id", partners=pl.struct(pl.exclude("id")))


def _marks(data: PageData, kind: Kind) -> pl.DataFrame:
    """id, marks: what changed at the unit (firmware, software, finding, repair, work), by time."""
    mine = data.marks.filter(pl.col("unit_kind") == kind).sort("at", "mark")
    row = pl.struct(pl.col("at").dt.epoch("s").alias("t"), "mark", "words")
    return mine.group_by(pl.col("unit_id").alias("id"), maintain_order=True).agg(marks=row)


def _weeks(data: PageData, kind: Kind) -> pl.DataFrame:
    """id, weeks: its call in this week and in those published before, oldest first."""
    mine = data.calls_by_week.filter(pl.col("unit_kind") == kind).sort("week")
    row = pl.struct("week", "call", pl.col("p").round(3))
    return mine.group_by(pl.col("unit_id").alias("id"), maintain_order=True).agg(weeks=row)


def _decisions(data: PageData) -> pl.DataFrame:
    """id, decisions: what people decided, by time."""
    mine = data.decisions.sort("decided_at")
    row = pl.struct(
        pl.col("decided_at").dt.epoch("s").alias("t"), "week", "decision", "decided_by", "reason"
    )
    return mine.group_by(pl.col("vehicle_id").alias("id"), maintain_order=True).agg(decisions=row)


def _extra(data: PageData, kind: Kind) -> list[pl.DataFrame]:
    if kind == "evse":
        ranked = data.evse_suspects.sort("evse_id", "p_suspect", descending=[False, True])
        parts = pl.struct(pl.col("suspect").alias("part"), pl.col("p_suspect").round(4).alias("p"))
        proof = pl.struct(
            "finding", pl.col("repaired_at").dt.epoch("s").alias("t"), "proving", "tried", "failed", "clean_attempts"
        )  # fmt: skip
        own = pl.col("evse_id").alias("id")
        return [
            ranked.group_by(own, maintain_order=True).agg(parts=parts),
            data.evse_proving.select(own, proof=proof),
        ]
    tests = data.next_tests.sort("vehicle_id", "expected_bits", descending=[False, True])
    row = pl.struct(pl.col("evse_id").alias("at"), "decides", "reason")
    return [tests.group_by(pl.col("vehicle_id").alias("id"), maintain_order=True).agg(tests=row)]


def shards(texts: pl.DataFrame) -> list[str]:
    """The texts of units, `SHARD` to a file, as script: a call of `whichside.packed` with the list, deflated, in base 64.

    So a browser reads it from disk, and nothing of a log can end the script.
    """
    groups = [texts["text"][at : at + SHARD] for at in range(0, texts.height, SHARD)]
    return [f'whichside.packed("{_packed(group)}");\n' for group in groups]


def _packed(texts: pl.Series) -> str:
    whole = "[" + ",".join(texts) + "]"
    return base64.b64encode(zlib.compress(whole.encode(), DEFLATED)).decode()


def index_rows(data: PageData) -> list[list[Any]]:
    """kind, id, call, plate, VIN, more: every unit as the search knows it, in the order of the data files."""
    vehicles = pl.DataFrame({"vehicle_id": ids(data, "vehicle")}).join(
        _facts(data, "vehicle"), on="vehicle_id", how="left", maintain_order="left"
    )
    evses = pl.DataFrame({"evse_id": ids(data, "evse")}).join(
        _facts(data, "evse"), on="evse_id", how="left", maintain_order="left"
    )
    columns = (
        vehicles.select(
            pl.lit("vehicle").alias("kind"), "vehicle_id", "call", "plate", "vin", "model"
        ),
        evses.select(
            pl.lit("evse").alias("kind"),
            "evse_id",
            "call",
            pl.lit(None, pl.String).alias("plate"),
            pl.lit(None, pl.String).alias("vin"),
            "site_id",
        ),
    )
    return [list(row) for frame in columns for row in frame.rows()]
