"""Items made in a second thread, one ahead."""

from __future__ import annotations

from collections.abc import Iterator
from threading import get_ident

import pytest

from pipeline.ingest.read_ahead import made_ahead


def test_made_in_order_by_one_other_thread() -> None:
    """Each item is made once, in order, all in one thread that is not the caller's; only the next is taken ahead."""
    taken, threads = list[int](), set[int]()

    def make(item: int) -> int:
        threads.add(get_ident())
        return item * item

    def items() -> Iterator[int]:
        for item in range(20):
            taken.append(item)
            yield item

    for i, made in enumerate(made_ahead(make, items())):
        assert made == i * i
        assert len(taken) == min(i + 2, 20)
    assert len(taken) == 20
    assert len(threads) == 1
    assert get_ident() not in threads


def test_what_cannot_be_made_is_told_after_what_came_before() -> None:
    """An exception comes out at its item, after all before it, with the next being made."""
    made = made_ahead(lambda n: 6 // n, [3, 2, 1, 0, 6])
    assert [next(made) for _ in range(3)] == [2, 3, 6]
    with pytest.raises(ZeroDivisionError):
        next(made)


def test_no_items() -> None:
    """Nothing is made of nothing."""
    assert list(made_ahead(str, [])) == []
