"""Faults done to real runs of `whichside run`: what is started, how it is broken, what must hold
after.

A case has a delivery, and the week's folder an undisturbed run makes of it. After any fault the
next run must make the same bytes (run.json but for its timings), and what stands in the out folder
at any moment is a whole week or none.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from tests.ops import delivery, same_bytes

LIMIT_S = 600


def command(delivered: Path, place: Path, out: Path | None = None) -> list[str]:
    """The command line of a run of a delivery, its stores in `place`, the weeks there too or in
    `out`.
    """
    run = [
        "run",
        str(delivered),
        "--store",
        str(place / "w.duckdb"),
        "--out",
        str(out or place / "out"),
        "--quiet",
    ]
    return [sys.executable, "-c", "from pipeline.cli import main; main()", *run]


def finish(
    delivered: Path, place: Path, out: Path | None = None, env: dict[str, str] | None = None
) -> subprocess.CompletedProcess[str]:
    """Run to the end; its exit code and what it said."""
    return subprocess.run(
        command(delivered, place, out), capture_output=True, text=True, timeout=LIMIT_S, check=False,
        env={**os.environ, **(env or {})},
    )  # fmt: skip


def start(delivered: Path, place: Path) -> subprocess.Popen[bytes]:
    """Start a run in a process group of its own and go on."""
    return subprocess.Popen(
        command(delivered, place),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )


def kill(process: subprocess.Popen[bytes]) -> None:
    """SIGKILL for a run and all it started, whether it still runs or not."""
    with suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    process.wait()


@dataclass
class Case:
    """A delivery, what an undisturbed run makes of it, and how long that takes."""

    folder: Path
    delivered: Path
    reference: Path
    seconds: float

    @property
    def week(self) -> str:
        """The week it reports."""
        return self.reference.name

    def check(self, place: Path, *, first: bool = True) -> None:
        """Fail unless the week stands in `place` with the bytes of the undisturbed run (`first`.

        The first to publish).
        """
        same_bytes(self.reference, place / "out" / self.week, inputs=first)

    def whole_or_absent(self, place: Path, *, first: bool = True) -> bool:
        """Fail if a visible folder in `place` is anything but the week, whole.

        True when it is there.
        """
        out = place / "out"
        visible = (
            [p.name for p in out.iterdir() if not p.name.startswith(".")] if out.is_dir() else []
        )
        assert set(visible) <= {self.week}
        if visible:
            self.check(place, first=first)
        return bool(visible)


def make_case(folder: Path, **size: int) -> Case:
    """Invent a delivery and run it undisturbed, after one run that warms the machine's file cache."""
    delivered = delivery(folder, **size)
    for name in ("warm", "reference"):
        begin = time.monotonic()
        done = finish(delivered, folder / name)
        assert done.returncode == 0, done.stderr
        seconds = time.monotonic() - begin
    weeks = [p for p in (folder / "reference" / "out").iterdir() if not p.name.startswith(".")]
    assert len(weeks) == 1
    return Case(folder, delivered, weeks[0], seconds)


@dataclass
class Killing:
    """What a series of kills came to."""

    kills: int = 0
    missed: int = 0
    finished: int = 0
    moments: list[float] = field(default_factory=list)


def kill_often(
    case: Case,
    times: int,
    seed: int,
    most_in_a_row: int = 12,
    tell: Callable[[Killing], None] = lambda _: None,
) -> Killing:
    """Kill runs at random moments, up to so many in a row on one warehouse, then let one finish and
    compare; repeat.

    A run that ended before its moment came is `missed` and does not count as a kill. `tell` hears
    of each comparison.
    """
    rng = random.Random(seed)  # noqa: S311  # moments, no secrets
    count = Killing()
    while count.kills < times:
        place, published = case.folder / f"killed-{seed}-{count.finished}", False
        for _ in range(rng.randint(1, most_in_a_row)):
            process = start(case.delivered, place)
            moment = rng.uniform(0.0, 1.05) * case.seconds
            with suppress(subprocess.TimeoutExpired):
                process.wait(moment)
            ended = process.poll() is not None
            assert not ended or process.returncode == 0, (
                f"a run after {count.kills} kills failed by itself"
            )
            kill(process)
            count.kills, count.missed = count.kills + (not ended), count.missed + ended
            count.moments.append(round(moment / case.seconds, 3))
            published |= case.whole_or_absent(place, first=not published)
        done = finish(case.delivered, place)
        assert done.returncode == 0, done.stderr
        case.check(place, first=not published)
        count.finished += 1
        tell(count)
        shutil.rmtree(place)
    return count
