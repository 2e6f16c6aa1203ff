"""Each number on a page is traced to the column it comes from, counted here again and by other means."""

from __future__ import annotations

import base64
import json
import re
import zlib
from dataclasses import replace
from datetime import UTC, datetime
from itertools import accumulate
from statistics import median
from typing import Any

import polars as pl
import pytest
from invented import END, WEEK, invented_week

from dashboards.costs import against, waiting
from dashboards.driver import notes, places
from dashboards.fleet import low_before_after
from dashboards.language import Language
from dashboards.monday import due, monday_csv, monday_ics
from dashboards.page_data import COUNTED, PageData
from dashboards.pages import render_page
from dashboards.reader import Reader
from dashboards.sites import success_by_week
from dashboards.unit_page import texts
from dashboards.units import SHARD, ids, index_rows, shards


def _unit(data: PageData, kind: Any, unit: str) -> dict[str, Any]:
    read: dict[str, Any] = json.loads(texts(data, Reader(), kind, pl.Series([unit]))["text"].item())
    met = read["partners"]
    rows = [dict(zip(met, row, strict=True)) for row in zip(*met.values(), strict=True)]
    return {**read, "attempts": _spread(read["attempts"]), "partners": rows}


def _spread(packed: dict[str, Any]) -> dict[str, list[Any]]:
    """A unit's attempts in plain columns, as the page's script spreads them."""
    words = packed.pop("words")
    plain = {name: column or [None] * len(packed["t"]) for name, column in packed.items()}
    plain["t"] = list(accumulate(plain["t"]))
    for name, known in words.items():
        plain[name] = [None if at is None else known[at] for at in plain[name]]
    return plain


def _units_of(script: str) -> list[dict[str, Any]]:
    """The units a data file holds."""
    packed = re.fullmatch(r'whichside\.packed\("([A-Za-z0-9+/=]*)"\);\n', script)
    assert packed
    read: list[dict[str, Any]] = json.loads(zlib.decompress(base64.b64decode(packed[1])))
    return read


@pytest.mark.parametrize("vehicle", ["V-0000", "V-0001", "V-0042"])
def test_a_vehicles_page_holds_its_attempts_and_nobody_elses(vehicle: str) -> None:
    """Attempts, partners and the counts of others are those of out_attempts, row by row."""
    data = invented_week()
    unit = _unit(data, "vehicle", vehicle)
    own = [row for row in data.attempts.to_dicts() if row["vehicle_id"] == vehicle]
    assert len(unit["attempts"]["t"]) == len(own)
    assert unit["attempts"]["t"] == sorted(int(row["plugged_at"].timestamp()) for row in own)
    own.sort(key=lambda row: (row["plugged_at"], row["attempt_id"]))
    shown = {"at": "evse_id", "outcome": "outcome", "stage": "stage", "fault": "fault"}
    for name, column in shown.items():
        assert unit["attempts"][name] == [row[column] for row in own], name
    figures = {
        "s": ("stage_seconds", 0),
        "kwh": ("energy_kwh", 1),
        "low": ("pilot_low_b_v", 2),
        "p": ("p_vehicle", 3),
    }
    for name, (column, digits) in figures.items():
        for got, row in zip(unit["attempts"][name], own, strict=True):
            value = (
                row[column] if name != "low" or row[column] is not None else row["pilot_low_c_v"]
            )
            assert got == (
                None if value is None else pytest.approx(value, abs=0.501 * 10**-digits)
            ), name
    for partner in unit["partners"]:
        there = [row for row in data.attempts.to_dicts() if row["evse_id"] == partner["at"]]
        there = [row for row in there if row["outcome"] in COUNTED]
        mine = [row for row in there if row["vehicle_id"] == vehicle]
        others = [row for row in there if row["vehicle_id"] != vehicle]
        assert partner["n"] == len(mine)
        assert partner["failed"] == sum(row["outcome"] == "failed" for row in mine)
        assert partner["others_n"] == len(others)
        onset = data.vehicles.filter(pl.col("vehicle_id") == vehicle)["onset"].item()
        own_lows = (a["pilot_low_b_v"] for a in mine if onset is None or a["plugged_at"] >= onset)
        lows = [low for low in own_lows if low is not None]
        assert partner["low"] == (pytest.approx(median(lows), abs=0.0051) if lows else None)
        assert partner["others_failed"] == sum(row["outcome"] == "failed" for row in others)
    row = data.vehicles.filter(pl.col("vehicle_id") == vehicle).to_dicts()[0]
    for name in ("call", "p_vehicle", "ac_attempts", "ac_failures", "dc_attempts", "dc_charged"):
        assert unit[name] == row[name], name


def test_an_evses_page_holds_its_row_its_parts_and_its_proof() -> None:
    """out_evses, out_evse_suspects and out_evse_proving reach the page unchanged."""
    data = invented_week()
    unit = _unit(data, "evse", "E-001")
    row = data.evses.filter(pl.col("evse_id") == "E-001").to_dicts()[0]
    assert (unit["attempts_counted"], unit["failures"]) == (row["attempts"], row["failures"])
    assert [(part["part"], part["p"]) for part in unit["parts"]] == [
        ("contactor", 0.96),
        ("unclear", 0.04),
    ]
    assert unit["checks"]["steps"]
    assert unit["marks"] == [
        {"t": int((END.timestamp()) - 61 * 86400), "mark": "firmware", "words": "2.5"}
    ]
    proof = _unit(data, "evse", "E-004")["proof"]
    assert (proof["proving"], proof["tried"], proof["clean_attempts"]) == ("proving", 3, 5)


def test_an_unidentified_card_is_no_vehicle() -> None:
    """Attempts of cards nobody knows count at the EVSE and are no partner, no row and no search result."""
    data = invented_week()
    known = pl.col("vehicle_id") != "V-0002"
    lost = data.attempts.with_columns(vehicle_id=pl.when(known).then("vehicle_id"))
    data = replace(data, attempts=lost)
    unit = _unit(data, "evse", "E-001")
    assert None not in [partner["at"] for partner in unit["partners"]]
    assert len(unit["attempts"]["t"]) == lost.filter(pl.col("evse_id") == "E-001").height
    assert all(row[1] for row in index_rows(data))


def test_the_index_and_the_data_files_are_in_one_order() -> None:
    """The place of a unit in the index says which data file holds it."""
    data = invented_week(vehicles=400, evses=6, per_vehicle=3)
    rows = [row for row in index_rows(data) if row[0] == "vehicle"]
    files = shards(texts(data, Reader(), "vehicle", ids(data, "vehicle")))
    held = [_units_of(file) for file in files]
    for place in (0, SHARD - 1, SHARD, len(rows) - 1):
        assert rows[place][1] in {unit["id"] for unit in held[place // SHARD]}
    assert sum(len(units) for units in held) == len(rows)


def test_the_data_of_units_is_small() -> None:
    """Under 30 bytes an attempt a file, of the 165 that plain rows of words take (regression only)."""
    data = invented_week()
    files = shards(texts(data, Reader(), "vehicle", ids(data, "vehicle")))
    assert sum(map(len, files)) < 60 * data.attempts.height


def test_waiting_costs_by_the_share_that_fails() -> None:
    """each_week = cost x sum of p_vehicle over failed AC attempts since the onset / attempts since; so far
    that x weeks since (derived, counted by hand here).
    """
    data = invented_week()
    onset = data.vehicles.filter(pl.col("vehicle_id") == "V-0000")["onset"].item()
    since = [
        row
        for row in data.attempts.to_dicts()
        if row["vehicle_id"] == "V-0000" and row["plugged_at"] >= onset
    ]
    share = sum(row["p_vehicle"] for row in since if row["outcome"] == "failed") / len(since)
    row = waiting(data, "vehicle").filter(pl.col("vehicle_id") == "V-0000").to_dicts()[0]
    assert row["each_week"] == pytest.approx(120 * share, abs=0.01)
    weeks = (END - onset).days / 7
    assert row["so_far"] == pytest.approx(120 * share * weeks, abs=0.01)
    clear = waiting(data, "vehicle").filter(pl.col("vehicle_id") == "V-0001").to_dicts()[0]
    assert (clear["each_week"], clear["so_far"]) == (0, 0)


def test_what_is_weighed_is_said_with_its_sum() -> None:
    """97 % x 120 = 116 against 3 % x 250 = 8 (7.5, to even)."""
    data = invented_week()
    row = data.vehicles.filter(pl.col("vehicle_id") == "V-0000").to_dicts()[0]
    said = against(Language(), row, data, "vehicle")
    assert said is not None
    assert "97 % × 120 EUR for another week of waiting (116)" in said
    assert "3 % × 250 EUR" in said


def test_a_driver_is_sent_only_where_it_charged_every_time() -> None:
    """No place of the note saw a failure of the vehicle since its trouble began."""
    data = invented_week()
    for row in places(data).to_dicts():
        onset = data.vehicles.filter(pl.col("vehicle_id") == row["vehicle_id"])["onset"].item()
        met = [
            a
            for a in data.attempts.to_dicts()
            if a["vehicle_id"] == row["vehicle_id"]
            and a["evse_id"] == row["evse_id"]
            and (onset is None or a["plugged_at"] >= onset)
        ]
        assert {a["outcome"] for a in met} == {"charged"}
        assert len(met) == row["charged"]
    assert "do not try again and again" in " ".join(notes(Language(), data)["V-0000"])


def test_a_driver_is_told_no_more_than_was_called() -> None:
    """Only who is referred, or stands on the Monday list, is due at the workshop; the watched and the repaired are not."""
    data, t = invented_week(), Language()
    calls = dict(data.vehicles.select("vehicle_id", "call").rows())
    told = notes(t, data)
    first = {"refer": "driver.why", "watch": "driver.why_watch", "proving": "driver.why_proving"}
    assert {vehicle: lines[0] for vehicle, lines in told.items()} == {
        v: t(first[call]) for v, call in calls.items() if call in first
    }
    assert {calls[v] for v in told} == set(first)
    assert {lines[0] for lines in notes(t, data, set(told)).values()} == {t("driver.why")}


def test_the_monday_list_is_what_was_accepted() -> None:
    """Accepted last, the vehicle stands in page, CSV and calendar; held or taken back, it does not."""
    data = invented_week()
    assert due(data)[0]["vehicle_id"].to_list() == ["V-0000"]
    assert "V-0000" in monday_csv(Language(), data)
    calendar = monday_ics(Language(), data)
    assert calendar.startswith("BEGIN:VCALENDAR\r\n")
    assert "DTSTART;VALUE=DATE:20260406\r\n" in calendar
    assert max(len(line.encode()) for line in calendar.split("\r\n")) <= 75
    later = data.decisions.with_columns(
        decision=pl.lit("hold"), decided_at=pl.lit(datetime(2026, 4, 6, 9, tzinfo=UTC))
    )
    held = replace(data, decisions=pl.concat([data.decisions, later.cast(data.decisions.schema)]))
    assert due(held)[0].is_empty()


def test_levels_before_and_since_are_medians_of_the_attempts() -> None:
    """A repaired vehicle's two values are apart; the rest of the fleet stands in one row."""
    data = invented_week()
    repaired = pl.col("vehicle_id") == "V-0003"
    cured = pl.col("plugged_at") >= END - pl.duration(days=8)
    level = pl.when(repaired & ~cured).then(-8.8).otherwise("pilot_low_b_v")
    data = replace(data, attempts=data.attempts.with_columns(pilot_low_b_v=level))
    rows = {row["vehicle_id"]: row for row in low_before_after(data).to_dicts()}
    assert (rows["V-0003"]["before_v"], rows["V-0003"]["after_v"]) == (-8.8, -12.0)
    assert rows[None]["after_v"] == -12.0


def test_success_by_week_adds_up_to_success() -> None:
    """The trend's attempts are those of the site's rate."""
    data = invented_week()
    assert success_by_week(data.attempts)["attempts"].sum() == data.attempts.height


def test_headline_column_and_page_agree() -> None:
    """The number in the headline is the number of rows with the call."""
    data = invented_week()
    text = render_page("fleet", data)
    referred = data.vehicles.filter(pl.col("call") == "refer").height
    assert f"{referred} vehicle to the workshop" in text
    assert len(re.findall(r'<tr data-call="refer"', text)) == referred
    assert f'data-whole="{data.about_vehicles.height}"' in text
    assert WEEK in text
