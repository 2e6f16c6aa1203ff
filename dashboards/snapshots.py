"""Finished weeks read back from their folders, as the pages need them."""

from __future__ import annotations

import json
import re
import time
from pathlib import Path
from typing import Any

import polars as pl

from dashboards.page_data import PageData
from dashboards.pages import ASSETS, CHECKS
from pipeline.core.errors import NotEnoughDataError, StoreError
from pipeline.registry import conform, registry

_WEEK = re.compile(r"\d{4}-W\d{2}")
Stamp = tuple[int, int]
_LOOKS, _PAUSE_S = 5, 0.02
_FORMULA_GUARD = r"^'([=+\-@\t\r\n])"


def weeks(out: Path) -> list[str]:
    """Finished weeks under a folder, newest first."""
    if not out.is_dir():
        return []
    return sorted(
        (p.name for p in out.iterdir() if _WEEK.fullmatch(p.name) and (p / "run.json").is_file()),
        reverse=True,
    )


def read_csv(path: Path, table: str) -> pl.DataFrame:
    """A CSV file of a week's folder as its declared table.

    The apostrophe that disarms a formula is taken off again.
    """
    raw = pl.read_csv(path, infer_schema=False)
    read = []
    for column in registry().table(table).columns:
        text = pl.col(column.name).str.replace(_FORMULA_GUARD, "$1")
        if column.field.type == "timestamp":
            read.append(
                text.str.to_datetime("%Y-%m-%dT%H:%M:%SZ", time_unit="us", time_zone="UTC").alias(
                    column.name
                )
            )
        elif column.field.type == "text" and not column.nullable:
            read.append(text.fill_null(""))
        else:
            read.append(text.cast(column.field.polars))
    return conform(raw.select(read), table)


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
            data = _read(
                out / week, week, next((out / name for name in weeks(out) if name < week), None)
            )
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


def _read(folder: Path, week: str, before: Path | None) -> PageData:
    tables = {
        name: read_csv(folder / f"{name}.csv", f"out_{name}")
        for name in ("vehicles", "evses", "pairings", "next_tests")
    }
    for name in ("attempts", "rejected", "impossible"):
        tables[name] = conform(pl.read_parquet(folder / f"{name}.parquet"), f"out_{name}")
    run: dict[str, Any] = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    packs = (
        json.loads(path.read_text(encoding="utf-8"))
        for path in sorted(folder.glob("referrals/*/evidence.json"))
    )
    return PageData(
        week=week,
        run=run,
        evidence={pack["vehicle"]["vehicle_id"]: pack for pack in packs},
        **{name: _kept(folder / ASSETS / f"{name}.parquet") for name in CHECKS},
        vehicles_before=None
        if before is None
        else read_csv(before / "vehicles.csv", "out_vehicles"),
        evses_before=None if before is None else read_csv(before / "evses.csv", "out_evses"),
        **tables,
    )


def _kept(path: Path) -> pl.DataFrame:
    return pl.read_parquet(path) if path.is_file() else pl.DataFrame()
