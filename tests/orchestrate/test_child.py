"""A run in a process of its own: its week, its fault in words, and nothing of it left behind."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.core.errors import WhichsideError
from pipeline.orchestrate.child import run_in_child
from pipeline.settings import Settings
from sample_logs.generator import simulate

STEPS: list[str] = []


def _tell(step: str, done: int, total: int) -> None:
    assert done <= max(total, done)
    STEPS.append(step)


def test_the_week_of_a_run_comes_back(tmp_path: Path) -> None:
    """The child tells how far it is and gives the week it finished; the folder is there."""
    simulate(tmp_path / "d", vehicles=4, evses=3, weeks=2, seed=3)
    delivery = tmp_path / "d" / "delivery"
    week = run_in_child(delivery, tmp_path / "w.duckdb", tmp_path / "out", Settings(), _tell)
    assert (tmp_path / "out" / week / "vehicles.csv").is_file()
    assert STEPS


def test_what_a_run_says_is_raised_here(tmp_path: Path) -> None:
    """An empty delivery is the message it would be on the command line."""
    (tmp_path / "d").mkdir()
    with pytest.raises(WhichsideError, match="What to do"):
        run_in_child(tmp_path / "d", tmp_path / "w.duckdb", tmp_path / "out", Settings(), _tell)
