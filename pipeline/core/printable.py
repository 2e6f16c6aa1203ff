"""Text of logs and people made safe to print: shown, never obeyed, never longer than its place."""

from __future__ import annotations

import re

CELL, LINE = 90, 320
"""Longest text of a table cell and of a paragraph, in characters."""
_UNPRINTABLE = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u200b-\u200f\u202a-\u202e\u2060-\u2069\ufeff\ufff9-\ufffb]"
)
_LONG_WORD = re.compile(r"(\S{24})(?=\S)")


def printable(value: object, longest: int = LINE) -> str:
    """Text made safe to print.

    Control and direction marks shown as a box, long words breakable, long texts cut.
    """
    text = _UNPRINTABLE.sub("\ufffd", str(value).replace("\n", " ").replace("\t", " "))
    if len(text) > longest:
        text = text[: longest - 1] + "…"
    return _LONG_WORD.sub("\\1\u200b", text)
