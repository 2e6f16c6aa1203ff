"""The page of a vehicle or an EVSE: one page for all of a kind, which its script fills from a unit's data."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

import polars as pl
from markupsafe import Markup

from dashboards import costs, driver, unit_charts
from dashboards.markup import environment, json_block, script_text
from dashboards.page_data import PageData
from dashboards.reader import Reader
from dashboards.reasons import told_reason
from dashboards.units import Kind, ids, index_rows, shards, unit_texts
from dashboards.words import EVSE_CAUTIONS, caution
from pipeline.core.weeks import LookBack, week_end
from pipeline.publish.addresses import SHEET, pack_folder
from pipeline.publish.evse_checks import checks
from pipeline.publish.evse_sheet import CALLED, SHEETS


def sheet_links(data: PageData) -> dict[str, str]:
    """Address of the printed sheet of each EVSE that has one: those called faulty or watched."""
    called = data.evses.filter(pl.col("call").is_in(CALLED))["evse_id"]
    return {evse: f"{SHEETS}/{pack_folder(evse)}/{SHEET}" for evse in called}


def render(data: PageData, reader: Reader, kind: Kind, frame: dict[str, Any]) -> str:
    """The page as HTML for the address to name the unit."""
    return environment().get_template("unit.html.j2").render(**view(data, reader, kind, frame))


def view(
    data: PageData, reader: Reader, kind: Kind, frame: dict[str, Any], unit: str | None = None
) -> dict[str, Any]:
    """What the unit template needs: with one unit's data in it where it is named."""
    begin, end = _span(data)
    own = None
    if unit is not None:
        own = texts(data, reader, kind, pl.Series([unit]))["text"].item()
    return {
        **frame,
        "frame": {**frame["frame"], "weeks": _earlier(reader, kind, data.week)},
        "title": reader.t(f"unit.{kind}"),
        "kind": kind,
        "specs": {
            "timeline": unit_charts.timeline(reader.t, begin, end),
            "levels": unit_charts.levels(reader.t, begin, end),
        },
        "unit": None if own is None else Markup(script_text(own)),  # noqa: S704 - JSON, made safe
    }


def _earlier(reader: Reader, kind: Kind, week: str) -> dict[str, str]:
    """Week → what comes before a unit's id in the address of its page in that week."""
    prefix = getattr(reader.units, kind)
    if prefix is None:
        return {}
    return {
        name: prefix if name == week else reader.unit_in_week(kind, name) for name in reader.weeks
    }


def _span(data: PageData) -> tuple[datetime, datetime]:
    """The days a unit's charts show: from the first attempt of the look-back to the week's end."""
    end = week_end(data.week)
    first = data.attempts["plugged_at"].min()
    begin = first if isinstance(first, datetime) else LookBack.of(data.week, 1).from_utc
    return begin.replace(hour=0, minute=0, second=0, microsecond=0), end


def texts(data: PageData, reader: Reader, kind: Kind, only: pl.Series) -> pl.DataFrame:
    """id, text: the data of units with what is said of them in the reader's language."""
    return unit_texts(data, kind, only, _said(data, reader, kind, only))


def _said(data: PageData, reader: Reader, kind: Kind, only: pl.Series) -> pl.DataFrame:
    """id, cost, driver, links, checks, reason_told of each unit."""
    called = data.vehicles if kind == "vehicle" else data.evses
    rows = {row[f"{kind}_id"]: row for row in called.to_dicts()}
    told = driver.notes(reader.t, data) if kind == "vehicle" else {}
    said = [
        {
            "id": unit,
            "cost": costs.against(reader.t, rows[unit], data, kind) if unit in rows else None,
            "driver": told.get(unit),
            "links": _links(reader, kind, unit),
            "checks": _checks(rows.get(unit), reader.t.code) if kind == "evse" else None,
            "reason_told": _reason(rows[unit]["reason"], reader.t.code) if unit in rows else None,
        }
        for unit in only
    ]
    text = pl.List(pl.String)
    steps = pl.Struct({"why": pl.String, "steps": text, "source": pl.String, "cautions": text})
    link = pl.List(pl.Struct({"name": pl.String, "address": pl.String}))
    schema: dict[str, Any] = {
        "id": pl.String,
        "cost": pl.String,
        "driver": text,
        "links": link,
        "checks": steps,
        "reason_told": pl.Struct({"text": pl.String, "language": pl.String}),
    }
    return pl.DataFrame(said, schema=schema)


def _reason(reason: str, language: str) -> dict[str, str] | None:
    """The reason in the pages' language; None where that is the tables' own."""
    text, told_in = told_reason(reason, language)
    return None if told_in == "en" else {"text": text, "language": told_in}


def _checks(row: Mapping[str, Any] | None, language: str) -> dict[str, Any] | None:
    """What an electrician checks at a called EVSE."""
    if row is None or row["call"] not in CALLED:
        return None
    told = checks(row["suspect"])
    return {
        "why": told.why,
        "steps": list(told.steps),
        "source": told.source,
        "cautions": [caution(line, language) for line in EVSE_CAUTIONS],
    }


def _links(reader: Reader, kind: Kind, unit: str) -> list[dict[str, str]]:
    named = (
        (("unit.evidence", reader.packs), ("unit.bench", reader.benches))
        if kind == "vehicle"
        else (("unit.sheet", reader.sheets), ("unit.work", reader.works))
    )
    return [
        {"name": name, "address": addresses[unit]} for name, addresses in named if unit in addresses
    ]


def write_data(assets: Path, data: PageData, reader: Reader) -> None:
    """The data files of a static week: the index of every unit, and each kind's units by `SHARD`."""
    (assets / "index.js").write_text(index_script(data), encoding="utf-8")
    kinds: tuple[Kind, Kind] = ("vehicle", "evse")
    for kind in kinds:
        for number, text in enumerate(shards(texts(data, reader, kind, ids(data, kind)))):
            (assets / f"{kind}s-{number}.js").write_text(text, encoding="utf-8")


def index_script(data: PageData) -> str:
    """The index of every unit as script."""
    return f"whichside.indexed({json_block(index_rows(data))});\n"
