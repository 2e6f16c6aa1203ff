"""A watched drop folder: each new sub-folder in it is a delivery, taken once it has stopped
changing.

Nothing in the folder is moved or deleted. What was taken stands in a record beside the warehouse,
one JSON line each.
"""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from pipeline.core.errors import StoreError

# A run that failed on a delivery is tried this often before it waits for the delivery to change.
TRIES = 3


@dataclass(frozen=True)
class Drop:
    """A delivery in the drop folder.

    Where, and the state of its files by name, size and time of change.
    """

    path: Path
    state: str


@dataclass
class Watch:
    """What a watched folder held at the last look, and which deliveries were dealt with."""

    folder: Path
    record: Path
    last: dict[Path, str] = field(default_factory=dict)

    def ready(self) -> list[Drop]:
        """Deliveries whose files are as at the last look and that were not dealt with in this
        state, oldest name first.

        A loose file is left and noted once; the first look finds nothing ready, having nothing to
        compare with. Raises StoreError when the folder is not there.
        """
        if not self.folder.is_dir():
            raise StoreError(
                "there is no drop folder here",
                where=str(self.folder),
                next_step="make it, or name another",
            )
        now = {
            path: _state(path)
            for path in sorted(self.folder.iterdir())
            if not path.name.startswith(".")
        }
        settled = [
            Drop(path, state)
            for path, state in now.items()
            if state and self.last.get(path) == state
        ]
        self.last = now
        done, failed = self._dealt_with()
        for drop in settled:
            if not drop.path.is_dir() and drop.state not in failed:
                self.note(drop, "left: a delivery is a folder, put the file into one")
        settled = [drop for drop in settled if drop.path.is_dir()]
        return [
            drop for drop in settled if drop.state not in done and failed.count(drop.state) < TRIES
        ]

    def note(self, drop: Drop, outcome: str) -> None:
        """Write down that a delivery was `taken`, or why its run failed."""
        line = {
            "at": datetime.now(UTC).isoformat(timespec="seconds"),
            "delivery": drop.path.name,
            "state": drop.state,
        }
        self.record.parent.mkdir(parents=True, exist_ok=True)
        cut_off = self.record.is_file() and not self.record.read_bytes().endswith(
            b"\n"
        )  # by a crash: must not swallow this line
        with self.record.open("a", encoding="utf-8") as out:
            out.write(
                ("\n" if cut_off else "")
                + json.dumps({**line, "outcome": outcome}, ensure_ascii=False)
                + "\n"
            )
            out.flush()
            os.fsync(out.fileno())

    def _dealt_with(self) -> tuple[set[str], list[str]]:
        lines = (
            self.record.read_text(encoding="utf-8").splitlines() if self.record.is_file() else []
        )
        entries = [entry for line in lines if (entry := _entry(line))]
        taken = {entry["state"] for entry in entries if entry["outcome"] == "taken"}
        return taken, [entry["state"] for entry in entries if entry["outcome"] != "taken"]


def _entry(line: str) -> dict[str, str] | None:
    """A line of the record.

    None for one that a crash cut off (its delivery is then taken again, which costs little).
    """
    try:
        entry: dict[str, str] = json.loads(line)
    except json.JSONDecodeError:
        return None
    return entry


def _state(path: Path) -> str:
    """Hash of names, sizes and times of change of a delivery's files.

    Empty when there is none, or one went meanwhile.
    """
    try:
        files = sorted(p for p in path.rglob("*") if p.is_file()) if path.is_dir() else [path]
        seen = [
            (p.relative_to(path.parent).as_posix(), p.stat().st_size, p.stat().st_mtime_ns)
            for p in files
        ]
    except FileNotFoundError:
        return ""
    return hashlib.sha256(repr(seen).encode()).hexdigest() if seen else ""


def record_of(store: Path) -> Path:
    """The record of taken deliveries of a warehouse."""
    return store.with_name(f"{store.name}.drops.jsonl")
