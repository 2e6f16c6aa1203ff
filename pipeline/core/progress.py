"""How long steps tell how far they are: a bar on a terminal, nothing elsewhere."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Protocol

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeElapsedColumn
from rich.progress import Progress as Bars


class Progress(Protocol):
    """What a step calls: its name in plain words, how much is done, of how much (0 = not known)."""

    def __call__(self, step: str, done: int, total: int) -> None:
        """Take note of the state of a step."""


def silent(step: str, done: int, total: int) -> None:
    """Say nothing."""


@contextmanager
def bars(*, quiet: bool) -> Iterator[Progress]:
    """Progress bars on standard error, where that is a terminal and not `quiet`."""
    if quiet or not sys.stderr.isatty():
        yield silent
        return
    columns = (
        TextColumn("{task.description:<28}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
    )
    with Bars(*columns, console=Console(stderr=True)) as shown:
        tasks = {}

        def tell(step: str, done: int, total: int) -> None:
            if step not in tasks:
                tasks[step] = shown.add_task(step)
            shown.update(tasks[step], completed=done, total=total or None)

        yield tell
