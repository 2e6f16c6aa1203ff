"""One fault at each call of a run that puts something on disk.

A shim between the run and the C library (`faulty_disk.c`, compiled here) counts writes, syncs, renames,
truncations and made folders, and lets the n-th fail: with 'I/O error' that one alone, with 'disk full'
all after it too. Whatever n, the run ends by itself with a message and no trace, the week is whole or
absent, and after some of them in a row on one warehouse an undisturbed run makes the same bytes. With
`--every 2` the two kinds of fault take turns: each call is failed once.
"""

from __future__ import annotations

import ctypes
import errno
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

from tests.soak.faults import Case, words
from tests.soak.processes import Ended, fork
from tests.soak.rows import Row, Setup, forked, whichside, wrong_with

SOURCE = Path(__file__).with_name("faulty_disk.c")
WAYS = {
    "I/O error at one call, the next ones go well": (errno.EIO, 1),
    "disk full from one call on": (errno.ENOSPC, 0),
}
IN_A_ROW = 6
"""Faults on one warehouse before a run is let alone."""


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
        command = [
            sys.executable,
            "-m",
            "tests.soak.io_faults",
            str(setup.folder / f"io{number}"),
            way,
            str(setup.every),
            str(setup.seed),
        ]
        with subprocess.Popen(
            command, env={**os.environ, "LD_PRELOAD": str(shim)}, stdout=subprocess.PIPE, text=True
        ) as process:
            assert process.stdout
            for line in process.stdout:
                if line.startswith("try\t"):
                    wrong = line.rstrip("\n").split("\t", 1)[1] or None
                    row.add(wrong)
                    if wrong:
                        print("   ", wrong, flush=True)  # noqa: T201  # at once: it takes long
        if process.returncode:
            row.add(f"the trial itself ended with {process.returncode}")
        yield row


def failing(case: Case, place: Path, at: int, code: int, once: int) -> Ended:
    """A run whose call number `at` fails (-1: none); the last it says is how many calls it made."""
    disk = ctypes.CDLL(None)
    work = whichside(*words(case.delivered, place))

    def armed() -> int:
        disk.faulty_disk_arm(ctypes.c_long(at), code, once)
        try:
            return work()
        finally:
            os.write(1, f"\n{disk.faulty_disk_count()}".encode())

    return fork(armed)


def disturb(case: Case, place: Path, at: int, way: str) -> str | None:
    """One run with a fault; what did not hold."""
    published = (place / "out" / case.week).is_dir()
    met = failing(case, place, at, *WAYS[way])

    def ended() -> None:
        assert met.code is not None, f"died of signal {met.signal}: {met.said[-200:]}"
        assert "Traceback" not in met.said, f"a trace: {met.said[-300:]}"
        assert met.code == 0 or "What to do" in met.said, f"no message: {met.said[-300:]}"

    wrong = wrong_with(ended, lambda: case.whole_or_absent(place, first=not published))
    return wrong and f"call {at}, exit {met.code}: {' '.join(wrong.split())}"


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
    case = Setup(folder, 0, every, seed).case
    total = int(failing(case, folder / "counted", -1, 0, 0).said.split()[-1])
    place = folder / "place"
    calls = range(list(WAYS).index(way) * every // 2, total, every)
    for done in range(0, len(calls), IN_A_ROW):
        tried = [disturb(case, place, at, way) for at in calls[done : done + IN_A_ROW]]
        after = made_again(case, place)
        if after:
            tried = [f"after calls {calls[done : done + IN_A_ROW]}: {after}" for _ in tried]
        for wrong in tried:
            print(f"try\t{' '.join((wrong or '').split())}", flush=True)  # noqa: T201
        shutil.rmtree(place, ignore_errors=True)


if __name__ == "__main__":
    main()
