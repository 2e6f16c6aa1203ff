"""Texts of ours inside SQL."""

from __future__ import annotations


def quoted(text: str) -> str:
    """A text as an SQL literal."""
    return "'" + text.replace("'", "''") + "'"
