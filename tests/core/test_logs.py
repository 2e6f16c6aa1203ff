"""Structured logs."""

from __future__ import annotations

import json
import logging
from pathlib import Path

import pytest

from pipeline.core.errors import StoreError
from pipeline.core.logs import event, log_to


def _lines(path: Path) -> list[dict[str, object]]:
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]


def test_every_line_is_one_object_of_one_run(tmp_path: Path) -> None:
    """Each event is a line of JSON with its fields.

    The lines of one command share a run id, those of the next have another.
    """
    log = tmp_path / "deep" / "log.jsonl"
    for _ in range(2):
        with log_to(log, command="run"):
            event("step", name="ingest", seconds=1.5, note="Ødegård\nyard")
    lines = _lines(log)
    assert [line["event"] for line in lines] == ["started", "step", "ended"] * 2
    assert lines[0]["command"] == "run"
    assert lines[1]["seconds"] == 1.5
    assert lines[1]["note"] == "Ødegård\nyard"
    assert len({line["run"] for line in lines}) == 2
    assert all(str(line["at"]).endswith("Z") for line in lines)


def test_a_fault_is_logged_and_raised(tmp_path: Path) -> None:
    """A block that fails leaves a line with the error and raises it."""
    log = tmp_path / "log.jsonl"
    with pytest.raises(StoreError), log_to(log):
        raise StoreError("no room", where="x")
    assert _lines(log)[-1]["event"] == "failed"
    assert "no room" in str(_lines(log)[-1]["error"])


def test_quiet_without_a_file(capfd: pytest.CaptureFixture[str]) -> None:
    """Without a file nothing is said anywhere."""
    with log_to(None):
        event("step", name="ingest")
    assert capfd.readouterr() == ("", "")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_a_full_disk_under_the_log_is_told_once(capfd: pytest.CaptureFixture[str]) -> None:
    """What is logged goes on without the log; one message, no trace."""
    with log_to(Path("/dev/full")):
        event("step")
        event("step")
    told = capfd.readouterr().err
    assert told.count("the log cannot be written") == told.count("What to do") == 1
    assert "Traceback" not in told


def test_a_name_that_is_no_text_is_written_out(tmp_path: Path) -> None:
    """A file name that is not UTF-8 does not end the log."""
    with log_to(tmp_path / "log.jsonl"):
        event("file", name="van-\udcff")
    assert _lines(tmp_path / "log.jsonl")[1]["event"] == "file"


def test_a_log_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    """A log path that is a folder gives a clear error."""
    with pytest.raises(StoreError, match="log"), log_to(tmp_path):
        pass


def test_a_library_that_sets_logging_up_does_not_silence_ours(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`dictConfig` switches off the loggers it does not name (Python's documentation); a log that is asked for is written all the same."""
    monkeypatch.setattr(logging.getLogger("whichside"), "disabled", True)
    with log_to(tmp_path / "log.jsonl"):
        event("step")
    assert [line["event"] for line in _lines(tmp_path / "log.jsonl")] == [
        "started",
        "step",
        "ended",
    ]
