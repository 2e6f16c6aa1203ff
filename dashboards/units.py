"""What the page of one vehicle or one EVSE is made of: everything known of it, as JSON.

A unit's attempts travel by columns (`t`, `at`, `outcome`, …), so that a fleet's worth stays small;
times are seconds since 1970, UTC, and the page tells them in the site's zone. Static pages read
their unit from a data file of `SHARD` units, the server hands out one unit at a time: same text.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

import polars as pl

from dashboards.markup import script_text
from dashboards.page_data import PageData, counted

Kind = Literal["vehicle", "evse"]
SHARD = 150
"""Units in one data file: about a megabyte for a fleet that plugs in daily; decided."""

_ATTEMPT: Mapping[str, pl.Expr | str] = {
    "t": pl.col("plugged_at").dt.epoch("s"),
    "supply": "supply",
    "outcome": "outcome",
    "stage": "stage",
    "s": pl.col("stage_seconds").round(1),
    "fault": "fault",
    "kwh": pl.col("energy_kwh").round(2),
    "low": pl.coalesce("pilot_low_b_v", "pilot_low_c_v").round(2),
    "high": pl.coalesce("pilot_high_b_v", "pilot_high_c_v").round(2),
    "state": pl.when(pl.col("pilot_low_b_v").is_not_null())
    .then(pl.lit("B"))
    .when(pl.col("pilot_low_c_v").is_not_null())
    .then(pl.lit("C")),
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
    partner = f"{_PARTNER[kind]}_id"
    own: dict[str, pl.Expr | str] = {"at": pl.col(partner), "p": pl.col(_SHARE[kind]).round(3)}
    columns: dict[str, pl.Expr | str] = {
        **_ATTEMPT,
        **(own if kind == "vehicle" else {**own, "model": "vehicle_model"}),
    }
    shown = _of(data, kind, only).sort("plugged_at", "attempt_id")
    shown = shown.select(pl.col(f"{kind}_id").alias("id_"), **columns)
    lists = shown.group_by("id_", maintain_order=True).agg(pl.all())
    return lists.select(pl.col("id_").alias("id"), attempts=pl.struct(pl.exclude("id_")))


def _partners(data: PageData, kind: Kind, only: pl.Series) -> pl.DataFrame:
    """id, partners: whom it met, how it went, how the partner fared with all others, the worst first."""
    unit, partner = f"{kind}_id", f"{_PARTNER[kind]}_id"
    known = counted(data.attempts).filter(pl.col("vehicle_id").is_not_null())
    whole = known.group_by(partner).agg(all_n=pl.len(), all_failed=pl.col("failed").sum())
    dc = pl.col("supply") == "DC"
    pairs = (
        known.filter(pl.col(unit).is_in(only.implode()))
        .group_by(unit, partner)
        .agg(
            n=pl.len(),
            failed=pl.col("failed").sum(),
            dc=dc.any(),
            low=pl.col("pilot_low_b_v").median().round(2),
            high=pl.col("pilot_high_b_v").median().round(2),
            last=pl.col("plugged_at").max().dt.epoch("s"),
        )
        .join(whole, on=partner, how="left")
        .with_columns(
            others_n=pl.col("all_n") - pl.col("n"),
            others_failed=pl.col("all_failed") - pl.col("failed"),
        )
        .sort(unit, "failed", "n", partner, descending=[False, True, True, False])
    )
    row = pl.struct(
        pl.col(partner).alias("id"),
        "n",
        "failed",
        "dc",
        "low",
        "high",
        "last",
        "others_n",
        "others_failed",
    )
    return pairs.group_by(pl.col(unit).alias("id"), maintain_order=True).agg(partners=row)


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
    """The texts of units, `SHARD` to a file, as script: a call of `whichside.units` with the list."""
    listed = [script_text(text) for text in texts["text"]]
    groups = [listed[at : at + SHARD] for at in range(0, len(listed), SHARD)]
    return ["whichside.units([\n" + ",\n".join(group) + "\n]);\n" for group in groups]


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
