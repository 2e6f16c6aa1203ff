"""Processes that are killed: a command line as a shell starts it, or work in a fork of this process.

A fork has everything imported already, so that a run costs what it does and hundreds can be tried; who
forks must itself never have asked anything of polars or DuckDB, whose threads do not outlive a fork. The
moment of a kill is told in processor time, which a load on the machine does not move.
"""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
import time
import traceback
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass

LIMIT_S = 900
_LOOK_S = 0.002
_KEPT_BYTES = 100_000


@dataclass(frozen=True)
class Ended:
    """How a process ended.

    Its exit code or the signal it died of, what it said (the last of it), the processor time it
    used, and whether it was we who killed it.
    """

    code: int | None
    signal: int | None
    said: str
    cpu_s: float
    killed: bool


def cpu_s(pid: int) -> float:
    """Processor seconds that all threads of a process have used; OSError when it has gone."""
    return time.clock_gettime((~pid << 3) | 2)  # Linux: the clock of another process


def spawn(
    command: Sequence[str], *, kill_at_cpu_s: float | None = None, env: dict[str, str] | None = None
) -> Ended:
    """Run a command line in a process group of its own; SIGKILL once it has used so much processor
    time.
    """
    with subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        start_new_session=True,
        env={**os.environ, **(env or {})},
    ) as process:
        assert process.stdout
        said, used, killed = _watch(process.pid, process.stdout.fileno(), kill_at_cpu_s)
        return _ended(process.wait(), said, used, killed=killed)


def fork(
    work: Callable[[], int],
    *,
    kill_at_cpu_s: float | None = None,
    by: signal.Signals = signal.SIGKILL,
    limit_s: float = LIMIT_S,
) -> Ended:
    """Do `work` in a fork, its result the exit code; a signal once it has used so much processor
    time, SIGKILL where it has not ended in so many seconds.
    """
    reading, writing = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.close(reading)
        _child(work, writing)
    os.close(writing)
    said, _, killed = _watch(pid, reading, kill_at_cpu_s, by, limit_s)
    os.close(reading)
    _, status, usage = os.wait4(pid, 0)
    code = os.waitstatus_to_exitcode(status)
    return _ended(code, said, usage.ru_utime + usage.ru_stime, killed=killed)


def kill(pid: int, by: signal.Signals = signal.SIGKILL) -> bool:
    """A signal for a process and all it started; whether there was one."""
    try:
        os.killpg(pid, by)
    except ProcessLookupError:
        return False
    return True


def _ended(code: int, said: bytes, used: float, *, killed: bool) -> Ended:
    words = said.decode("utf-8", "replace")
    return Ended(code if code >= 0 else None, -code if code < 0 else None, words, used, killed)


def _watch(
    pid: int,
    reading: int,
    kill_at_cpu_s: float | None,
    by: signal.Signals = signal.SIGKILL,
    limit_s: float = LIMIT_S,
) -> tuple[bytes, float, bool]:
    """Take what a process says until it says no more; what, its processor time, whether we killed
    it.
    """
    said, used, killed, end = b"", 0.0, False, time.monotonic() + limit_s
    while True:
        wait_s = 1.0 if kill_at_cpu_s is None or killed else _LOOK_S
        if select.select([reading], [], [], wait_s)[0]:
            chunk = os.read(reading, 1 << 16)
            if not chunk:
                return said, used, killed
            said = (said + chunk)[-_KEPT_BYTES:]
        with suppress(OSError):
            used = cpu_s(pid)
        late = time.monotonic() > end
        if late or (kill_at_cpu_s is not None and used >= kill_at_cpu_s and not killed):
            killed = kill(pid, signal.SIGKILL if late else by) or killed
        if late:
            return said + b"\nit did not end in time", used, killed


def _child(work: Callable[[], int], writing: int) -> None:
    code = 99
    try:
        os.setsid()
        os.dup2(writing, 1)
        os.dup2(writing, 2)
        os.close(writing)
        code = work()
    except SystemExit as error:
        code = error.code if isinstance(error.code, int) else 0
    except BaseException:  # noqa: BLE001  # whatever it is, who forked reads of it
        traceback.print_exc()
    finally:
        with suppress(OSError):
            sys.stdout.flush()
            sys.stderr.flush()
        os._exit(code)
