"""The long run of kills: `python -m tests.soak.kill --times 200 --seed 1`. Prints what it came to.

Fails at the first loss.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

from tests.soak.faults import kill_often, make_case


def main() -> None:
    """Kill so many runs and say how it went."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=200, help="kills wanted")
    parser.add_argument(
        "--seed", type=int, default=1, help="seed of the moments and of the delivery"
    )
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="whichside-soak-") as folder:
        case = make_case(Path(folder), vehicles=6, evses=3, weeks=1, seed=given.seed)
        begin = time.monotonic()
        count = kill_often(
            case,
            given.times,
            given.seed,
            tell=lambda c: print(  # noqa: T201
                f"{c.kills} kills, {c.finished} finished with the same bytes", flush=True
            ),
        )
    tenths = [sum(1 for m in count.moments if tenth <= m * 10 < tenth + 1) for tenth in range(11)]
    print(  # noqa: T201  # a script that reports
        f"undisturbed run {case.seconds:.1f} s; {count.kills} kills, {count.missed} runs ended before their moment, "
        f"{count.finished} runs to the end with the same bytes; moments by tenth of a run {tenths}; "
        f"{time.monotonic() - begin:.0f} s"
    )


if __name__ == "__main__":
    main()
