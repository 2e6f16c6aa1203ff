"""The next block is read and cut, and the one before it typed, while the warehouse takes in another."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

T = TypeVar("T")
Made = TypeVar("Made")


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


def made_ahead(make: Callable[[T], Made], items: Iterable[T]) -> Generator[Made]:
    """What is made of each item, that of the next always being made in a second thread.

    The items come from the caller's thread. An exception comes out where it would have, one item later at most.
    """
    waiting: Future[Made] | None = None
    with ThreadPoolExecutor(1, thread_name_prefix="ingest-make") as pool:
        for item in items:
            started = pool.submit(make, item)
            if waiting is not None:
                yield waiting.result()
            waiting = started
        if waiting is not None:
            yield waiting.result()
