"""What the recipes of docs/how-to promise, asked of a copy of the source that followed them.

Run by test_recipes.py.
"""

from __future__ import annotations

import sys
from pathlib import Path

import polars as pl

from dashboards.page_data import PageData
from dashboards.pages import PAGES, render_page
from pipeline.cli.explain import explain
from pipeline.ingest import ingest_delivery
from pipeline.normalise import normalise
from pipeline.refer.suspects.signatures import declared
from pipeline.refer.suspects.signs import vehicle_signs
from pipeline.registry import empty, polars_schema
from pipeline.settings import Settings
from pipeline.storage.warehouse import query, writing
from pipeline.validate import validate

PAGE_FRAMES = ("vehicles", "evses", "pairings", "attempts", "rejected", "impossible", "next_tests")
FILES = {
    "weather.csv": "at,site_id,air_c\n2026-03-02T08:00:00Z,north,3.5\n2026-03-02T09:00:00Z,north,\n"
    "2026-03-02T10:00:00Z,north,80\n",
    "evses.csv": "evse_id,site_id,station_id,connector_id,evse_model,firmware,supply,connector_type,max_current_a,phases,"
    "max_power_kw,timezone\nE1,north,S1,1,Post,1,DC,cCCS2,400,3,300,UTC\n",
    "mapping.yaml": "exports:\n  - {file: done.csv, columns: {evse_id: Bay, plugged_at: From, unplugged_at: Until, "
    "energy_kwh: Energy}, timezone: UTC}\n",
    "done.csv": "Bay,From,Until,Energy\nE1,2026-03-02T08:00:00Z,2026-03-02T09:00:00Z,149\n"
    "E1,2026-03-02T10:00:00Z,2026-03-02T11:00:00Z,151\n",
}


def kind_and_rule(place: Path) -> None:
    """A file of the new kind is read, typed and held to its limits.

    The new rule catches the one attempt that breaks it.
    """
    delivery = place / "delivery"
    delivery.mkdir()
    for name, text in FILES.items():
        (delivery / name).write_text(text, encoding="utf-8")
    settings = Settings()
    with writing(place / "w.duckdb") as con:
        files = ingest_delivery(con, delivery, settings.ingest, None).files
        assert files.filter(file="weather.csv").select("kind", "used", "rejected").row(0) == (
            "weather",
            3,
            1,
        ), files
        assert query(con, "SELECT site_id, air_c FROM raw_weather ORDER BY line").rows() == [
            ("north", 3.5),
            ("north", None),
        ]
        normalise(con, None, settings.normalise)
        validate(con, settings.validate_)
        caught = query(
            con, "SELECT detail FROM core_impossible WHERE rule = 'energy_above_battery'"
        ).rows()
        assert caught == [("151.0 kWh",)], caught
    assert "151" not in explain("energy_above_battery")
    assert "150 kWh in one attempt" in explain("energy_above_battery")


def signature() -> None:
    """The new signature is declared, and its sign comes from an attempt."""
    assert declared("vehicle")["time_of_day"].words == ("before six", "by day")
    schema = {
        **polars_schema("core_attempt"),
        "check": pl.String(),
        "p_vehicle": pl.Float64(),
        "p_evse": pl.Float64(),
        "silent": pl.Boolean(),
    }
    row = dict.fromkeys(schema) | {
        "vehicle_id": "V", "evse_id": "E", "evse_model": "Post", "supply": "AC", "coupler": "cType2", "outcome": "failed",
        "stage": "offered", "early_b": True, "check": "yes", "p_vehicle": 1.0, "weight": 1.0, "silent": False,
        "source": "ocpp16",
        "plugged_at_utc": pl.Series(["2026-03-02T05:00:00Z"]).str.to_datetime(time_zone="UTC")[0],
    }  # fmt: skip
    signs = vehicle_signs(pl.DataFrame([row], schema=schema))
    assert signs.filter(signature="time_of_day").select("category", "amount").rows() == [
        ("night", 1.0)
    ], signs


def page() -> None:
    """The new page is in the menu of every page, and has its rows."""
    data = PageData(week="2026-W14", run={}, **{name: empty(f"out_{name}") for name in PAGE_FRAMES})
    assert PAGES["weather"].name == "Weather"
    assert "<h1>The weather of 2026-W14</h1>" in render_page("weather", data)
    assert 'href="weather.html"' in render_page("data", data)


if __name__ == "__main__":
    assert Path(sys.modules["pipeline.registry"].__file__ or "").is_relative_to(sys.argv[1]), (
        "not the copy"
    )
    kind_and_rule(Path(sys.argv[1]) / "tried")
    signature()
    page()
