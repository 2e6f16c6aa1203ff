"""Memory that is free is given back to the system."""

from __future__ import annotations

import ctypes
from pathlib import Path

import pytest

from pipeline.core.peak_memory import give_back

STATM = Path("/proc/self/statm")
BLOCK, BLOCKS = 100_000, 800
"""Below the size that the C library maps by itself, so that freed blocks stay with the process."""


def held() -> int:
    """Bytes held now."""
    return int(STATM.read_text(encoding="ascii").split()[1]) * 4096


@pytest.mark.skipif(
    not STATM.exists() or not hasattr(ctypes.CDLL(None), "malloc_trim"), reason="not glibc on Linux"
)
def test_what_is_free_between_what_is_held_goes_back() -> None:
    """80 MB of freed blocks below one that is held: they count as held until they are given back."""
    blocks = [bytearray(b"x" * BLOCK) for _ in range(BLOCKS)]
    last = blocks[-1]
    before = held()
    del blocks
    give_back()
    assert before - held() > BLOCK * BLOCKS // 2
    assert len(last) == BLOCK
