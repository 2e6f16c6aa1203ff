"""Memory that runs out at every stage: a run may take so much more than it has as it begins, and not enough.

First it is found how much a run needs; then limits below are tried, evenly apart, smallest first.
"""

from __future__ import annotations

import faulthandler
import os
import resource
import shutil
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from tests.soak.faults import Case, words
from tests.soak.processes import Ended, fork
from tests.soak.rows import Row, Setup, forked, whichside, wrong_with
from tests.soak.steps import STEPS, at_each_step

TRIES = 40
"""Limits between none and enough."""
IN_A_ROW = 4
"""Runs out of memory on one warehouse before a run is let alone."""
_FINE_BYTES = 4 << 20
_MOST_BYTES = 4 << 30
LIMIT_S = 120
"""A run that has not ended by then stands still."""


@dataclass
class Found:
    """How the runs ended, by the step they came to."""

    died: Counter[str] = field(default_factory=Counter)
    told: Counter[str] = field(default_factory=Counter)

    def line(self) -> str:
        """As told: 'ingest 3 + 2' for three that died at an allocation and two that ended with a message."""
        steps = [name for name in STEPS if self.died[name] or self.told[name]]
        return ", ".join(f"{name} {self.died[name]} + {self.told[name]}" for name in steps)


def _data_bytes() -> int:
    status = Path("/proc/self/status").read_text(encoding="ascii")
    (line,) = (one for one in status.splitlines() if one.startswith("VmData"))
    return int(line.split()[1]) << 10


def limited(case: Case, place: Path, more_bytes: int) -> tuple[Ended, str]:
    """A run that may take so many bytes more than it has at its beginning (RLIMIT_DATA).

    How it ended, and the step it came to.
    """
    work = whichside(*words(case.delivered, place))

    def begins(step: int) -> None:
        os.write(1, f"\nstep {step}\n".encode())

    def under_a_limit() -> int:
        faulthandler.dump_traceback_later(LIMIT_S - 20)
        at_each_step(begins)
        begins(0)
        _, hard = resource.getrlimit(resource.RLIMIT_DATA)
        resource.setrlimit(resource.RLIMIT_DATA, (_data_bytes() + more_bytes, hard))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        return work()

    met = fork(under_a_limit, limit_s=LIMIT_S)
    last = [line for line in met.said.splitlines() if line.startswith("step ")][-1]
    return met, STEPS[int(last.split()[1])]


def needed_bytes(case: Case, place: Path) -> int:
    """How much more than at its beginning a run needs, to 4 MiB."""
    too_little, enough = 0, _MOST_BYTES
    while enough - too_little > _FINE_BYTES:
        middle = (too_little + enough) // 2
        met, step = limited(case, place, middle)
        well = met.code == 0
        print(f"    {middle >> 20} MiB: {'enough' if well else f'too little ({step})'}", flush=True)  # noqa: T201
        too_little, enough = (too_little, middle) if well else (middle, enough)
        shutil.rmtree(place, ignore_errors=True)
    return enough


def rows(setup: Setup) -> Iterator[Row]:
    """Limits below what a run needs, four on each warehouse, the least first; then a run let alone."""
    case = Setup(setup.folder / "memory", 0, 1, setup.seed, sparing=True).case
    place, found = setup.folder / "memory" / "place", Found()
    most = needed_bytes(case, place)
    row = Row("", "no trace, no standing still; week whole or absent; the next run the same bytes")
    limits = [most * (n + 1) // (TRIES + 1) for n in range(TRIES)]
    apart = TRIES // IN_A_ROW
    for first in range(apart):
        tried = [_try(case, place, more, found) for more in limits[first::apart]]
        after = wrong_with(partial(_next, case, place))
        for wrong in tried:
            row.add(wrong or after)
            row.tell(IN_A_ROW)
        shutil.rmtree(place, ignore_errors=True)
    row.fault = f"out of memory: {TRIES} limits below the {most >> 20} MiB that a run takes"
    row.holds += f" (steps, died + ended with a message: {found.line()})"
    yield row


def _try(case: Case, place: Path, more_bytes: int, found: Found) -> str | None:
    published = (place / "out" / case.week).is_dir()
    met, step = limited(case, place, more_bytes)
    (found.told if "What to do" in met.said else found.died)[step] += met.code != 0
    wrong = wrong_with(
        partial(_no_trace, met), partial(case.whole_or_absent, place, first=not published)
    )
    return wrong and f"{more_bytes >> 20} MiB, {step}: {wrong}"


def _no_trace(met: Ended) -> None:
    assert "Traceback" not in met.said, f"a trace: {met.said[-300:]}"
    assert "did not end in time" not in met.said, f"it stood still: {met.said[-300:]}"


def _next(case: Case, place: Path) -> None:
    published = (place / "out" / case.week).is_dir()
    done = forked(case, place, None)
    assert done.code == 0, f"the next run failed: {done.said[-300:]}"
    case.check(place, first=not published)
