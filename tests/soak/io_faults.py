"""One fault at each call that puts something on disk: `python -m tests.soak.io_faults --every 10`.

A small shim between a run and the C library (compiled here, needs a C compiler) lets the n-th
write, sync, rename or truncation of a regular file fail with 'disk full' or 'I/O error', and all
after it too. Whatever n, the run must end by itself with a message and no trace, the week must be
whole or absent, and the next undisturbed run must make the same bytes.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import tempfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from tests.soak.faults import Case, finish, make_case

SHIM = r"""
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <stdlib.h>
#include <stdio.h>
#include <sys/stat.h>
#include <sys/types.h>
#include <fcntl.h>
#include <unistd.h>
static long count = 0, fail_at = -2;
static int code = EIO, counted = -1;
static void note(void) {
  char text[32];
  if (counted < 0) return;
  int n = snprintf(text, sizeof text, "%020ld\n", count);
  long (*real)(int, const void *, size_t, off_t) = dlsym(RTLD_NEXT, "pwrite");
  if (n > 0) real(counted, text, (size_t)n, 0);
}
static int due(int fd) {
  struct stat s;
  if (fail_at == -2) {
    const char *at = getenv("FAULT_AT"), *with = getenv("FAULT_CODE"), *into = getenv("FAULT_COUNT");
    fail_at = at ? atol(at) : -1;
    if (with) code = atoi(with);
    if (into) counted = open(into, O_CREAT | O_WRONLY, 0600);
  }
  if (fd == counted || (fd >= 0 && (fstat(fd, &s) || !S_ISREG(s.st_mode)))) return 0;
  __sync_fetch_and_add(&count, 1);
  note();
  if (fail_at >= 0 && count > fail_at) { errno = code; return 1; }
  return 0;
}
#define REAL(name, type) static type real; if (!real) real = (type)dlsym(RTLD_NEXT, name)
typedef ssize_t (*w)(int, const void *, size_t); typedef ssize_t (*pw)(int, const void *, size_t, off_t);
typedef int (*f)(int); typedef int (*rn)(const char *, const char *); typedef int (*tr)(int, off_t);
ssize_t write(int fd, const void *b, size_t n) { REAL("write", w); return due(fd) ? -1 : real(fd, b, n); }
ssize_t pwrite(int fd, const void *b, size_t n, off_t o) { REAL("pwrite", pw); return due(fd) ? -1 : real(fd, b, n, o); }
ssize_t pwrite64(int fd, const void *b, size_t n, off_t o) { REAL("pwrite64", pw); return due(fd) ? -1 : real(fd, b, n, o); }
int fsync(int fd) { REAL("fsync", f); return due(fd) ? -1 : real(fd); }
int fdatasync(int fd) { REAL("fdatasync", f); return due(fd) ? -1 : real(fd); }
int ftruncate(int fd, off_t n) { REAL("ftruncate", tr); return due(fd) ? -1 : real(fd, n); }
int ftruncate64(int fd, off_t n) { REAL("ftruncate64", tr); return due(fd) ? -1 : real(fd, n); }
int rename(const char *a, const char *b) { REAL("rename", rn); return due(-1) ? -1 : real(a, b); }
"""
CODES = {"disk full": 28, "I/O error": 5}


def build(folder: Path) -> Path | None:
    """The shim as a shared object; None where there is no C compiler."""
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None:
        return None
    (folder / "shim.c").write_text(SHIM, encoding="utf-8")
    made = folder / "shim.so"
    subprocess.run(
        [compiler, "-shared", "-fPIC", "-O1", "-o", made, folder / "shim.c", "-ldl"], check=True
    )
    return made


def calls(case: Case, shim: Path, folder: Path) -> int:
    """How many calls an undisturbed run makes."""
    env = {"LD_PRELOAD": str(shim), "FAULT_COUNT": str(folder / "count")}
    done = finish(case.delivered, folder / "counted", env=env)
    assert done.returncode == 0, done.stderr
    return int((folder / "count").read_text().split()[0])


def _held(check: Callable[[], object]) -> str | None:
    try:
        check()
    except AssertionError as error:
        return str(error).splitlines()[0] if str(error) else "not as it must be"
    return None


def disturb(case: Case, shim: Path, place: Path, at: int, code: int) -> list[str]:
    """One run whose calls from the n-th on fail, then one undisturbed; what went wrong."""
    env = {"LD_PRELOAD": str(shim), "FAULT_AT": str(at), "FAULT_CODE": str(code)}
    done = finish(case.delivered, place, env=env)
    published = (place / "out" / case.week).is_dir()
    again = finish(case.delivered, place)
    wrong = {
        f"died of signal {-done.returncode}": done.returncode < 0,
        f"a trace: {done.stderr.strip()[-200:]}": "Traceback" in done.stderr,
        f"the next run failed: {again.stderr.strip()[-200:]}": again.returncode != 0,
        f"other bytes: {_held(lambda: case.check(place, first=not published))}": again.returncode
        == 0
        and _held(lambda: case.check(place, first=not published)) is not None,
    }
    shutil.rmtree(place)
    return [
        f"call {at}, errno {code}, exit {done.returncode}: {what}"
        for what, so in wrong.items()
        if so
    ]


def main() -> None:
    """Disturb runs at every so many calls and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--every", type=int, default=1, help="one run in so many calls")
    parser.add_argument("--seed", type=int, default=1, help="seed of the delivery")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="whichside-io-") as name:
        folder = Path(name)
        case = make_case(folder, vehicles=4, evses=3, weeks=1, seed=given.seed)
        shim = build(folder)
        if shim is None:
            raise SystemExit("no C compiler: nothing was tried")
        total = calls(case, shim, folder)
        print(f"{total} calls in an undisturbed run", flush=True)  # noqa: T201
        for words, code in CODES.items():
            lost: list[str] = []
            tried = Counter[str]()
            for at in range(0, total, given.every):
                faults = disturb(case, shim, folder / "place", at, code)
                tried["survived" if not faults else "not"] += 1
                lost += faults
            print(  # noqa: T201
                f"{words}: {sum(tried.values())} tried, {tried['survived']} survived",
                *lost[:20],
                sep="\n  ",
                flush=True,
            )


if __name__ == "__main__":
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    main()
