"""The week's folder is whole or not there, and its cells are harmless."""

from __future__ import annotations

import csv
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.publish.week_folder import complete_or_absent, harmless, write_csv


@given(st.text(max_size=12))
def test_no_cell_starts_a_formula(cell: str) -> None:
    """Whatever a log says, no text cell starts with a character a spreadsheet runs (common
    practice, no source).
    """
    shown = harmless(pl.DataFrame({"reason": [cell]}))["reason"][0]
    assert not shown.startswith(("=", "+", "-", "@", "\t", "\r", "\n"))
    assert shown in (cell, "'" + cell)


def test_times_are_utc_with_z(tmp_path: Path) -> None:
    """Times in CSV files are ISO 8601 UTC with Z, and null is an empty cell."""
    frame = pl.DataFrame(
        {"onset": [datetime(2026, 3, 30, 6, 5, tzinfo=UTC), None]},
        schema={"onset": pl.Datetime("us", "UTC")},
    )
    write_csv(frame, tmp_path / "x.csv")
    rows = list(csv.DictReader((tmp_path / "x.csv").read_text(encoding="utf-8").splitlines()))
    assert rows[0]["onset"] == "2026-03-30T06:05:00Z"


def test_a_failed_write_leaves_the_earlier_week(tmp_path: Path) -> None:
    """When writing fails midway the earlier folder stays as it was and nothing half written
    remains.
    """
    week = tmp_path / "2026-W14"
    with complete_or_absent(week) as folder:
        (folder / "a").write_text("first")

    def fail_midway() -> None:
        with complete_or_absent(week) as folder:
            (folder / "a").write_text("second")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fail_midway()
    assert (week / "a").read_text() == "first"
    assert {p.name for p in tmp_path.iterdir()} == {"2026-W14", ".publishing.lock"}


def test_a_kill_between_the_two_renames_is_healed(tmp_path: Path) -> None:
    """Killed after the old folder moved away and before the new took its name, the next run puts
    things right.
    """
    (tmp_path / ".2026-W14.old").mkdir()
    (tmp_path / ".2026-W14.old" / "a").write_text("first")
    (tmp_path / ".2026-W14.partial").mkdir()
    with complete_or_absent(tmp_path / "2026-W14") as folder:
        assert (tmp_path / "2026-W14" / "a").read_text() == "first"
        (folder / "a").write_text("second")
    assert (tmp_path / "2026-W14" / "a").read_text() == "second"
    assert {p.name for p in tmp_path.iterdir()} == {"2026-W14", ".publishing.lock"}


def test_a_formula_inside_a_cell_is_harmless_too() -> None:
    """A program that cuts cells at semicolons finds no formula; a sentence stays as it is."""
    frame = pl.DataFrame({"id": ["a;=1+1", "b|@x", "fails; -8.8 V seen", "a-b"]})
    assert harmless(frame)["id"].to_list() == ["a;'=1+1", "b|'@x", "fails; -8.8 V seen", "a-b"]


def test_two_stores_publish_into_one_folder_in_turn(tmp_path: Path) -> None:
    """Weeks written at once into one folder are each whole, whoever comes second."""

    def publish(turn: int) -> None:
        with complete_or_absent(tmp_path / "out" / "2026-W14") as folder:
            for part in range(20):
                (folder / f"{part}").write_text(str(turn), encoding="utf-8")

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(publish, range(12)))
    found = {p.read_text() for p in (tmp_path / "out" / "2026-W14").iterdir()}
    assert len(found) == 1
    assert len(list((tmp_path / "out" / "2026-W14").iterdir())) == 20
