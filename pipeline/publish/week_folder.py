"""The week's folder: complete or absent, never half written.

Its CSV files safe to open in a spreadsheet.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.core.errors import StoreError
from pipeline.registry import conform

CSV_TABLES = ("vehicles", "evses", "pairings", "next_tests")
PARQUET_TABLES = ("attempts", "rejected", "impossible")
MORE = "tables"
"""Folder of the week's further tables, those that only the pages ask for."""

# A spreadsheet takes a cell that starts with one of these for a formula (contract; common
# practice).
_FORMULA_START = r"^[=+\-@\t\r\n]"


def harmless(frame: pl.DataFrame) -> pl.DataFrame:
    """The frame with every text cell that a spreadsheet would run as a formula led by an
    apostrophe.
    """
    text = pl.col(pl.String)
    return frame.with_columns(
        pl.when(text.str.contains(_FORMULA_START)).then("'" + text).otherwise(text).name.keep()
    )


def write_csv(frame: pl.DataFrame, path: Path) -> None:
    """A frame as UTF-8 CSV with a header; times in UTC with Z, to the second."""
    times = pl.col(pl.Datetime("us", "UTC")).dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    harmless(frame).with_columns(times).write_csv(path, float_precision=6)


@contextmanager
def complete_or_absent(folder: Path) -> Iterator[Path]:
    """Yield an empty folder to fill; it takes the name `folder` when the block ends well, and
    vanishes when not.

    A folder of that name is replaced; what an earlier run left half written is cleared or put back.
    """
    folder.parent.mkdir(parents=True, exist_ok=True)
    partial, old = (folder.with_name(f".{folder.name}.{word}") for word in ("partial", "old"))
    if old.exists() and not folder.exists():
        old.rename(folder)
    for left in (partial, old):
        shutil.rmtree(left, ignore_errors=True)
    partial.mkdir()
    try:
        yield partial
        _sync(partial)
        if folder.exists():
            folder.rename(old)
        partial.rename(folder)
    except OSError as error:
        raise StoreError(
            f"the week's folder could not be written: {error}",
            where=str(folder),
            next_step="free disk space and run again",
        ) from error
    finally:
        shutil.rmtree(partial, ignore_errors=True)
        if old.exists() and not folder.exists():
            old.rename(folder)
        shutil.rmtree(old, ignore_errors=True)


def _sync(folder: Path) -> None:
    """Force the folder's files to disk, so that the rename cannot outlive their bytes."""
    for path in folder.rglob("*"):
        if path.is_file():
            handle = os.open(path, os.O_RDONLY)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)


def write_tables(folder: Path, tables: Mapping[str, pl.DataFrame], run: Mapping[str, Any]) -> None:
    """Write the week's tables (keys: names without `out_`) and `run.json` into a folder.

    Each as typed Parquet, those a person reads as CSV too; what the contract does not name lies in
    `tables/`. Raises SchemaError when a frame does not conform to its declaration.
    """
    (folder / MORE).mkdir()
    for name, frame in tables.items():
        whole = conform(frame, f"out_{name}")
        if name in CSV_TABLES:
            write_csv(whole, folder / f"{name}.csv")
        whole.write_parquet(table_file(folder, name))
    text = json.dumps(run, indent=1, sort_keys=True, ensure_ascii=False)
    (folder / "run.json").write_text(text + "\n", encoding="utf-8")


def table_file(folder: Path, name: str) -> Path:
    """Where a week's folder keeps a table (its name without `out_`) as Parquet."""
    named_by_contract = name in CSV_TABLES or name in PARQUET_TABLES
    return (folder if named_by_contract else folder / MORE) / f"{name}.parquet"
