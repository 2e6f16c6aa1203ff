"""Memory that runs out at every stage: the limit stepped up from what a process has before it begins."""

from __future__ import annotations

import resource
import shutil
from collections import Counter
from collections.abc import Iterator
from functools import partial
from pathlib import Path

from tests.soak.faults import words
from tests.soak.processes import Ended, fork
from tests.soak.rows import Row, Setup, forked, whichside, wrong_with

STEP_BYTES = 8 << 20
_MOST_STEPS = 200


def _data_bytes() -> int:
    status = Path("/proc/self/status").read_text(encoding="ascii")
    (line,) = (one for one in status.splitlines() if one.startswith("VmData"))
    return int(line.split()[1]) << 10


def limited(delivered: Path, place: Path, more_bytes: int) -> Ended:
    """A run that may take so many bytes more than it has at its beginning (RLIMIT_DATA)."""
    work = whichside(*words(delivered, place))

    def under_a_limit() -> int:
        _, hard = resource.getrlimit(resource.RLIMIT_DATA)
        resource.setrlimit(resource.RLIMIT_DATA, (_data_bytes() + more_bytes, hard))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        return work()

    return fork(under_a_limit)


def rows(setup: Setup) -> Iterator[Row]:
    """A new warehouse at each step; then the same warehouse through all steps."""
    case = setup.case
    for fresh in (True, False):
        row = Row(
            f"out of memory, the limit stepped up by {STEP_BYTES >> 20} MiB, {'a new' if fresh else 'the same'} warehouse each time",
            "week whole or absent; the next run the same bytes",
        )
        said = Counter[str]()
        place, published = setup.folder / "memory", False
        for step in range(1, _MOST_STEPS):
            met = limited(case.delivered, place, step * STEP_BYTES)
            if met.code == 0:
                break
            said["message" if "What to do" in met.said else "died"] += 1
            wrong = wrong_with(
                partial(_no_trace, met), partial(case.whole_or_absent, place, first=not published)
            )
            published |= (place / "out" / case.week).is_dir()
            if fresh:
                wrong = wrong or wrong_with(partial(_next, setup, place, first=not published))
                shutil.rmtree(place, ignore_errors=True)
                published = False
            row.add(wrong and f"{step} steps: {wrong}")
        if not fresh:
            row.add(wrong_with(partial(case.check, place, first=not published)))
        shutil.rmtree(place, ignore_errors=True)
        row.holds += (
            f" ({said['message']} ended with a message, {said['died']} died at an allocation)"
        )
        yield row


def _no_trace(met: Ended) -> None:
    assert "Traceback" not in met.said, f"a trace: {met.said[-300:]}"


def _next(setup: Setup, place: Path, *, first: bool) -> None:
    done = forked(setup.case, place, None)
    assert done.code == 0, f"the next run failed: {done.said[-300:]}"
    setup.case.check(place, first=first)
