"""One hostile file each, read by itself: how much memory and processor time it can cost.

Made to hurt: bombs, lines and quotes without end, depth, breadth, patterns that look back. The process
may take so much memory and no more; what is in the file is rejected or used, and the run goes on.
"""

from __future__ import annotations

import gzip
import os
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

import zstandard

from tests.soak.rows import Row, Setup

MOST_MIB = 1536
"""What ingest is said to stay under (`engine_bytes`): the whole process."""
MOST_CPU_S = 120
MIB = 1 << 20
_FRAME = b'{"at":"2026-03-02T10:00:00Z","station_id":"S","dir":"in","version":"1.6","frame":[2,"1","X",%s]}\n'
_TOKENS = b"id_token,vehicle_id,valid_from,valid_to\n"
_ONE = """
import sys
from pathlib import Path
from pipeline.ingest import ingest_delivery
from pipeline.settings.ingest import IngestSettings
from pipeline.storage.warehouse import writing
folder = Path(sys.argv[1])
with writing(folder / "w.duckdb") as con:
    files = ingest_delivery(con, folder / "delivery", IngestSettings()).files
    assert (files["lines"] == files["used"] + files["rejected"] + files["duplicates"]).all()
"""
_LINE = b"""frames:
  - file: "*.log"
    line: "{at} {*} {*} {*} {*} {*} {*} {*}x{*}x{*}x {station_id}: {dir} {frame}"
    time_format: "%Y-%m-%d %H:%M:%S"
    timezone: UTC
    in: [a]
    out: [b]
"""


def _aliases() -> bytes:
    """Ten times ten times … one word."""
    lines = ["exports:", "  - file: x", "    a0: &a0 [w, w, w, w, w, w, w, w, w, w]"]
    lines += [f"    a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 10)}]" for n in range(1, 10)]
    return "\n".join(lines).encode()


def _files() -> Mapping[str, Callable[[], dict[str, bytes]]]:
    """A delivery by what is wrong with it."""
    text = b"2026-03-02 10:00:00 x x x x x x x x x x S: a [2"
    return {
        "a mapping whose aliases unfold to 10^10 words": lambda: {"mapping.yaml": _aliases()},
        "a mapping of 1 MB, nested 100,000 deep": lambda: {"mapping.yaml": b"exports:\n  - file: " + b"[" * 100_000},
        "gzip, 1 GiB of one sign": lambda: {"f.gz": gzip.compress(bytes(1024 * MIB), 1)},
        "zstd, 1 GiB of one sign": lambda: {"f.zst": zstandard.compress(bytes(1024 * MIB))},
        "one line of 128 MiB": lambda: {"f.jsonl": (_FRAME % b"{}") + b"x" * (128 * MIB)},
        "a quote that is never closed, 8 MiB": lambda: {"f.csv": _TOKENS + b'T,"V,,\n' + b"T,V,,\n" * (8 * MIB // 6)},
        "8 MiB of empty lines": lambda: {"f.jsonl": (_FRAME % b"{}") + b"\n" * (8 * MIB)},
        "frames nested 500,000 deep": lambda: {"f.jsonl": _FRAME % (b"[" * 500_000 + b"]" * 500_000) * 4},
        "a frame of 600,000 values": lambda: {"f.jsonl": _FRAME % (b"[" + b"1," * 600_000 + b"1]") * 4},
        "a header of 500,000 columns": lambda: {"f.csv": b",".join(b"c%d" % n for n in range(500_000)) + b"\n1,2\n"},
        "a pattern of ten gaps, lines of 3 MiB": lambda: {
            "mapping.yaml": _LINE, "f.log": (text + b" x: " * (3 * MIB // 4) + b"\n") * 8,
        },
    }  # fmt: skip


def rows(setup: Setup) -> Iterator[Row]:
    """A row each, with what it cost."""
    for number, (fault, made) in enumerate(_files().items()):
        folder = setup.folder / f"hostile-{number}"
        (folder / "delivery").mkdir(parents=True)
        for name, content in made().items():
            (folder / "delivery" / name).write_bytes(content)
        row = Row(f"hostile file: {fault}", "")
        row.add(_read(folder, row))
        yield row


def _read(folder: Path, row: Row) -> str | None:
    with subprocess.Popen(
        [sys.executable, "-c", _ONE, str(folder)], stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stderr
        said = process.stderr.read()
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    cpu_s, peak_mib = used.ru_utime + used.ru_stime, used.ru_maxrss >> 10
    row.holds = f"accounted for in {cpu_s:.1f} s of processor time, {peak_mib:,} MiB at most"
    if process.returncode:
        return f"exit {process.returncode}: {' '.join(said[-300:].split())}"
    over = peak_mib > MOST_MIB or cpu_s > MOST_CPU_S
    return f"{cpu_s:.1f} s, {peak_mib} MiB" if over else None
