"""The next block is read and cut, and the one before it typed, while the warehouse takes in another."""

from __future__ import annotations

from collections import deque
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


def made_ahead(make: Callable[[T], Made], items: Iterable[T], depth: int = 1) -> Generator[Made]:
    """What is made of each item, those of the next `depth` always being made, one after the other, in a second thread.

    The items come from the caller's thread. An exception comes out where it would have, `depth` items later at most.
    """
    waiting: deque[Future[Made]] = deque()
    with ThreadPoolExecutor(1, thread_name_prefix="ingest-make") as pool:
        for item in items:
            waiting.append(pool.submit(make, item))
            if len(waiting) > depth:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
