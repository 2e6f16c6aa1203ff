"""A job measured in a process of its own, so that its memory and its caches are its own."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

from pipeline.core.errors import WhichsideError


def run_job(module: str, name: str, *places: Path) -> dict[str, Any]:
    """What a job of `pipeline.measure.speed.<module>` tells on its last line.

    Raises WhichsideError with the end of its complaint when it fails.
    """
    command = [sys.executable, "-m", f"pipeline.measure.speed.{module}", name, *map(str, places)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)  # noqa: S603  # our own module
    if done.returncode:
        raise WhichsideError(
            f"the job {name!r} failed: {done.stderr[-2000:]}",
            next_step="correct what it names and run again",
        )
    return dict(json.loads(done.stdout.splitlines()[-1]))
