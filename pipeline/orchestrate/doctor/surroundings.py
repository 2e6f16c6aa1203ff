"""What a run stands on: versions, settings, disk, the server of the schedule."""

from __future__ import annotations

import os
import shutil
import urllib.error
import urllib.request
from collections.abc import Iterator
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from platform import python_version

from pipeline.orchestrate.doctor.checks import Check, State
from pipeline.settings import Settings, load_settings

# What each extra adds, by the package that shows it is there.
EXTRAS = {
    "check": "great-expectations", "schedule": "prefect", "serve": "starlette", "cluster": "distributed", "postgresql": "pg8000",
}  # fmt: skip
# A run may rewrite what it derives before the old space is free again: as much as the warehouse,
# and a gigabyte; decided.
SPARE_BYTES = 1 << 30
PREFECT_ANSWER_S = 5.0


def versions() -> Iterator[Check]:
    """What is installed, and which extras are not."""
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


def settings(path: Path | None) -> Iterator[Check]:
    """Which groups of settings differ from the usual ones. Raises SettingsError where the file is wrong."""
    given, usual = load_settings(path).model_dump(), Settings().model_dump()
    changed = sorted(name for name in usual if given[name] != usual[name])
    yield Check(
        "settings",
        "good",
        f"changed from the usual: {', '.join(changed)}" if changed else "as usual",
    )


def disk(place: Path, store: Path | None) -> Iterator[Check]:
    """Whether the disk of a place has room for a run on the warehouse."""
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


def prefect() -> Iterator[Check]:
    """Whether the schedule's server answers, where one is configured."""
    url = os.environ.get("PREFECT_API_URL")
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
