"""Finished weeks read back from their folders, as the pages need them."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import polars as pl

from dashboards.page_data import CALLS, PageData, calls_in
from pipeline.core.errors import NotEnoughDataError, StoreError
from pipeline.publish.week_folder import ACCOUNTS, CSV_TABLES, MORE, PARQUET_TABLES, table_file
from pipeline.registry import conform

_WEEK = re.compile(r"\d{4}-W\d{2}")
Stamp = tuple[int, int]
_LOOKS, _PAUSE_S = 5, 0.02
WEEKS_BEFORE = 26
"""Published weeks whose calls a unit's page tells: half a year; decided."""
MORE_TABLES = (
    "about_vehicles",
    "about_evses",
    "marks",
    "decisions",
    "evse_suspects",
    "evse_proving",
)
CHECKS = ("rule_results", "rule_rates", "equipment")


def weeks(out: Path) -> list[str]:
    """Finished weeks under a folder, newest first."""
    if not out.is_dir():
        return []
    return sorted(
        (p.name for p in out.iterdir() if _WEEK.fullmatch(p.name) and (p / "run.json").is_file()),
        reverse=True,
    )


def stamp(out: Path, week: str) -> Stamp:
    """What changes when a run replaces a week; NotEnoughDataError when there is no such finished
    week.

    A run swaps the folder by two renames, so one that is gone is looked for again before it counts
    as missing.
    """
    for _ in range(_LOOKS):
        if week in weeks(out):
            try:
                found = (out / week / "run.json").stat()
            except FileNotFoundError:
                continue
            return found.st_ino, found.st_mtime_ns
        if not _WEEK.fullmatch(week):
            break
        time.sleep(_PAUSE_S)
    raise NotEnoughDataError(
        f"there is no finished week {week!r}",
        where=str(out),
        next_step=f"choose of {', '.join(weeks(out)) or 'none so far'}",
    )


def read_week(out: Path, week: str) -> PageData:
    """A finished week, whole and of one run, and for comparison the one before it.

    Raises NotEnoughDataError when there is no such week, StoreError when its folder cannot be read.
    """
    fault: Exception | None = None
    for _ in range(_LOOKS):
        before = stamp(out, week)
        try:
            data = read_folder(out / week, out)
        except (OSError, ValueError, KeyError, pl.exceptions.PolarsError) as error:
            fault = error
        else:
            if stamp(out, week) == before:
                return data
    cure = "run that week again"
    raise StoreError(
        f"the week cannot be read: {fault or 'it keeps changing'}",
        where=str(out / week),
        next_step=cure,
    ) from fault


def read_folder(folder: Path, out: Path) -> PageData:
    """The week in a folder, finished or about to be, with what was published under `out` before it.

    Raises StoreError where an earlier version, which kept no typed tables, wrote the week.
    """
    run: dict[str, Any] = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    week, accounts = str(run["week"]), folder / MORE / ACCOUNTS
    if accounts.is_file():
        run["inputs"] = json.loads(accounts.read_text(encoding="utf-8"))
    if not table_file(folder, "vehicles").is_file():
        cure = f"whichside backfill {week}"
        raise StoreError("an earlier version wrote this week", where=str(folder), next_step=cure)
    packs = (
        json.loads(path.read_text(encoding="utf-8"))
        for path in sorted(folder.glob("referrals/*/evidence.json"))
    )
    earlier = [name for name in weeks(out) if name < week and _typed(out / name)]
    before = out / earlier[0] if earlier else None
    return PageData(
        week=week,
        run=run,
        evidence={pack["vehicle"]["vehicle_id"]: pack for pack in packs},
        vehicles_before=None if before is None else _table(before, "vehicles"),
        evses_before=None if before is None else _table(before, "evses"),
        earlier_calls=calls_of([out / name for name in earlier[:WEEKS_BEFORE]]),
        weeks=tuple(sorted({week, *weeks(out)}, reverse=True)),
        **{name: _kept(folder / MORE / f"{name}.parquet") for name in CHECKS},
        **{name: _table(folder, name) for name in (*CSV_TABLES, *PARQUET_TABLES, *MORE_TABLES)},
    )


def calls_of(folders: Iterable[Path]) -> pl.DataFrame:
    """The calls of published weeks, as `CALLS`."""
    parts = [
        calls_in(folder.name, _table(folder, "vehicles"), _table(folder, "evses"))
        for folder in folders
    ]
    return pl.concat([pl.DataFrame(schema=CALLS), *parts])


def _typed(folder: Path) -> bool:
    return table_file(folder, "vehicles").is_file()


def _table(folder: Path, name: str) -> pl.DataFrame:
    return conform(pl.read_parquet(table_file(folder, name)), f"out_{name}")


def _kept(path: Path) -> pl.DataFrame:
    return pl.read_parquet(path) if path.is_file() else pl.DataFrame()
