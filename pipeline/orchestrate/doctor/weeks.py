"""The weeks that were published: whether each is whole and its lines add up."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

from pipeline.ingest.turned_away import in_words
from pipeline.orchestrate.doctor.checks import Check

# Runs shown, newest last.
LAST_RUNS = 5


def runs(out: Path) -> Iterator[Check]:
    """The last weeks of a folder, and what stopped runs left there."""
    weeks = sorted(p for p in out.glob("????-W??") if p.is_dir()) if out.is_dir() else []
    if not weeks:
        yield Check("runs", "note", f"no week in {out}", "make one with `whichside run`")
    for folder in weeks[-LAST_RUNS:]:
        yield _run(folder)
    for left in sorted(out.glob(".????-W??.*")) if out.is_dir() else []:
        yield Check(
            "runs",
            "note",
            f"{left.name} was left by a run that was stopped",
            "the next run of that week clears it",
        )


def _run(folder: Path) -> Check:
    name = f"run: {folder.name}"
    try:
        run = json.loads((folder / "run.json").read_text(encoding="utf-8"))
        lines = {
            word: sum(f[word] for f in run["inputs"])
            for word in ("lines", "used", "rejected", "duplicates")
        }
    except (OSError, ValueError, KeyError, TypeError) as error:
        return Check(
            name,
            "trouble",
            f"its run.json cannot be read: {error!r}",
            f"run again with --week {folder.name}",
        )
    counted = ", ".join(f"{word} {n:,}" for word, n in lines.items())
    took = sum(v for v in run.get("timings_s", {}).values() if isinstance(v, int | float))
    if lines["lines"] != lines["used"] + lines["rejected"] + lines["duplicates"]:
        return Check(
            name,
            "trouble",
            f"lines do not add up: {counted}",
            f"run again with --week {folder.name}",
        )
    if away := run.get("turned_away"):
        found = f"{len(away)} of what was delivered was not used:\n{in_words(away)}"
        return Check(name, "trouble", found, "correct what is named and run again")
    return Check(name, "good", f"{len(run['inputs'])} files, {counted}; {took:,.1f} s")
