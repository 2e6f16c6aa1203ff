"""A run in a process of its own, under a memory limit: whatever it does, who started it goes on.

`python -m pipeline.orchestrate.child` takes the request as JSON on standard input and answers in
JSON lines: {"step", "done", "total"} as it goes, at last {"week"} or {"error", "exit_code"}.
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
from pathlib import Path
from typing import Any

from pipeline.core.errors import StoreError, WhichsideError
from pipeline.core.progress import Progress
from pipeline.settings import Settings

_NO_BACKTRACE = {"RUST_BACKTRACE": "0"}
"""A library that has no memory left to draw up its own backtrace waits for itself without end."""


class BrokenOffError(WhichsideError):
    """A run's process ended without an answer: killed, or out of memory."""

    exit_code = 1


def run_in_child(
    delivery: Path, store: Path, out: Path, settings: Settings, progress: Progress
) -> str:
    """The week that a run over a delivery finished.

    Raises StoreError where another run holds the warehouse, WhichsideError with what the run said,
    BrokenOffError where it said nothing.
    """
    request = {
        "delivery": str(delivery.absolute()),
        "store": str(store.absolute()),
        "out": str(out.absolute()),
        "settings": settings.model_dump(mode="json", by_alias=True),
    }
    command = [sys.executable, "-m", "pipeline.orchestrate.child"]
    env = {**os.environ, **_NO_BACKTRACE}
    last: dict[str, Any] = {}
    with subprocess.Popen(  # noqa: S603 -- our own module
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, encoding="utf-8", env=env
    ) as child:
        assert child.stdin  # noqa: S101 -- asked for above
        assert child.stdout  # noqa: S101
        child.stdin.write(json.dumps(request))
        child.stdin.close()
        for line in child.stdout:
            last = json.loads(line)
            if "step" in last:
                progress(last["step"], last["done"], last["total"])
    if "week" in last:
        return str(last["week"])
    if "error" in last:
        held = last["exit_code"] == StoreError.exit_code
        raise StoreError(last["error"]) if held else WhichsideError(last["error"])
    raise BrokenOffError(
        f"the run's process ended without an answer (code {child.returncode})",
        next_step="hand the delivery in again in parts, or raise serve.run_memory_bytes",
    )


def _tell(**words: object) -> None:
    sys.stdout.write(json.dumps(words) + "\n")
    sys.stdout.flush()


def _limit_memory(most_bytes: int | None) -> None:
    if most_bytes:
        _, hard = resource.getrlimit(resource.RLIMIT_DATA)
        resource.setrlimit(resource.RLIMIT_DATA, (most_bytes, hard))


def main() -> None:
    """Run the request of standard input."""
    request = json.load(sys.stdin)
    settings = Settings.model_validate(request["settings"])
    _limit_memory(settings.serve.run_memory_bytes)
    from pipeline.orchestrate.run import Request, run_week  # noqa: PLC0415 -- under the limit

    try:
        result = run_week(
            Request(
                (Path(request["delivery"]),), Path(request["store"]), Path(request["out"]),
                None, settings,
            ),
            lambda step, done, total: _tell(step=step, done=done, total=total),
        )  # fmt: skip
    except WhichsideError as error:
        _tell(error=str(error), exit_code=error.exit_code)
    except MemoryError:
        _tell(error="the run needed more memory than serve.run_memory_bytes allows", exit_code=1)
    else:
        _tell(week=result.week)


if __name__ == "__main__":
    main()
