"""How much memory this process has held, and what is given back of it."""

from __future__ import annotations

import ctypes
import re
import resource
from pathlib import Path

import pyarrow as pa

_STATUS = Path("/proc/self/status")


def peak_mb() -> float:
    """Most memory held so far, in MB.

    `getrusage` alone would tell that of the process that started this one if it held more.
    """
    if _STATUS.exists():
        return int(re.findall(r"VmHWM:\s*(\d+)", _STATUS.read_text(encoding="ascii"))[0]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def give_back() -> None:
    """Hand what is free back to the system: allocators keep the pages of work that is done, and they count as held.

    Where the C library has no such call (not glibc), only Arrow's are.
    """
    pa.default_memory_pool().release_unused()
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    if trim is not None:
        trim(0)
