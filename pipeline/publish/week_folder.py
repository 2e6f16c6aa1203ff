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
from filelock import FileLock, Timeout

from pipeline.core.errors import StoreError
from pipeline.registry import conform
from pipeline.storage.files import sync_folder

CSV_TABLES = ("vehicles", "evses", "pairings", "next_tests")
PARQUET_TABLES = ("attempts", "rejected", "impossible")
MORE = "tables"
"""Folder of the week's further tables, those that only the pages ask for."""
ACCOUNTS = "accounts.json"
"""The account of every file any run of the week was given, among them."""

# A spreadsheet takes a cell that starts with one of these for a formula (contract; common
# practice); one that cuts cells at another sign than the comma finds such a start inside a cell.
_FORMULA_START = r"^[=+\-@\t\r\n]"
_FORMULA_INSIDE = r"([;|\t\r\n])([=+\-@])"
WAIT_S = 120
"""Seconds to wait for another run that publishes into the same folder; publishing takes seconds."""


def harmless(frame: pl.DataFrame) -> pl.DataFrame:
    """The frame with every text cell that a spreadsheet would run as a formula led by an
    apostrophe.
    """
    text = pl.col(pl.String).str.replace_all(_FORMULA_INSIDE, "$1'$2")
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
    with _alone(folder.parent):
        yield from _swapped(folder)


@contextmanager
def _alone(parent: Path) -> Iterator[None]:
    """Hold the folder of the weeks: two stores may publish into one, in turn."""
    try:
        parent.mkdir(parents=True, exist_ok=True)
        lock = FileLock(parent / ".publishing.lock")
        lock.acquire(timeout=WAIT_S)
    except Timeout as error:
        raise StoreError(
            "another run is publishing into this folder",
            where=str(parent),
            next_step="wait for it to end, then run again",
        ) from error
    except OSError as error:
        raise StoreError(
            f"weeks cannot be written here: {error.strerror}",
            where=str(parent),
            next_step="name a folder that you may write with --out",
        ) from error
    try:
        yield
    finally:
        lock.release()


def _swapped(folder: Path) -> Iterator[Path]:
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
        sync_folder(folder.parent)
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
    """Force the folder's files and names to disk, so that the rename cannot outlive them."""
    for path in [folder, *folder.rglob("*")]:
        if path.is_dir():
            sync_folder(path)
        elif path.is_file():
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
