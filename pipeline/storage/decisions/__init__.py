"""What people decided and found: a small store, append-only, safe when several people use it at
once.

SQLite by a path, PostgreSQL by a URL (extra `postgresql`). Nothing is ever changed or removed: a
new row supersedes an old one, and triggers refuse anything else. Columns are those of
`schemas/tables/decisions.yaml`.
"""

from __future__ import annotations

from pipeline.storage.decisions.checks import ConflictError, DecisionError, finding_row
from pipeline.storage.decisions.connection import file_of, shown_as
from pipeline.storage.decisions.frames import DecisionFrames
from pipeline.storage.decisions.store import Decisions, open_decisions

__all__ = [
    "ConflictError", "DecisionError", "DecisionFrames", "Decisions", "file_of", "finding_row", "open_decisions", "shown_as",
]  # fmt: skip
