"""One fault at each call of a run that puts something on disk.

A shim between the run and the C library (`faulty_disk.c`, compiled here) counts writes, syncs, renames,
truncations and made folders, and lets the n-th of a step of the run fail: with 'I/O error' that one
alone, with 'disk full' all after it too. Whichever it is, the run ends by itself with a message and no
trace, and the week is whole or absent; to go on and end well is right only where a database makes good
for its own file, never where a file of the week failed. Faults come in rows on one new warehouse, each in
a later step than the one before, so that each meets the call it would meet in a run nothing ever
disturbed; at the end of a row a run let alone makes the same bytes. A call that a run did not come to
this time (threads decide how often a log is written) is no try.
"""

from __future__ import annotations

import ctypes
import errno
import json
import os
import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from tests.soak.faults import Case, words
from tests.soak.processes import Ended, fork
from tests.soak.rows import Row, Setup, forked, whichside, wrong_with
from tests.soak.steps import STEPS, at_each_step

SOURCE = Path(__file__).with_name("faulty_disk.c")
WAYS = {
    "I/O error at one call, the next ones go well": (errno.EIO, 1),
    "disk full from one call on": (errno.ENOSPC, 0),
}
IN_A_ROW = 4
"""Faults on one warehouse before a run is let alone."""


@dataclass(frozen=True)
class Call:
    """A call that puts something on disk: the n-th of a step."""

    step: int
    number: int

    def __str__(self) -> str:
        """As told."""
        return f"call {self.number} of {STEPS[self.step]}"


@dataclass(frozen=True)
class Met:
    """How a disturbed run ended, how many calls each step made, and how many were failed."""

    ended: Ended
    calls: list[int]
    failed: int
    at: str
    """The file of the first call that failed."""

    @property
    def unnoticed(self) -> bool:
        """Whether the run went on and ended well all the same."""
        return bool(self.failed) and self.ended.code == 0


def build(folder: Path) -> Path | None:
    """The shim as a shared object; None where there is no C compiler."""
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None:
        return None
    made = folder / "faulty_disk.so"
    subprocess.run([compiler, "-shared", "-fPIC", "-O1", "-o", made, SOURCE, "-ldl"], check=True)
    return made


def rows(setup: Setup) -> Iterator[Row]:
    """The two rows, tried in a process that has the shim before the C library."""
    shim = build(setup.folder)
    if shim is None:
        yield Row("fault of the disk", "not tried: no C compiler")
        return
    for number, way in enumerate(WAYS):
        row = Row(
            f"{way}: each write, sync, rename of a run",
            "a message, no trace; week whole or absent; the next run the same bytes",
        )
        folder = setup.folder / f"io{number}"
        command = [
            sys.executable,
            "-m",
            "tests.soak.io_faults",
            str(folder),
            way,
            str(setup.every),
            str(setup.seed),
        ]
        env = {**os.environ, "LD_PRELOAD": str(shim)}
        with subprocess.Popen(command, env=env, stdout=subprocess.PIPE, text=True) as process:
            assert process.stdout
            for line in process.stdout:
                kind, _, text = line.rstrip("\n").partition("\t")
                if kind == "try":
                    row.add(text or None)
                    row.tell(25)
                elif kind == "note":
                    row.holds += f" ({text})"
        if process.returncode:
            row.add(f"the trial itself ended with {process.returncode}")
        yield row


def failing(case: Case, place: Path, call: Call | None, code: int, once: int) -> Met:
    """A run that meets a fault at a call (None: at none)."""
    disk = ctypes.CDLL(None)
    disk.faulty_disk_failed_at.restype = ctypes.c_char_p
    work = whichside(*words(case.delivered, place))
    calls = [0] * len(STEPS)
    now = 0

    def begins(step: int) -> None:
        nonlocal now
        calls[now], now = disk.faulty_disk_count(), step
        if not disk.faulty_disk_failed():
            at = call.number if call and call.step == step else -1
            disk.faulty_disk_arm(ctypes.c_long(at), code, once)

    def armed() -> int:
        at_each_step(begins)
        begins(0)
        try:
            return work()
        finally:
            calls[now] = disk.faulty_disk_count()
            at = disk.faulty_disk_failed_at().decode()
            os.write(1, f"\n{json.dumps([calls, disk.faulty_disk_failed(), at])}".encode())

    ended = fork(armed)
    told = ended.said.rpartition("\n")[2]
    counted, failed, at = json.loads(told) if told.startswith("[[") else (calls, 1, "")
    return Met(ended, counted, failed, at)


def disturb(case: Case, place: Path, call: Call, way: str) -> tuple[Met, str | None]:
    """One run with a fault; what did not hold."""
    published = (place / "out" / case.week).is_dir()
    met = failing(case, place, call, *WAYS[way])

    def ended() -> None:
        code, said = met.ended.code, met.ended.said
        assert code is not None, f"died of signal {met.ended.signal}: {said[-200:]}"
        assert "Traceback" not in said, f"a trace: {said[-300:]}"
        assert code == 0 or "What to do" in said, f"no message: {said[-300:]}"
        of_a_week = place / "out" in Path(met.at).parents
        assert not (met.unnoticed and of_a_week), f"{met.at} failed, and nobody was told"

    wrong = wrong_with(ended, partial(case.whole_or_absent, place, first=not published))
    return met, wrong and f"{call}, exit {met.ended.code}: {' '.join(wrong.split())}"


def made_again(case: Case, place: Path) -> str | None:
    """An undisturbed run; what did not hold."""
    published = (place / "out" / case.week).is_dir()
    done = forked(case, place, None)
    if done.code != 0:
        return f"the next run failed: {' '.join(done.said[-300:].split())}"
    return wrong_with(lambda: case.check(place, first=not published))


def main() -> None:
    """Disturb runs of a delivery; a line a try."""
    folder, way, every, seed = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]), int(sys.argv[4])
    folder.mkdir()
    case = Setup(folder, 0, every, seed, sparing=True).case
    counted = failing(case, folder / "counted", None, 0, 0).calls
    calls = [Call(step, n) for step, made in enumerate(counted) for n in range(made)]
    asked = calls[list(WAYS).index(way) * every // 2 :: every]
    apart = -(-len(asked) // IN_A_ROW)
    passed_over, unnoticed = 0, Counter[str]()
    for first in range(apart):
        place, tried = folder / "place", list[tuple[Call, str | None]]()
        for call in asked[first::apart]:
            met, wrong = disturb(case, place, call, way)
            passed_over += not met.failed
            unnoticed.update([Path(met.at).name] if met.unnoticed else [])
            if met.failed or wrong:
                tried.append((call, wrong))
        after = made_again(case, place)
        row = ", ".join(str(call) for call, _ in tried)
        for _, wrong in tried:
            _say("try", wrong or (after and f"after {row}: {after}") or "")
        shutil.rmtree(place, ignore_errors=True)
    made = ", ".join(f"{name} {n}" for name, n in zip(STEPS, counted, strict=True) if n)
    _say("note", f"{len(asked)} of {sum(counted)} calls in a run asked for: {made}")
    well = ", ".join(f"{name} {n}" for name, n in sorted(unnoticed.items()))
    _say("note", f"{unnoticed.total()} runs went on and ended well: {well}")
    _say("note", f"{passed_over} did not come to the call")


def _say(kind: str, text: str) -> None:
    print(kind, " ".join(text.split()), sep="\t", flush=True)  # noqa: T201


if __name__ == "__main__":
    main()
