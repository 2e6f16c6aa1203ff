"""Inputs that fuzzing found worth keeping, tried again: no exception, in bounded memory and time.

`python -m tests.fuzz` (extra `fuzz`) looks for more.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.fuzz.targets import TARGETS

CORPUS = Path(__file__).with_name("corpus")
MOST_BYTES = 1 << 30
"""Of memory that a reader may take beyond what its process has when it begins (DuckDB's cap and a block: measured under half)."""

_REPLAY = """
import resource, sys
from pathlib import Path
from tests.fuzz.targets import TARGETS
held = int(next(l for l in open("/proc/self/status") if l.startswith("VmData")).split()[1]) << 10
resource.setrlimit(resource.RLIMIT_DATA, (held + int(sys.argv[1]), resource.RLIM_INFINITY))
for target in sys.argv[2:]:
    for path in sorted((Path("tests/fuzz/corpus") / target).iterdir()):
        print(path, flush=True)
        TARGETS[target](path.read_bytes())
"""


def test_every_reader_has_inputs_and_they_are_small() -> None:
    """Each target has a corpus, and all of them together are tens of kilobytes."""
    assert {path.name for path in CORPUS.iterdir()} == set(TARGETS)
    assert sum(path.stat().st_size for path in CORPUS.rglob("*") if path.is_file()) < 150_000


@pytest.mark.skipif(sys.platform != "linux", reason="the memory limit is Linux's")
def test_kept_inputs_end_well_under_a_memory_limit() -> None:
    """Every kept input goes through its reader without an exception, in a process with little
    memory.
    """
    done = subprocess.run(
        [sys.executable, "-c", _REPLAY, str(MOST_BYTES), *TARGETS],
        cwd=Path(__file__).resolve().parents[2],
        capture_output=True,
        text=True,
        check=False,
    )
    last = done.stdout.strip().rsplit("\n", 1)[-1]
    assert done.returncode == 0, f"at {last}: {done.stderr[-2000:]}"
