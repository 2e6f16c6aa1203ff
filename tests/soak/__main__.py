"""The table of faults: `python -m tests.soak` (all of it, an hour or more), `--only kills`, `--kills 50 --every 10` for less.

Each row is a fault, how often it was done, and how often all held that must hold after it. Exit code 1 where anything was lost.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

from tests.soak import edges, guarded, hostile, io_faults, kills, memory
from tests.soak.rows import Row, Setup, table

PARTS: dict[str, Callable[[Setup], Iterator[Row]]] = {
    "kills": kills.rows,
    "io": io_faults.rows,
    "memory": memory.rows,
    "hostile": hostile.rows,
    "edges": edges.rows,
    "guarded": guarded.rows,
}


def main() -> int:
    """Do the parts asked for, print each row as it comes, then the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", choices=PARTS, action="append", help="a part; may be repeated")
    parser.add_argument("--kills", type=int, default=600, help="kill -9 at random moments")
    parser.add_argument("--every", type=int, default=1, help="one run in so many calls is failed")
    parser.add_argument("--seed", type=int, default=1, help="seed of moments and of the delivery")
    given = parser.parse_args()
    found: list[Row] = []
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="whichside-soak-") as folder:
        setup = Setup(Path(folder), given.kills, given.every, given.seed)
        for name, part in PARTS.items():
            if given.only and name not in given.only:
                continue
            for row in part(setup):
                print(row.line(), *row.lost[:10], sep="\n    ", flush=True)  # noqa: T201
                found.append(row)
    print(f"\n{datetime.now(UTC):%Y-%m-%d}, seed {given.seed}, {time.monotonic() - began:.0f} s\n")  # noqa: T201
    print(table(found))  # noqa: T201
    return int(any(row.survived < row.tries for row in found))


if __name__ == "__main__":
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    os.environ.pop("RUST_BACKTRACE", None)  # asked for, it waits for itself when memory is out
    raise SystemExit(main())
