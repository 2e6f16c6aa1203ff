"""Coverage-guided fuzzing: `python -m tests.fuzz mapping --seconds 120` (extra `fuzz`; names in `targets`).

Starts from the corpus kept here; inputs that reach new code are added to `--found`. A find is kept there
too, with its traceback, and the search goes on; exit code 1 where there was one.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import re
import resource
import sys
import time
import traceback
from pathlib import Path

import atheris

CORPUS = Path(__file__).with_name("corpus")
WATCHED = ["pipeline.doorway", "pipeline.ingest", "pipeline.circuit", "pipeline.storage.decisions"]
SLOW_S = 5.0
_MOST_BYTES = 20_000
_WORD = rb"[A-Za-z_][\w.:%-]{2,24}|%\w|\{[!-~]*?\}"


class _Search:
    """One target's search: what was tried, found, slow."""

    def __init__(self, name: str, found: Path) -> None:
        from tests.fuzz.targets import TARGETS  # noqa: PLC0415 -- watched while it is imported

        self._target = TARGETS[name]
        self._found = found
        self.tries, self.slowest_s = 0, 0.0
        self.finds: dict[str, Path] = {}

    def one(self, data: bytes) -> None:
        """Try an input."""
        self.tries += 1
        began = time.process_time()
        try:
            self._target(data)
        except Exception as error:  # noqa: BLE001 -- whatever it is, it is a find
            self._keep(error, data)
        took = time.process_time() - began
        if took > max(self.slowest_s, SLOW_S):
            (self._found / f"slow-{took:.0f}s").write_bytes(data)
        self.slowest_s = max(took, self.slowest_s)

    def _keep(self, error: Exception, data: bytes) -> None:
        last = traceback.extract_tb(error.__traceback__)[-1]
        where = f"{type(error).__name__} {Path(last.filename).name}:{last.lineno}"
        if where in self.finds:
            return
        name = self._found / f"find-{hashlib.sha256(where.encode()).hexdigest()[:8]}"
        name.write_bytes(data)
        name.with_suffix(".txt").write_text("".join(traceback.format_exception(error)))
        self.finds[where] = name
        print(f"find: {where}: {' '.join(str(error).split())[:200]}", flush=True)  # noqa: T201


def words_of(folder: Path, found: Path) -> Path:
    """The words of the corpus as a dictionary of the search."""
    texts = b" ".join(path.read_bytes() for path in folder.iterdir())
    words = sorted(set(re.findall(_WORD, texts)))[:800]
    place = found / "words.dict"
    place.write_text(
        "".join(f'"{w.decode()}"\n' for w in words if b'"' not in w and b"\\" not in w)
    )
    return place


def main() -> int:
    """Search one target for so many seconds."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("target")
    parser.add_argument("--seconds", type=int, default=120)
    parser.add_argument("--found", type=Path, required=True, help="a folder for what is found")
    given = parser.parse_args()
    given.found.mkdir(parents=True, exist_ok=True)
    corpus = CORPUS / given.target
    with atheris.instrument_imports(include=WATCHED):
        search = _Search(given.target, given.found)
    reached = given.found / "reached"
    reached.mkdir(exist_ok=True)
    began = time.monotonic()

    def tried(data: bytes) -> None:
        search.one(data)
        if time.monotonic() - began > given.seconds:
            print(  # noqa: T201
                f"{given.target}: {search.tries:,} inputs in {time.monotonic() - began:.0f} s, "
                f"{len(search.finds)} finds, slowest {search.slowest_s:.2f} s of processor time, "
                f"peak {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss >> 10} MiB",
                flush=True,
            )
            os._exit(int(bool(search.finds)))

    options = [
        sys.argv[0], "-timeout=60", "-rss_limit_mb=3000", f"-max_len={_MOST_BYTES}",
        f"-dict={words_of(corpus, given.found)}", f"-artifact_prefix={given.found}/", "-print_final_stats=1",
        str(reached), str(corpus),
    ]  # fmt: skip
    atheris.Setup(options, tried)
    atheris.Fuzz()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
