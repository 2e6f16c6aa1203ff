"""Runs started from the browser.

One at a time, each with its progress, in a thread beside the pages.
"""

from __future__ import annotations

import logging
import secrets
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from pipeline.core.errors import WhichsideError
from pipeline.core.progress import Progress

RunDelivery = Callable[[Path, Progress], str]
_KEPT = 100

_log = logging.getLogger(__name__)


@dataclass(frozen=True)
class RunState:
    """How far a run is. `total` 0 means not known.

    `week` is set when it is done, `message` when it failed.
    """

    key: str
    delivery: str
    started_by: str
    status: Literal["waiting", "running", "done", "failed"] = "waiting"
    step: str = "waiting for the run before it"
    done: int = 0
    total: int = 0
    week: str | None = None
    message: str | None = None

    @property
    def over(self) -> bool:
        """Whether nothing more will happen."""
        return self.status in {"done", "failed"}


class Runs:
    """Runs of this process, newest last."""

    def __init__(self, run: RunDelivery) -> None:
        self._run = run
        self._states: dict[str, RunState] = {}
        self._lock = threading.Lock()
        # One worker: the warehouse takes one writer at a time.
        self._worker = ThreadPoolExecutor(max_workers=1, thread_name_prefix="whichside-run")

    def start(self, delivery: Path, started_by: str) -> RunState:
        """Queue a run over a delivery."""
        state = RunState(secrets.token_urlsafe(9), delivery.name, started_by)
        with self._lock:
            for key in [key for key, old in self._states.items() if old.over][
                : max(0, len(self._states) - _KEPT + 1)
            ]:
                del self._states[key]
            self._states[state.key] = state
        self._worker.submit(self._work, state.key, delivery)
        return state

    def find(self, key: str) -> RunState | None:
        """A run's state now."""
        return self._states.get(key)

    def all(self) -> list[RunState]:
        """All runs, newest first."""
        return list(reversed(self._states.values()))

    def close(self) -> None:
        """Take no more runs; the one at work finishes, those that wait are dropped."""
        self._worker.shutdown(wait=False, cancel_futures=True)

    def _change(self, key: str, **changes: object) -> None:
        with self._lock:
            self._states[key] = replace(self._states[key], **changes)  # type: ignore[arg-type]

    def _work(self, key: str, delivery: Path) -> None:
        def tell(step: str, done: int, total: int) -> None:
            self._change(key, status="running", step=step, done=done, total=total)

        tell("starting", 0, 0)
        try:
            week = self._run(delivery, tell)
        except WhichsideError as error:
            self._change(key, status="failed", message=str(error))
        except Exception:  # noqa: BLE001 - whatever it is, the pages must go on and say so
            _log.exception("a run started from the browser broke off")
            self._change(
                key,
                status="failed",
                message="the run broke off by a fault of ours; the server's log says where",
            )
        else:
            self._change(key, status="done", step="done", week=week)
