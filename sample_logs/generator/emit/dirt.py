"""What happens to lines on their way.

Twice, out of order, cut off, with bytes that do not belong.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Damage:
    """Counts of what was done to one file's lines, kept in the truth."""

    duplicated: int
    moved: int
    cut: int
    nul: int
    bad_bytes: int


SHARE_TWICE, SHARE_MOVED, SHARE_CUT, SHARE_NUL, SHARE_BAD = 0.004, 0.003, 0.0004, 0.0003, 0.0003


def soiled(lines: list[bytes], rng: np.random.Generator, dirt: float) -> tuple[list[bytes], Damage]:
    """Lines with damage done: every duplicate is the same bytes, a damaged line is a lost one."""
    n = len(lines)
    if n == 0 or dirt <= 0:
        return lines, Damage(0, 0, 0, 0, 0)
    count = [int(rng.binomial(n, min(s * dirt, 0.3))) for s in (SHARE_CUT, SHARE_NUL, SHARE_BAD)]
    picked = rng.choice(n, min(n, sum(count)), replace=False).tolist()
    out = list(lines)
    for place, row in enumerate(picked):
        if place < count[0]:
            out[row] = out[row][: int(rng.integers(5, max(6, len(out[row]) - 3)))]
        else:
            junk = b"\x00\x00" if place < count[0] + count[1] else b"\xff\xfe"
            middle = len(out[row]) // 2
            out[row] = out[row][:middle] + junk + out[row][middle:]
    again = rng.random(n) < min(SHARE_TWICE * dirt, 0.3)
    shift = np.where(rng.random(n) < min(SHARE_MOVED * dirt, 0.3), rng.integers(2, 60, n), 0)
    key = np.arange(n) + shift
    later = np.arange(n)[again] + rng.integers(1, 200, int(again.sum()))
    order = np.argsort(np.concatenate([key, later]), kind="stable")
    source = np.concatenate([np.arange(n), np.arange(n)[again]])
    moved = int((shift > 0).sum())
    return [out[i] for i in source[order]], Damage(int(again.sum()), moved, *count)
