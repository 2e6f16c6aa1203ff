"""Work done in threads beside each other, where what does it leaves the interpreter free meanwhile."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

AT_ONCE = 2
"""Threads: the cores of a small machine."""
Row = TypeVar("Row")
Made = TypeVar("Made")


def side_by_side(make: Callable[[Row], Made], rows: Iterable[Row]) -> Iterator[Made]:
    """What is made of each row, in order, some at once.  What a call raises is raised here."""
    with ThreadPoolExecutor(AT_ONCE, thread_name_prefix="side-by-side") as pool:
        yield from pool.map(make, rows)
