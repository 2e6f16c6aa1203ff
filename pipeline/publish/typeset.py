"""Sheets set by the templates of `schemas/templates`: the same strings give the same bytes.

Words and numbers reach a template as JSON and are never read as markup. Fonts are those the
typesetter carries and embeds; system fonts are not looked at.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any, TypeVar

import typst

AT_ONCE = 2
"""Sheets set side by side: the cores of a small machine."""
Row = TypeVar("Row")
Made = TypeVar("Made")


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


def side_by_side(make: Callable[[Row], Made], rows: Iterable[Row]) -> Iterator[Made]:
    """What is made of each row, in order, some at once: the typesetter leaves the interpreter free meanwhile.

    What a call raises is raised here.
    """
    with ThreadPoolExecutor(AT_ONCE, thread_name_prefix="publish-sheet") as pool:
        yield from pool.map(make, rows)


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
