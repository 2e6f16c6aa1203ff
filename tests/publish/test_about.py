"""What a unit's page shows beside the calls: changes, and whether an EVSE's repair held."""

from __future__ import annotations

import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "dashboards"))
from invented import END, invented_week

from pipeline.core.weeks import LookBack
from pipeline.publish.about import evse_proving, firmware_marks
from pipeline.publish.week import with_earlier
from pipeline.registry import conform, empty
from pipeline.settings.refer import ReferSettings

BACK = LookBack.of("2026-W14", 12)


def _work(days: float) -> pl.DataFrame:
    rows = {
        "evse_id": ["E-001"], "at_utc": [END - timedelta(days=days)], "work_finding": ["contactor"],
        "repaired_at_utc": [END - timedelta(days=days)], "note": [None],
    }  # fmt: skip
    return conform(pl.DataFrame(rows), "core_work")


@pytest.mark.parametrize(("holds", "state"), [(True, "proved"), (False, "back")])
def test_an_evses_repair_is_proved_as_a_vehicles_is(holds: bool, state: str) -> None:  # noqa: FBT001
    """Good attempts since the repair prove it, failed ones send it back; the test stops when it knows."""
    data = invented_week()
    since = (pl.col("evse_id") == "E-001") & (pl.col("plugged_at") >= END - timedelta(days=30))
    outcome = "charged" if holds else "failed"
    attempts = data.attempts.with_columns(
        outcome=pl.when(since).then(pl.lit(outcome)).otherwise("outcome")
    )
    row = evse_proving(attempts, data.vehicles, _work(30), ReferSettings(), BACK).to_dicts()[0]
    assert (row["evse_id"], row["finding"], row["proving"]) == ("E-001", "contactor", state)
    assert row["failed"] == (0 if holds else row["tried"])
    if holds:
        assert row["tried"] == row["clean_attempts"]


def test_attempts_of_called_vehicles_prove_nothing() -> None:
    """A vehicle that is itself called counts neither for nor against the EVSE."""
    data = invented_week()
    called = data.vehicles.with_columns(call=pl.lit("refer"))
    row = evse_proving(data.attempts, called, _work(30), ReferSettings(), BACK).to_dicts()[0]
    assert (row["proving"], row["tried"]) == ("proving", 0)


def test_a_repair_after_the_week_is_not_known_to_it() -> None:
    """What was repaired after the week's end has no row."""
    data = invented_week()
    assert evse_proving(data.attempts, data.vehicles, _work(-1), ReferSettings(), BACK).is_empty()


def test_the_first_firmware_is_no_change() -> None:
    """A station's first known firmware marks nothing, another one marks each of its EVSEs."""
    at = datetime(2026, 3, 1, tzinfo=UTC)
    firmware = pl.DataFrame(
        {
            "station_id": ["S", "S", "S"],
            "valid_from_utc": [at, at + timedelta(days=1), at + timedelta(days=2)],
            "firmware": ["1", "1", "2"],
        },
        schema_overrides={"valid_from_utc": pl.Datetime("us", "UTC")},
    )
    equipment = pl.DataFrame({"station_id": ["S", "S"], "evse_id": ["E1", "E2"]})
    marks = firmware_marks(firmware, equipment)
    assert marks.select("unit_id", "words").sort("unit_id").rows() == [("E1", "2"), ("E2", "2")]


def test_three_lines_never_replace_a_weeks_account(tmp_path: Path) -> None:
    """A later, small delivery adds its files to the week's account; the same file again stays one row."""
    big = [{"file": "ocpp/a.jsonl", "sha256": "a", "lines": 105518}]
    (tmp_path / "tables").mkdir()
    (tmp_path / "tables" / "accounts.json").write_text(
        '[{"file": "ocpp/a.jsonl", "sha256": "a", "lines": 105518}]', encoding="utf-8"
    )
    small = [{"file": "note.pdf", "sha256": "b", "lines": 3}]
    assert with_earlier(small, tmp_path) == [*small, *big]
    assert with_earlier(big, tmp_path) == big
    assert with_earlier(small, tmp_path / "absent") == small


def test_nothing_given_is_nothing_said() -> None:
    """Without a row of work there is no proof to show."""
    data = invented_week(vehicles=6, per_vehicle=4)
    work = empty("core_work")
    assert evse_proving(data.attempts, data.vehicles, work, ReferSettings(), BACK).is_empty()
