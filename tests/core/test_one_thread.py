"""Small matrices are solved on one thread, unless whoever runs this says otherwise."""

from __future__ import annotations

import pytest
from threadpoolctl import threadpool_info  # type: ignore[import-untyped]

from pipeline.core.one_thread import ASKED_FOR, one_blas_thread


def _threads() -> set[int]:
    return {
        library["num_threads"] for library in threadpool_info() if library["user_api"] == "blas"
    }


@pytest.mark.parametrize(("asked", "within"), [(None, {1}), ("7", "as before")])
def test_blas_keeps_to_one_thread(
    monkeypatch: pytest.MonkeyPatch, asked: str | None, within: object
) -> None:
    """Every BLAS loaded has one thread within and what it had after; a number in the environment
    stands.
    """
    for name in ASKED_FOR:
        monkeypatch.delenv(name, raising=False)
    if asked:
        monkeypatch.setenv(ASKED_FOR[0], asked)
    with one_blas_thread():
        pass  # loads what is limited
    before = _threads()
    with one_blas_thread():
        assert _threads() == (before if within == "as before" else within)
    assert _threads() == before
