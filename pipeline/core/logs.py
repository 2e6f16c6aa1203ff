"""Structured logs: one JSON object a line in a file, nothing anywhere when no file is named."""

from __future__ import annotations

import json
import logging
import os
import sys
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pipeline.core.errors import StoreError

_LOG = logging.getLogger("whichside")
_LOG.addHandler(logging.NullHandler())


class _Lines(logging.Formatter):
    """A record as one line of JSON; every line of a command carries the same `run`."""

    def __init__(self) -> None:
        super().__init__()
        self.run = uuid.uuid4().hex[:12]

    def format(self, record: logging.LogRecord) -> str:
        at = (
            datetime.fromtimestamp(record.created, UTC)
            .isoformat(timespec="milliseconds")
            .replace("+00:00", "Z")
        )
        head = {
            "at": at,
            "level": record.levelname.lower(),
            "event": record.getMessage(),
            "run": self.run,
            "pid": os.getpid(),
        }
        fault = {"error": repr(record.exc_info[1])} if record.exc_info else {}
        return json.dumps(
            {**head, **getattr(record, "fields", {}), **fault}, ensure_ascii=False, default=str
        )


class _File(logging.Handler):
    """Lines at the end of a file, each written at once.

    A disk that takes no line any more is told of once on standard error, and stops nothing else.
    """

    def __init__(self, path: Path) -> None:
        super().__init__()
        self._path, self._told = path, False
        self._file = path.open("ab", buffering=0)

    def emit(self, record: logging.LogRecord) -> None:
        """Write a line."""
        try:
            self._file.write(f"{self.format(record)}\n".encode("utf-8", "backslashreplace"))
        except OSError as error:
            if not self._told:
                sys.stderr.write(
                    f"whichside: {self._path}: the log cannot be written: {error.strerror}\n"
                    "What to do: free disk space, or name another file; the command goes on without it\n"
                )
            self._told = True

    def close(self) -> None:
        """Close the file."""
        self._file.close()
        super().close()


def event(name: str, /, **fields: Any) -> None:
    """Note that something happened, with what is worth knowing of it, as plain values."""
    _LOG.info(name, extra={"fields": fields})


@contextmanager
def log_to(path: Path | None, **fields: Any) -> Iterator[None]:
    """Append the block's events to a file, from `started` to `ended` or `failed`; nothing when
    `path` is None.

    Raises StoreError when the file cannot be written.
    """
    if path is None:
        yield
        return
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handler = _File(path)
    except OSError as error:
        raise StoreError(
            f"the log cannot be written: {error}", where=str(path), next_step="name another file"
        ) from error
    handler.setFormatter(_Lines())
    _LOG.addHandler(handler)
    level = _LOG.level
    _LOG.setLevel(logging.INFO)
    _LOG.disabled = False  # another library's set-up of logging silences whoever was there before
    event("started", **fields)
    try:
        yield
        event("ended")
    except BaseException:
        _LOG.exception("failed")
        raise
    finally:
        _LOG.removeHandler(handler)
        _LOG.setLevel(level)
        handler.close()
