"""Linear algebra on one thread.

The matrices here are small, one a vehicle or EVSE: with many threads most of the time goes into
their waiting for each other, most of all on a machine that does other work too. Measured: 1 M
sessions attributed in 33 s as it comes, 6.7 s so.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager

from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

ASKED_FOR = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS")
"""Variables by which whoever runs this says it himself."""


@contextmanager
def one_blas_thread() -> Iterator[None]:
    """Within, BLAS libraries that are loaded use one thread, unless the environment says a number.

    Serves as a decorator too.
    """
    if any(os.environ.get(name) for name in ASKED_FOR):
        yield
        return
    import scipy.linalg  # noqa: F401, PLC0415  # a library loaded later would not be limited

    with threadpool_limits(1, user_api="blas"):
        yield
