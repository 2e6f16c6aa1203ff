"""Sheets set by the templates of `schemas/templates`: the same strings give the same bytes.

Words and numbers reach a template as JSON and are never read as markup. Fonts are those the
typesetter carries and embeds; system fonts are not looked at.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any

import typst


def typeset(template: Path, data: Mapping[str, Any], at: datetime) -> bytes:
    """The PDF of a template with its strings, dated `at`."""
    text = json.dumps(data, ensure_ascii=False, sort_keys=True)
    with _typesetter(template) as typesetter:
        pdf = typesetter.compile(
            format="pdf", sys_inputs={"data": text}, timestamp=int(at.timestamp())
        )
    if not isinstance(pdf, bytes):
        raise TypeError("the typesetter gave no single document")
    return pdf


@contextmanager
def _typesetter(template: Path) -> Iterator[typst.Compiler]:
    """A compiler of the template: it sets one sheet at a time, and is kept with its fonts for the next."""
    idle = _IDLE.setdefault(template, SimpleQueue())
    try:
        compiler = idle.get_nowait()
    except Empty:
        compiler = typst.Compiler(
            str(template), root=str(template.parent), ignore_system_fonts=True
        )
    try:
        yield compiler
    finally:
        idle.put(compiler)


_IDLE: dict[Path, SimpleQueue[typst.Compiler]] = {}
