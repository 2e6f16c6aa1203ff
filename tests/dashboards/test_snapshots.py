"""Finished weeks read back."""

from __future__ import annotations

import threading
import time
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest
from invented import WEEK, WEEK_TABLES, invented_week, write_finished_week, write_week_tables
from polars.testing import assert_frame_equal

from dashboards.page_data import PageData
from dashboards.snapshots import read_week, weeks
from pipeline.core.errors import NotEnoughDataError, StoreError
from pipeline.publish.week_folder import complete_or_absent


def _write(out: Path, data: PageData) -> None:
    with complete_or_absent(out / WEEK) as folder:
        write_week_tables(folder, data)


def test_a_week_comes_back_as_it_was_written(tmp_path: Path) -> None:
    """Types, nulls, times to the microsecond and cells a spreadsheet would run are as before."""
    data = invented_week()
    formula = data.vehicles.with_columns(
        reason=pl.lit("=1+1"), suspect=pl.lit("pilot_diode_shorted")
    )
    data = replace(data, vehicles=formula)
    write_finished_week(tmp_path, data)
    assert "'=1+1" in (tmp_path / WEEK / "vehicles.csv").read_text(encoding="utf-8")
    read = read_week(tmp_path, WEEK)
    for name in WEEK_TABLES:
        assert_frame_equal(getattr(read, name), getattr(data, name), check_exact=True)
    assert read.evidence.keys() == {"V-0000"}
    assert read.rule_results.equals(data.rule_results)


@pytest.mark.parametrize("vehicle", ["'=x", "=x", "'", "+1", "-", "@a", "a'=b"])
def test_an_id_keeps_its_apostrophe(tmp_path: Path, vehicle: str) -> None:
    """What disarms a formula in the CSV is never taken for, or off, the id itself."""
    data = invented_week(vehicles=6, per_vehicle=4)
    named = pl.when(pl.col("vehicle_id") == "V-0000").then(pl.lit(vehicle)).otherwise("vehicle_id")
    data = replace(
        data,
        evidence={},
        **{
            name: getattr(data, name).with_columns(vehicle_id=named)
            for name in ("vehicles", "attempts")
        },
    )
    write_finished_week(tmp_path, data)
    assert vehicle in read_week(tmp_path, WEEK).vehicles["vehicle_id"]


def test_a_week_of_an_earlier_version_says_how_to_see_it(tmp_path: Path) -> None:
    """A folder without typed tables is not guessed at: the error names the command that makes it again."""
    write_finished_week(tmp_path, invented_week(vehicles=6, per_vehicle=4))
    (tmp_path / WEEK / "vehicles.parquet").unlink()
    with pytest.raises(StoreError, match=f"whichside backfill {WEEK}"):
        read_week(tmp_path, WEEK)


def test_the_week_before_is_found(tmp_path: Path) -> None:
    """What changed is told against the newest earlier week there is."""
    write_finished_week(tmp_path, invented_week(week="2026-W11"))
    write_finished_week(tmp_path, invented_week(week="2026-W13"))
    write_finished_week(tmp_path, invented_week())
    assert weeks(tmp_path) == [WEEK, "2026-W13", "2026-W11"]
    assert read_week(tmp_path, WEEK).vehicles_before is not None
    assert read_week(tmp_path, "2026-W11").vehicles_before is None


@pytest.mark.parametrize("week", ["2026-W15", "../out", "", ".2026-W14.partial"])
def test_a_week_that_is_not_there(tmp_path: Path, week: str) -> None:
    """Another name than a finished week's is an error that lists those there are."""
    write_finished_week(tmp_path, invented_week(vehicles=6, per_vehicle=4))
    (tmp_path / ".2026-W14.partial").mkdir()
    with pytest.raises(NotEnoughDataError, match="choose of 2026-W14"):
        read_week(tmp_path, week)


def test_a_damaged_week_is_named(tmp_path: Path) -> None:
    """A torn file is an error with the folder's path, not a page of half the data."""
    write_finished_week(tmp_path, invented_week(vehicles=6, per_vehicle=4))
    (tmp_path / WEEK / "attempts.parquet").write_bytes(b"PAR1")
    with pytest.raises(StoreError, match=WEEK):
        read_week(tmp_path, WEEK)


def test_readers_meet_whole_weeks_while_a_run_replaces_them(tmp_path: Path) -> None:
    """While the folder is swapped again and again, every read gives all tables of one run."""
    data = invented_week(vehicles=6, evses=6, per_vehicle=4)
    runs = [
        replace(
            data,
            vehicles=data.vehicles.with_columns(reason=pl.lit(mark)),
            evses=data.evses.with_columns(reason=pl.lit(mark)),
        )
        for mark in ("first", "second")
    ]
    _write(tmp_path, runs[0])
    over = threading.Event()

    def swap() -> None:
        for number in range(15):
            _write(tmp_path, runs[number % 2])
            time.sleep(0.05)  # a reader may find it changed once or twice, not for ever
        over.set()

    writer = threading.Thread(target=swap)
    writer.start()
    reads = 0
    while not over.is_set():
        read = read_week(tmp_path, WEEK)
        assert set(read.vehicles["reason"]) == set(read.evses["reason"])
        reads += 1
    writer.join()
    assert reads > 0
