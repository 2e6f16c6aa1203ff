"""How much memory this process has held."""

from __future__ import annotations

import re
import resource
from pathlib import Path

_STATUS = Path("/proc/self/status")


def peak_mb() -> float:
    """Most memory held so far, in MB.

    `getrusage` alone would tell that of the process that started this one if it held more.
    """
    if _STATUS.exists():
        return int(re.findall(r"VmHWM:\s*(\d+)", _STATUS.read_text(encoding="ascii"))[0]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
