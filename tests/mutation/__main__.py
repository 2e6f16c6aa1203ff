"""What fails if I break this line? `python -m tests.mutation pipeline/circuit pipeline/refer
--sample 60`.

For each module: mutants, how many were tried, killed (a test failed, hung or crashed), survived;
then every survivor. A module's tests are the folder that mirrors its stage (tests/refer for
pipeline/refer); `--tests` names others. `--keep FILE` writes a line a mutant, so that an
interrupted run goes on; `--again FILE` tries only what survived there.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import sys
import time
from pathlib import Path
from typing import Any

from tests.mutation.mutants import Mutant, is_other, mutants
from tests.mutation.trial import ROOT, Baseline, baseline, preload, trial

KILLED = ("killed", "timeout", "crash")


def _say(line: str) -> None:
    sys.stderr.write(line + "\n")


def _name(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


def _drawn(path: Path, sample: int, seed: int, again: dict[str, Any]) -> tuple[int, list[Mutant]]:
    found = [m for m in mutants(path, _name(path)) if m.before != m.after]
    if again:
        for gone in {key for key, row in again.items() if row["module"] == _name(path)} - {
            m.key for m in found
        }:
            del again[gone]
        return len(found), [
            m for m in found if m.key in again and again[m.key]["state"] not in KILLED
        ]
    drawn = random.Random(f"{seed} {_name(path)}").sample(found, len(found))  # noqa: S311
    kept: list[Mutant] = []
    for m in drawn:
        if len(kept) == (sample or len(found)):
            break
        if is_other(m):
            kept.append(m)
    return len(found), sorted(kept, key=lambda m: m.line)


def _judge(
    path: Path, seen: Baseline, options: argparse.Namespace, again: dict[str, Any]
) -> list[dict[str, Any]]:
    name, text = _name(path), path.read_text(encoding="utf-8")
    broken = trial(
        seen, name, path, text + "\nraise AssertionError('this module is broken')\n", None
    )
    if broken[0] != "killed":
        _say(f"{name}: no test imports it ({broken[0]})")
    total, drawn = _drawn(path, options.sample, options.seed, again)
    rows = []
    done = _read(options.keep)
    for m in drawn:
        if m.key in done:
            rows.append(done[m.key])
            continue
        state, by = trial(seen, name, path, m.source(), m.span)
        row = {"key": m.key, "module": name, "line": m.line, "function": m.function, "kind": m.kind, "state": state,
               "by": by, "before": m.before, "after": m.after, "of": total}  # fmt: skip
        rows.append(row)
        if options.keep:
            with options.keep.open("a", encoding="utf-8") as out:
                out.write(json.dumps(row, ensure_ascii=False) + "\n")
    return rows


def _short(text: str) -> str:
    flat = " ".join(text.split())
    return flat if len(flat) <= 90 else flat[:60] + " … " + flat[-25:]


def _told(rows: list[dict[str, Any]]) -> str:
    lines = [f"{'module':<36} mutants  tried killed survived   %"]
    by_module: dict[str, list[dict[str, Any]]] = {}
    for row in rows:
        by_module.setdefault(row["module"], []).append(row)
    of = 0
    for name, mine in [*sorted(by_module.items()), ("all", rows)]:
        killed = sum(r["state"] in KILLED for r in mine)
        of += mine[0]["of"] if name != "all" and mine else 0
        total = of if name == "all" else mine[0]["of"]
        share = 100 * killed / len(mine) if mine else 100
        lines.append(
            f"{name:<36} {total:>7} {len(mine):>6} {killed:>6} {len(mine) - killed:>8} {share:5.1f}"
        )
    for r in rows:
        if r["state"] not in KILLED:
            lines.append(
                f"{r['module']}:{r['line']} {r['function']} [{r['kind']}, {r['state']}, {r['key']}]"
            )
            lines.append(f"    - {_short(r['before'])}\n    + {_short(r['after'])}")
    return "\n".join(lines)


def _options() -> argparse.Namespace:
    asked = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    asked.add_argument("places", nargs="*", type=Path, help="modules, or folders of them")
    asked.add_argument("--sample", type=int, default=0, help="mutants drawn per module, 0 = all")
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument(
        "--tests",
        action="append",
        default=[],
        help="tests to judge by, instead of the mirror; may be repeated",
    )
    asked.add_argument(
        "--leave-out",
        action="append",
        default=[],
        help="a test or file not to run; may be repeated",
    )
    asked.add_argument(
        "--keep",
        type=Path,
        help="write a line a mutant here; those that stand there already are not tried again",
    )
    asked.add_argument(
        "--again", type=Path, help="try only what survived in this file and is still there"
    )
    asked.add_argument("--tell", type=Path, help="try nothing, print the table of this file")
    return asked.parse_args()


def _read(file: Path | None) -> dict[str, Any]:
    rows = (
        [json.loads(line) for line in file.read_text(encoding="utf-8").splitlines()]
        if file and file.exists()
        else []
    )
    return {row["key"]: row for row in rows}


def main() -> None:
    """Try the mutants and print the table."""
    options = _options()
    if options.tell:
        sys.stdout.write(_told(list(_read(options.tell).values())) + "\n")
        return
    os.chdir(ROOT)
    os.environ |= {
        "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1",
        "POLARS_MAX_THREADS": "1",
        "OPENBLAS_NUM_THREADS": "1",
    }
    again = _read(options.again)
    files = [
        f
        for p in options.places
        for f in (sorted((ROOT / p).rglob("*.py")) if p.suffix != ".py" else [ROOT / p])
    ]
    stages: dict[str, list[Path]] = {}
    for file in files:
        stages.setdefault(file.relative_to(ROOT).parts[1], []).append(file)
    seen = {}
    for stage in stages:
        tests = options.tests or [f"tests/{stage}"]
        begin = time.monotonic()
        seen[stage] = baseline(tests, options.leave_out)
        count = len(seen[stage].seconds)
        _say(
            f"{stage}: {count} tests in {' '.join(tests)} pass in {time.monotonic() - begin:.0f} s"
        )
    preload([name for one in seen.values() for name in one.libraries])
    rows: list[dict[str, Any]] = []
    for stage, paths in stages.items():
        for path in paths:
            begin = time.monotonic()
            mine = _judge(path, seen[stage], options, again)
            if mine:
                killed = sum(r["state"] in KILLED for r in mine)
                _say(
                    f"{_name(path)}: {killed} of {len(mine)} killed, {time.monotonic() - begin:.0f} s"
                )
            rows += mine
    sys.stdout.write(_told(list((again | {r["key"]: r for r in rows}).values())) + "\n")


if __name__ == "__main__":
    main()
