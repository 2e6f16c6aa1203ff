"""Runs of the command line in forked processes: everything is imported once, so that a run costs what it does.

The process that forks must itself never have asked anything of polars or DuckDB: their threads do not outlive a fork.
"""

from __future__ import annotations

import os
import select
import signal
import sys
import time
import traceback
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass

LIMIT_S = 900
_LOOK_S = 0.002
_KEPT_BYTES = 20_000


@dataclass(frozen=True)
class Ended:
    """How a process ended: exit code (None: killed by us at `cpu_s` or by a signal), and what it said."""

    code: int | None
    signal: int | None
    said: str
    cpu_s: float
    cut: bool
    """Whether we killed it before it ended."""


def cpu_s(pid: int) -> float:
    """Processor seconds a process has used; a load on the machine does not change them. OSError when it has gone."""
    return time.clock_gettime((~pid << 3) | 2)  # Linux: clock of another process, all its threads


def run(work: Callable[[], int], *, kill_at_cpu_s: float | None = None) -> Ended:
    """Do `work` in a forked process group, its exit code the process's; SIGKILL once it has used so much processor time."""
    reading, writing = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.close(reading)
        _child(work, writing)
    os.close(writing)
    said, used, cut = b"", 0.0, False
    end = time.monotonic() + LIMIT_S
    while True:
        ready, _, _ = select.select([reading], [], [], _LOOK_S if kill_at_cpu_s is not None else 1.0)
        if ready:
            chunk = os.read(reading, 1 << 16)
            if not chunk:
                break
            said = (said + chunk)[-_KEPT_BYTES:]
        with suppress(OSError):
            used = cpu_s(pid)
        if time.monotonic() > end or (kill_at_cpu_s is not None and used >= kill_at_cpu_s):
            cut = _kill(pid) or cut
            if time.monotonic() > end:
                said += b"\nit did not end in time"
            kill_at_cpu_s, end = None, time.monotonic() + LIMIT_S
    os.close(reading)
    _, status, usage = os.wait4(pid, 0)
    code = os.waitstatus_to_exitcode(status)
    return Ended(
        code if code >= 0 else None, -code if code < 0 else None, said.decode("utf-8", "replace"),
        usage.ru_utime + usage.ru_stime, cut,
    )  # fmt: skip


def _kill(pid: int) -> bool:
    try:
        os.killpg(pid, signal.SIGKILL)
    except ProcessLookupError:
        return False
    return True


def _child(work: Callable[[], int], writing: int) -> None:
    code = 99
    try:
        os.setsid()
        os.dup2(writing, 1), os.dup2(writing, 2)
        os.close(writing)
        code = work()
    except SystemExit as error:
        code = error.code if isinstance(error.code, int) else 1
    except BaseException:  # the parent tells it from a message
        traceback.print_exc()
    finally:
        with suppress(BaseException):
            sys.stdout.flush(), sys.stderr.flush()
        os._exit(code)


def command(*words: str) -> Callable[[], int]:
    """A command of ours as the work of a forked process."""
    from pipeline.cli import main  # noqa: PLC0415 -- imported before forking

    def work() -> int:
        sys.argv = ["whichside", *words]
        main()
        return 0

    return work
