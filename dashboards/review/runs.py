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

from dashboards.review import waiting
from pipeline.core.errors import StoreError, WhichsideError, is_held
from pipeline.core.progress import Progress
from pipeline.settings.serve import ServeSettings

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

    def __init__(self, run: RunDelivery, settings: ServeSettings) -> None:
        self._run = run
        self._settings = settings
        self._closed = threading.Event()
        self._states: dict[str, RunState] = {}
        self._lock = threading.Lock()
        # One worker: the warehouse takes one writer at a time.
        self._worker = ThreadPoolExecutor(max_workers=1, thread_name_prefix="whichside-run")

    def take_up(self, deliveries: Path) -> None:
        """Queue what an earlier server took and did not run."""
        for one in waiting.left(deliveries):
            self.start(one.delivery, one.started_by)

    def start(self, delivery: Path, started_by: str) -> RunState:
        """Queue a run over a delivery; it is marked as waiting on disk until it is over."""
        waiting.mark(delivery, started_by)
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
        """Take no more runs; the one at work finishes, those that wait are for the next server."""
        self._closed.set()
        self._worker.shutdown(wait=False, cancel_futures=True)

    def _change(self, key: str, **changes: object) -> None:
        with self._lock:
            self._states[key] = replace(self._states[key], **changes)  # type: ignore[arg-type]

    def _work(self, key: str, delivery: Path) -> None:
        def tell(step: str, done: int, total: int) -> None:
            self._change(key, status="running", step=step, done=done, total=total)

        tell("starting", 0, 0)
        kept_for_later = False
        end: dict[str, object] = {"status": "failed"}
        try:
            week = self._until_free(key, delivery, tell)
            end = {"status": "done", "step": "done", "week": week}
        except WhichsideError as error:
            end["message"] = str(error)
            held = isinstance(error, StoreError) and is_held(error)
            kept_for_later = held and self._closed.is_set()
        except Exception:  # noqa: BLE001 - whatever it is, the pages must go on and say so
            _log.exception("a run started from the browser broke off")
            end["message"] = "the run broke off by a fault of ours; the server's log says where"
        if not kept_for_later:
            waiting.done(delivery)
        self._change(key, **end)

    def _until_free(self, key: str, delivery: Path, tell: Progress) -> str:
        """Run; where another run holds the warehouse, wait and try again."""
        for _ in range(self._settings.held_retries):
            try:
                return self._run(delivery, tell)
            except StoreError as error:
                if not is_held(error) or self._closed.is_set():
                    raise
                self._change(key, status="waiting", step="another run is on; tried again soon")
                self._closed.wait(self._settings.held_retry_seconds)
        return self._run(delivery, tell)
