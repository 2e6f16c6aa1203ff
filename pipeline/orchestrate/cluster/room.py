"""On a worker: a disk without room, said as what it is."""

from __future__ import annotations

import errno
from collections.abc import Iterator
from contextlib import contextmanager

from pipeline.core.errors import StoreError

_NO_ROOM = {errno.ENOSPC, errno.EDQUOT}


@contextmanager
def room(lake_url: str) -> Iterator[None]:
    """Give a full disk, the lake's or the worker's own, a name and a cure.

    Nothing of what was begun counts: a note is written last. Raises StoreError, which is not tried
    again, since the same again would not help.
    """
    try:
        yield
    except OSError as error:
        if error.errno not in _NO_ROOM:
            raise
        raise StoreError(
            f"no room on a worker's disk or in the lake: {error}",
            where=error.filename or lake_url,
            next_step="make room there, then run again: files cut and stations built so far are kept",
        ) from error
