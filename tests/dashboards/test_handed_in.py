"""What was handed in is run, whatever becomes of the server that took it."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from dashboards.review import waiting
from dashboards.review.runs import Runs, RunState
from pipeline.core.errors import HELD, DeliveryError, StoreError
from pipeline.core.progress import Progress
from pipeline.settings.serve import ServeSettings

QUICK = ServeSettings(held_retry_seconds=0.01, held_retries=3)


def _delivery(tmp_path: Path) -> Path:
    folder = tmp_path / "20260401T080000-abc"
    folder.mkdir()
    (folder / "vehicles.csv").write_text("vehicle_id\n", encoding="utf-8")
    return folder


def _over(runs: Runs, key: str) -> RunState:
    deadline = time.monotonic() + 10
    while time.monotonic() < deadline:
        state = runs.find(key)
        if state and state.over:
            return state
        time.sleep(0.01)
    raise AssertionError("the run is not over")


def test_a_server_that_is_killed_forgets_nothing(tmp_path: Path) -> None:
    """Taken, and the server gone before its run: the next server runs it, then the mark is gone."""
    delivery = _delivery(tmp_path)
    waiting.mark(delivery, "mona")
    assert [p.name for p in delivery.iterdir()] == ["vehicles.csv"]
    seen: list[Path] = []

    def run(given: Path, progress: Progress) -> str:
        progress("reading", 1, 1)
        seen.append(given)
        return "2026-W14"

    runs = Runs(run, QUICK)
    runs.take_up(tmp_path)
    (state,) = runs.all()
    assert _over(runs, state.key).week == "2026-W14"
    assert state.started_by == "mona"
    runs.close()
    assert seen == [delivery]
    assert waiting.left(tmp_path) == []


def test_a_run_refused_because_another_was_on_is_tried_again(tmp_path: Path) -> None:
    """The warehouse held twice, then free: the run is done, not failed."""
    tries: list[int] = []

    def run(_: Path, __: Progress) -> str:
        tries.append(1)
        if len(tries) < 3:
            raise StoreError(HELD, where="w.duckdb")
        return "2026-W14"

    runs = Runs(run, QUICK)
    state = _over(runs, runs.start(_delivery(tmp_path), "mona").key)
    runs.close()
    assert (state.status, len(tries)) == ("done", 3)


@pytest.mark.parametrize(
    "error",
    [DeliveryError("no such thing"), StoreError("damaged"), RuntimeError("ours")],
    ids=["a delivery's fault", "a store's fault", "a fault of ours"],
)
def test_any_other_fault_is_said_once_and_not_tried_again(tmp_path: Path, error: Exception) -> None:
    """What a second try cannot mend is told, and waits for nobody after that."""
    tries: list[int] = []

    def run(_: Path, __: Progress) -> str:
        tries.append(1)
        raise error

    runs = Runs(run, QUICK)
    state = _over(runs, runs.start(_delivery(tmp_path), "mona").key)
    runs.close()
    time.sleep(0.05)
    assert (state.status, len(tries)) == ("failed", 1)
    assert waiting.left(tmp_path) == []
