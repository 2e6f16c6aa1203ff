"""Loops over arrays of numbers, compiled where one operation on whole arrays after the other would mostly wait for memory.

The machine code is kept beside the module, or in the user's cache folder where that is read-only
(`NUMBA_CACHE_DIR` names another), so that only the first run of a version takes the seconds to compile it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, ParamSpec, TypeVar

from numba import njit

P = ParamSpec("P")
R = TypeVar("R")

OPTIONS: dict[str, Any] = {
    "nogil": True,
    "error_model": "numpy",  # no check before each division
    "fastmath": {
        "reassoc",
        "contract",
        "arcp",
        "nsz",
    },  # sums in any order; infinities and NaN hold
}


def compiled(loops: Callable[P, R]) -> Callable[P, R]:
    """The function, compiled for the types it is called with; compiled in each process anew where no folder can keep it."""
    try:
        function: Callable[P, R] = njit(cache=True, **OPTIONS)(loops)
    except RuntimeError:  # no folder it may write to
        function = njit(**OPTIONS)(loops)
    return function
