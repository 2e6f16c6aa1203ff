"""The flow runs the same steps as a direct run, and gives the same bytes."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from prefect.client.orchestration import get_client

from pipeline.core.errors import DeliveryError
from pipeline.orchestrate import flows, run
from pipeline.orchestrate.drop_folder import record_of
from pipeline.orchestrate.run import Request, run_week
from pipeline.settings import Settings
from tests.ops import delivery, same_bytes

LIMIT_S = 900
"""For a broken machine: a run takes seconds on cores of its own, and minutes among others' work."""


def _request(folder: Path, delivered: Path) -> Request:
    return Request((delivered,), folder / "w.duckdb", folder / "out", None, Settings())


def test_flow_and_direct_run_give_the_same_bytes(server: str, tmp_path: Path) -> None:
    """Every file of the week is the same byte for byte, run.json but for its timings.

    So is a report from the cache.
    """
    delivered = delivery(tmp_path)
    direct = run_week(_request(tmp_path / "direct", delivered))
    first = flows.run_week_as_flow(_request(tmp_path / "flow", delivered))
    same_bytes(direct.folder, first.folder)
    assert direct.week == first.week
    again = run_week(_request(tmp_path / "direct", delivered))
    for _ in range(
        2
        # the first run kept lessons among the decisions, so the second reports again and the third need
        # not
    ):
        flow = flows.run_week_as_flow(_request(tmp_path / "flow", delivered))
        same_bytes(again.folder, flow.folder)
    with get_client(sync_client=True) as client:
        states = [
            task.state_name for task in client.read_task_runs() if task.name.startswith("report")
        ]
        artifacts = {artifact.key for artifact in client.read_artifacts()}
    assert sorted(states) == ["Cached", "Completed", "Completed"], server
    assert f"vehicles-{direct.week.lower()}" in artifacts


def test_a_passing_fault_is_retried_and_ours_is_not(
    server: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An error of the system is tried again.

    An error that says what to mend comes out at once, as itself.
    """
    assert server
    calls: list[str] = []

    def ingest(_con: Any, _request: Request, _progress: Any) -> list[dict[str, Any]]:
        calls.append("ingest")
        if len(calls) == 1:
            raise OSError("the share went away")
        raise DeliveryError(
            "no file in it", where="yard", next_step="give the folder of a delivery"
        )

    monkeypatch.setattr(run, "ingest_step", ingest)
    monkeypatch.setattr(flows, "RETRY_DELAY_S", 0.0)
    with pytest.raises(DeliveryError, match="What to do: give the folder") as caught:
        flows.run_week_as_flow(_request(tmp_path, tmp_path))
    assert caught.value.exit_code == 3
    assert calls == ["ingest", "ingest"]


SERVE = """
import sys
from pathlib import Path
from pipeline.orchestrate.run import Request
from pipeline.orchestrate.schedule import serve_schedule
from pipeline.settings import Settings
folder = Path(sys.argv[1])
serve_schedule("0 6 * * 1", Request((), folder / "w.duckdb", folder / "out", None, Settings()), folder / "drop", 0.5)
"""


def test_a_served_schedule_takes_a_drop(server: str, tmp_path: Path) -> None:
    """A delivery put into the drop folder of a served schedule is run there, with the bytes of a
    direct run, and noted.
    """
    delivered = delivery(tmp_path)
    (tmp_path / "drop").mkdir()
    (tmp_path / "drop" / "yard").symlink_to(delivered)
    env = {
        **os.environ,
        "PREFECT_API_URL": server,
        "WHICHSIDE_PREFECT_HOME": str(tmp_path / "prefect"),
    }
    with subprocess.Popen(
        [sys.executable, "-c", SERVE, str(tmp_path)], env=env, start_new_session=True
    ) as process:
        try:
            end = time.monotonic() + LIMIT_S
            while not record_of(tmp_path / "w.duckdb").is_file():
                assert process.poll() is None, "the schedule ended"
                assert time.monotonic() < end, "nothing was taken"
                time.sleep(0.2)
        finally:
            process.send_signal(signal.SIGTERM)
            process.wait(LIMIT_S)
    assert '"taken"' in record_of(tmp_path / "w.duckdb").read_text(encoding="utf-8")
    direct = run_week(_request(tmp_path / "direct", delivered))
    same_bytes(direct.folder, tmp_path / "out" / direct.week)
