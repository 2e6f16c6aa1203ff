"""Who signed in, who was refused: one JSON object a line, in a private file beside the people's."""

from __future__ import annotations

import json
import logging
import os
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

_log = logging.getLogger(__name__)
_OWNER_ONLY = 0o600
_LONGEST = 200


@dataclass(frozen=True)
class SignInLog:
    """`path` None keeps nothing: nobody signs in."""

    path: Path | None

    def note(self, event: str, name: str, address: str) -> None:
        """Append an event; a disk that refuses is told in the server's log and stops nobody."""
        if self.path is None:
            return
        line = json.dumps(
            {
                "at": datetime.now(UTC).isoformat(timespec="seconds"),
                "event": event,
                "name": name[:_LONGEST],
                "address": address,
            },
            ensure_ascii=True,
        )
        try:
            handle = os.open(self.path, os.O_CREAT | os.O_WRONLY | os.O_APPEND, _OWNER_ONLY)
            try:
                os.write(handle, line.encode() + b"\n")
            finally:
                os.close(handle)
        except OSError:
            _log.exception("a sign-in could not be noted")
