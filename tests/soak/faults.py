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
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from tests.ops import same_bytes
from tests.soak.processes import Ended, kill, spawn

LIMIT_S = 600

Run = Callable[["Case", Path, float | None], Ended]
"""A run of a case's delivery in a place, killed once it has used so much processor time (None: never)."""


def words(delivered: Path, place: Path, out: Path | None = None) -> list[str]:
    """The words of a run of a delivery, its stores in `place`, the weeks there too or in `out`."""
    store, out = place / "w.duckdb", out or place / "out"
    return ["run", str(delivered), "--store", str(store), "--out", str(out), "--quiet"]


def command(delivered: Path, place: Path, out: Path | None = None) -> list[str]:
    """The command line of a run."""
    return [sys.executable, "-m", "pipeline", *words(delivered, place, out)]


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


def end(process: subprocess.Popen[bytes]) -> None:
    """SIGKILL for a run and all it started, whether it still runs or not."""
    with suppress(ProcessLookupError):
        kill(process.pid)
    process.wait()


@dataclass
class Case:
    """A delivery, what an undisturbed run makes of it, and the processor time that takes."""

    folder: Path
    delivered: Path
    reference: Path
    cpu_s: float

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


_DELIVER = "import sys; from pathlib import Path; from tests.ops import delivery; delivery(Path(sys.argv[1]), "


def spawned(case: Case, place: Path, kill_at_cpu_s: float | None) -> Ended:
    """A run as a shell starts it."""
    return spawn(command(case.delivered, place), kill_at_cpu_s=kill_at_cpu_s)


def make_case(folder: Path, run: Run = spawned, **size: int) -> Case:
    """Invent a delivery (in a process of its own) and run it undisturbed."""
    sizes = ", ".join(f"{name}={value}" for name, value in size.items())
    subprocess.run([sys.executable, "-c", f"{_DELIVER}{sizes})", str(folder)], check=True)
    case = Case(folder, folder / "world" / "delivery", folder, 0.0)
    done = run(case, folder / "reference", None)
    assert done.code == 0, done.said
    case.cpu_s = done.cpu_s
    weeks = [p for p in (folder / "reference" / "out").iterdir() if not p.name.startswith(".")]
    assert len(weeks) == 1
    case.reference = weeks[0]
    return case


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
    run: Run = spawned,
) -> Killing:
    """Kill runs at random moments, up to so many in a row on one warehouse, then let one finish and
    compare; repeat.

    A run that ended before its moment came is `missed` and does not count as a kill.
    """
    rng = random.Random(seed)  # noqa: S311  # moments, no secrets
    count = Killing()
    while count.kills < times:
        place, published = case.folder / f"killed-{seed}-{count.finished}", False
        for _ in range(min(rng.randint(1, most_in_a_row), times - count.kills)):
            moment = rng.uniform(0.0, 1.0)
            ended = run(case, place, moment * case.cpu_s)
            killed = ended.signal == signal.SIGKILL
            assert killed or ended.code == 0, (
                f"a run after {count.kills} kills failed by itself: {ended.said}"
            )
            count.kills, count.missed = count.kills + killed, count.missed + (not killed)
            count.moments.append(round(moment, 3))
            published |= case.whole_or_absent(place, first=not published)
        done = run(case, place, None)
        assert done.code == 0, done.said
        case.check(place, first=not published)
        count.finished += 1
        shutil.rmtree(place)
    return count
