"""Deliveries handed in and not yet run: a mark on disk beside each, so that a server that is killed
after it said 'taken' still runs them.
"""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path

MARK = ".waiting.json"


@dataclass(frozen=True)
class Waiting:
    """A delivery that waits for its run."""

    delivery: Path
    started_by: str


def mark(delivery: Path, started_by: str) -> None:
    """Note that a delivery waits; on disk before this returns, and so are its files' names."""
    path = _mark_of(delivery)
    with path.open("w", encoding="utf-8") as file:
        json.dump({"started_by": started_by}, file)
        file.flush()
        os.fsync(file.fileno())
    for folder in (delivery, delivery.parent):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def done(delivery: Path) -> None:
    """The delivery waits no more."""
    _mark_of(delivery).unlink(missing_ok=True)


def left(deliveries: Path) -> list[Waiting]:
    """What an earlier server took and did not run, oldest first."""
    found = sorted(deliveries.glob(f".*{MARK}")) if deliveries.is_dir() else []
    return [
        Waiting(deliveries / path.name[1 : -len(MARK)], _started_by(path))
        for path in found
        if (deliveries / path.name[1 : -len(MARK)]).is_dir()
    ]


def _mark_of(delivery: Path) -> Path:
    """Beside the delivery, not in it: a delivery holds only what was handed in."""
    return delivery.with_name(f".{delivery.name}{MARK}")


def _started_by(path: Path) -> str:
    try:
        return str(json.loads(path.read_text(encoding="utf-8"))["started_by"])
    except (OSError, ValueError, KeyError):
        return "somebody"
