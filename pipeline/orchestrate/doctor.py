"""Is everything in order: versions, settings, stores, disk, last runs. Looks only.

Mends nothing.
"""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, fields
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from platform import python_version
from typing import Literal

from filelock import FileLock, Timeout

from pipeline.core.errors import WhichsideError
from pipeline.ingest.turned_away import in_words
from pipeline.orchestrate import fingerprint
from pipeline.registry import registry
from pipeline.settings import Settings, load_settings
from pipeline.storage.decisions import file_of, open_decisions
from pipeline.storage.warehouse import SCHEMA_VERSION, Connection, reading

# What each extra adds, by the package that shows it is there.
EXTRAS = {
    "check": "great-expectations", "schedule": "prefect", "serve": "starlette", "cluster": "distributed", "postgresql": "pg8000",
}  # fmt: skip
# A run may rewrite what it derives before the old space is free again: as much as the warehouse,
# and a gigabyte; decided.
SPARE_BYTES = 1 << 30
# Runs shown, newest last.
LAST_RUNS = 5
PREFECT_ANSWER_S = 5.0

State = Literal["good", "note", "trouble"]


@dataclass(frozen=True)
class Check:
    """One thing looked at: what was found, and what to do where it is trouble."""

    name: str
    state: State
    found: str
    next_step: str = ""


@dataclass(frozen=True)
class Health:
    """All checks, in the order they were made."""

    checks: tuple[Check, ...]

    @property
    def in_order(self) -> bool:
        """Whether nothing is in trouble."""
        return all(check.state != "trouble" for check in self.checks)


def examine(
    store: Path | None = None, out: Path | None = None, decisions: str | Path | None = None, settings_file: Path | None = None,
    *, deep: bool = False, prefect_url: str | None = None,
) -> Health:  # fmt: skip
    """Look at everything named; what is None is left out. `deep` reads every row of the warehouse,
    so a damaged block shows.

    Never raises for what it finds: trouble is a row of the answer.
    """
    looks: list[tuple[str, Callable[[], Iterator[Check]]]] = [
        ("versions", _versions), ("settings", lambda: _settings(settings_file)),
    ]  # fmt: skip
    if store:
        looks += [
            ("warehouse", lambda: _warehouse(store, deep=deep)),
            ("disk", lambda: _disk(store, store)),
        ]
    if out:
        looks += [("runs", lambda: _runs(out)), ("disk", lambda: _disk(out, store))]
    if decisions:
        looks.append(("decisions", lambda: _decisions(decisions)))
    looks.append(("prefect", lambda: _prefect(prefect_url or os.environ.get("PREFECT_API_URL"))))
    return Health(tuple(check for name, look in looks for check in _safely(name, look)))


def _safely(name: str, look: Callable[[], Iterator[Check]]) -> Iterator[Check]:
    try:
        yield from look()
    except WhichsideError as error:
        yield Check(
            name,
            "trouble",
            f"{error.where}: {error.what}" if error.where else error.what,
            error.next_step or "",
        )
    except OSError as error:
        yield Check(name, "trouble", str(error))


def _versions() -> Iterator[Check]:
    ours = ", ".join(
        f"{name} {version(name)}" for name in ("whichside", "duckdb", "polars", "sqlalchemy")
    )
    yield Check("versions", "good", f"{ours}, Python {python_version()}")
    for extra, package in EXTRAS.items():
        try:
            yield Check(f"extra: {extra}", "good", f"{package} {version(package)}")
        except PackageNotFoundError:
            yield Check(
                f"extra: {extra}",
                "note",
                "not installed",
                f"pip install 'whichside[{extra}]' where it is wanted",
            )


def _settings(path: Path | None) -> Iterator[Check]:
    given, usual = load_settings(path).model_dump(), Settings().model_dump()
    changed = sorted(name for name in usual if given[name] != usual[name])
    yield Check(
        "settings",
        "good",
        f"changed from the usual: {', '.join(changed)}" if changed else "as usual",
    )


def _being_written(store: Path) -> bool:
    lock = Path(f"{store}.lock")
    if not lock.exists():
        return False
    try:
        with FileLock(lock, timeout=0):
            return False
    except Timeout:
        return True


def _warehouse(store: Path, *, deep: bool) -> Iterator[Check]:
    if _being_written(store):
        yield Check(
            "warehouse", "note", f"{store}: a run is writing it", "look again when it has ended"
        )
        return
    with reading(store) as con:
        yield _schema(con, store)
        present = {
            name for (name,) in con.execute("SELECT table_name FROM duckdb_tables()").fetchall()
        }
        counts = {t: _count(con, t) for t in registry().tables if t in present}
        yield Check(
            "warehouse: rows",
            "good",
            ", ".join(f"{t} {n:,}" for t, n in counts.items() if n) or "none",
        )
        yield _pending(con, present)
        if deep:
            yield _every_row(con, store)


def _count(con: Connection, table: str) -> int:
    [(rows,)] = con.execute(f'SELECT count(*) FROM "{table}"').fetchall()
    return int(rows)


def _schema(con: Connection, store: Path) -> Check:
    rows = con.execute("SELECT value FROM store_meta WHERE name = 'schema_version'").fetchall()
    found = int(rows[0][0]) if rows else 0
    size = f"{store}: {store.stat().st_size / 1e6:,.1f} MB, schema {found}"
    if found > SCHEMA_VERSION:
        return Check(
            "warehouse",
            "trouble",
            f"{size}, later than this version's {SCHEMA_VERSION}",
            "update whichside",
        )
    later = "" if found == SCHEMA_VERSION else f"; the next run brings it to {SCHEMA_VERSION}"
    return Check("warehouse", "good", size + later)


def _pending(con: Connection, present: set[str]) -> Check:
    """What a stopped run left for the next.

    Files read and not built from, derived tables to be made again.
    """
    words = (
        ["derived tables"]
        if con.execute("SELECT 1 FROM store_meta WHERE name = 'rebuild'").fetchall()
        else []
    )
    if {"raw_file", "meta_normalised_file"} <= present:
        [(unseen,)] = con.execute(
            "SELECT count(*) FROM raw_file ANTI JOIN meta_normalised_file USING (file_id)"
        ).fetchall()
        words += [f"{unseen:,} files"] * bool(unseen)
    if not words:
        return Check("warehouse: pending", "good", "none")
    return Check(
        "warehouse: pending",
        "note",
        f"not built from yet: {', '.join(words)}",
        "the next run finishes it",
    )


def _every_row(con: Connection, store: Path) -> Check:
    try:
        mark = fingerprint.of_warehouse(con)
    except Exception as error:  # noqa: BLE001  # DuckDB raises several kinds for a damaged block; each is the finding
        return Check(
            "warehouse: blocks",
            "trouble",
            f"{store}: {error}",
            "remove it and run all deliveries again",
        )
    return Check("warehouse: blocks", "good", f"every row read; contents {mark[:16]}")


def _disk(place: Path, store: Path | None) -> Iterator[Check]:
    here = next(p for p in (place.resolve(), *place.resolve().parents) if p.exists())
    free = shutil.disk_usage(here).free
    wanted = SPARE_BYTES + (store.stat().st_size if store and store.is_file() else 0)
    state: State = "good" if free >= wanted else "trouble"
    yield Check(
        "disk",
        state,
        f"{free / 1e9:,.1f} GB free at {here}",
        "" if state == "good" else f"free {wanted / 1e9:,.1f} GB",
    )


def _runs(out: Path) -> Iterator[Check]:
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


def _decisions(where: str | Path) -> Iterator[Check]:
    path = file_of(where)
    if path is None:
        yield from _decision_rows(where)
        return
    if not path.is_file():
        yield Check("decisions", "note", f"{path}: none yet")
        return
    cure = "put back a copy with `whichside backup --restore`"
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as con:
            verdict = con.execute("PRAGMA quick_check").fetchone()[0]
    except sqlite3.DatabaseError as error:
        verdict = str(error)
    if verdict != "ok":
        yield Check("decisions", "trouble", f"{path}: {verdict}", cure)
        return
    try:
        yield from _decision_rows(where)
    except WhichsideError as error:
        yield Check("decisions", "trouble", error.what, error.next_step or cure)
    if path.stat().st_mode & 0o077:
        yield Check("decisions", "note", f"{path}: others may read it", f"chmod 600 {path}")


def _decision_rows(where: str | Path) -> Iterator[Check]:
    """Every row read as a run would read it."""
    with closing(open_decisions(where)) as store:
        kept = store.frames()
    frames = {f.name: getattr(kept, f.name) for f in fields(kept) if f.name != "unreadable"}
    counts = ", ".join(f"{name} {frame.height:,}" for name, frame in frames.items())
    yield Check("decisions", "good", f"{store.where}: {counts}")
    for fault in kept.unreadable:
        yield Check(
            "decisions",
            "trouble",
            f"{store.where}: {fault}",
            "runs leave that row out; enter the decision again",
        )


def _prefect(url: str | None) -> Iterator[Check]:
    if url is None:
        yield Check(
            "prefect", "note", "no server configured (PREFECT_API_URL); a direct run needs none"
        )
        return
    try:
        with urllib.request.urlopen(f"{url}/health", timeout=PREFECT_ANSWER_S) as answer:  # noqa: S310  # the user's own address
            yield Check("prefect", "good", f"{url} answers {answer.status}")
    except (urllib.error.URLError, ValueError, OSError) as error:
        yield Check(
            "prefect",
            "trouble",
            f"{url} does not answer: {error}",
            "start it with `prefect server start`",
        )


def as_words(health: Health) -> str:
    """The checks as text, one a line, trouble marked and followed by what to do."""
    width = max(len(check.name) for check in health.checks)
    mark = {"good": "ok  ", "note": "note", "trouble": "BAD "}
    rows = [
        f"{mark[c.state]}  {c.name:<{width}}  {c.found}"
        + (f"\n      {'':<{width}}  -> {c.next_step}" if c.next_step else "")
        for c in health.checks
    ]
    bad = sum(c.state == "trouble" for c in health.checks)
    return "\n".join([*rows, f"{bad} in trouble" if bad else "all in order"])
