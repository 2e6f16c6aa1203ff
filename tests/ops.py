"""What the tests of flows, faults and clusters share.

A small delivery, and the comparison of two weeks' folders.
"""

from __future__ import annotations

import json
import shutil
import socket
from pathlib import Path
from typing import Any

from sample_logs.generator import simulate


def delivery(
    folder: Path, *, vehicles: int = 8, evses: int = 4, weeks: int = 2, seed: int = 7
) -> Path:
    """A small invented delivery below a folder; its path."""
    simulate(folder / "world", vehicles, evses, weeks, seed)
    return folder / "world" / "delivery"


def halves(delivered: Path, folder: Path) -> tuple[Path, Path]:
    """A delivery in two.

    What the first week's files hold, and everything else with the lists and the first of them
    again.
    """
    early, late = folder / "early", folder / "late"
    for path in sorted(p for p in delivered.rglob("*") if p.is_file()):
        name = path.relative_to(delivered)
        weekly = sorted(p.name for p in path.parent.iterdir() if "-20" in p.name)
        first = path.name in weekly[:1] or "-20" not in path.name
        for half in (
            [early, late]
            if path.parent.name in {"fleet", "sites", "ocpp"} and first
            else [early if first else late]
        ):
            (half / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(path, half / name)
    return early, late


def files(folder: Path) -> dict[str, bytes]:
    """Every file of a week's folder but the accounts of its runs, by its name there."""
    return {
        p.relative_to(folder).as_posix(): p.read_bytes()
        for p in folder.rglob("*")
        if p.is_file() and p.name not in {"run.json", "accounts.json"}
    }


def run_json(folder: Path) -> dict[str, Any]:
    """A week's run.json without its timings."""
    run: dict[str, Any] = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    return {name: value for name, value in run.items() if name != "timings_s"}


def same_bytes(one: Path, other: Path, *, inputs: bool = True) -> None:
    """Fail unless two weeks' folders hold the same bytes, run.json but for timings.

    With `inputs` false the accounts of delivered files may differ too, with the reasons of rejected
    lines (and the page that shows them): a delivery that a published run has told of is all repeats
    for the next.
    """
    mine, theirs = files(one), files(other)
    for shown in ("data.html",) if not inputs else ():
        mine.pop(shown), theirs.pop(shown)
    assert sorted(mine) == sorted(theirs)
    different = [name for name in mine if mine[name] != theirs[name]]
    assert different == [], f"{different} differ between {one} and {other}"
    here, there = run_json(one), run_json(other)
    if not inputs:
        for accounts in ("inputs", "rejected_reasons"):
            here.pop(accounts), there.pop(accounts)
    other_words = sorted(k for k in here.keys() | there.keys() if here.get(k) != there.get(k))
    assert other_words == [], (
        f"run.json differs in {', '.join(f'{k}: {here.get(k)} / {there.get(k)}' for k in other_words)}"
    )


def free_port() -> int:
    """A port of this machine that is free now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
    return port
