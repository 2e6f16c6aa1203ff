"""The next block is read and cut while the warehouse works on this one."""

from __future__ import annotations

from collections.abc import Generator, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

T = TypeVar("T")


def ahead(items: Iterator[T]) -> Generator[T]:
    """The same items, one of them always being made in a second thread.

    An exception comes out where it would have.
    """
    end = object()
    with ThreadPoolExecutor(1, thread_name_prefix="ingest-read") as pool:
        waiting = pool.submit(next, items, end)
        while (item := waiting.result()) is not end:
            waiting = pool.submit(next, items, end)
            yield item  # type: ignore[misc]  # `end` is no T
