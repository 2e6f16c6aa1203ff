"""What people decided and found: a small store, append-only, safe when several people use it at once.

SQLite by a path, PostgreSQL (or another database SQLAlchemy speaks) by a URL. Nothing is ever changed or removed: a new row
supersedes an old one, and triggers refuse anything else. Columns are those of `schemas/tables/decisions.yaml`.
"""

from __future__ import annotations

from pipeline.decisions.checks import ConflictError, DecisionError, finding_row
from pipeline.decisions.store import DecisionFrames, Decisions, open_decisions

__all__ = ["ConflictError", "DecisionError", "DecisionFrames", "Decisions", "finding_row", "open_decisions"]
