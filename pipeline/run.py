"""One run: deliveries in, the week's folder out. The steps in order, each a plain function."""

from __future__ import annotations

import platform
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.errors import NotEnoughDataError
from pipeline.progress import Progress, silent
from pipeline.settings import Settings
from pipeline.warehouse import Connection, writing
from pipeline.weeks import last_complete_week, week_start


@dataclass(frozen=True)
class Request:
    """What a run is asked for; `week` None means the last complete one in the data."""

    deliveries: tuple[Path, ...]
    store: Path
    out: Path
    week: str | None
    settings: Settings


@dataclass(frozen=True)
class Result:
    """What a run gave: the week, its folder, its tables (names without out_) and `run.json`."""

    week: str
    folder: Path
    tables: dict[str, pl.DataFrame]
    run: dict[str, Any]


@dataclass
class Timings:
    """Seconds per step."""

    seconds: dict[str, float] = field(default_factory=dict)

    @contextmanager
    def step(self, name: str) -> Iterator[None]:
        """Time a block under a name."""
        start = time.perf_counter()
        yield
        self.seconds[name] = round(self.seconds.get(name, 0.0) + time.perf_counter() - start, 3)


_LAST_DAY = """
    WITH report AS (
        SELECT receiver_at_utc AS at_utc, station_id FROM raw_frame
        UNION ALL SELECT plugged_at_utc, station_id FROM core_attempt WHERE time_doubt IS NULL),
    day AS (
        SELECT CAST(at_utc AS DATE) AS day, count(DISTINCT station_id) AS stations
        FROM report WHERE at_utc <= now() GROUP BY 1)
    SELECT max(day) FROM day WHERE stations * 20 >= (SELECT count(DISTINCT station_id) FROM report)
"""


def week_to_report(con: Connection, wanted: str | None) -> str:
    """The wanted ISO week, or the last one whose Sunday has records.

    A day counts when at least a twentieth of the stations report on it, so that a few wild clocks do not make a week.
    Raises NotEnoughDataError when there is no record at all, SettingsError when `wanted` is no ISO week.
    """
    if wanted is not None:
        week_start(wanted)
        return wanted
    row = con.execute(_LAST_DAY).fetchone()
    if row is None or row[0] is None:
        raise NotEnoughDataError("the warehouse holds no record of a charge attempt", next_step="deliver logs of the equipment")
    return last_complete_week(row[0])
