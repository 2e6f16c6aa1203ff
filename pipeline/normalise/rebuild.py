"""Core rows of some stations from their raw rows, batch by batch, in memory that is bounded.

The connection reads and puts in order, one thing after the other; between the two, batches are made
side by side, which is where the time goes.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor

import polars as pl

from pipeline.normalise.attempts import assemble
from pipeline.normalise.clocks import eras, observed
from pipeline.normalise.incremental import attempt_rebuild, names, windows
from pipeline.normalise.sessions import exports
from pipeline.normalise.signals import messages, pilot_rows
from pipeline.registry import registry
from pipeline.settings.normalise import NormaliseSettings
from pipeline.storage.warehouse import Connection, append, query, read, seeing

AT_ONCE = 2
"""Batches made side by side: what is made of one rarely keeps more than one core busy; measured."""
KEPT_BY = {
    "core_clock": "receiver_from_utc",
    "core_pilot": "at_utc",
    "core_signal": "at_utc",
    "core_plug_in": "plugged_at_utc",
}
"""By which time a row lies inside a window or outside."""


def rebuild(
    con: Connection, settings: NormaliseSettings, own: Mapping[str, str]
) -> list[pl.DataFrame]:
    """Rebuild the core rows in all windows (`_windows`).

    Returns the spans (`from_utc, to_utc`) of plug-ins that changed, a frame a batch.
    """
    evses = read(con, "core_evse").unique(
        ["station_id", "connector_id"], keep="last", maintain_order=True
    )

    def made(
        raw: messages.Records, numbered: pl.DataFrame, keep: pl.DataFrame
    ) -> dict[str, pl.DataFrame]:
        return kept(core(raw, numbered, settings, own), keep)

    spans: list[pl.DataFrame] = []
    pending: deque[tuple[pl.DataFrame, Future[dict[str, pl.DataFrame]]]] = deque()
    with ThreadPoolExecutor(AT_ONCE) as pool:
        for batch in windows.batches(con, settings.batch_rows):
            keep = batch.select("station_id", "keep_from_utc", "keep_to_utc")
            named = by_number(windows.records(con, batch), evses)
            pending.append((keep, pool.submit(made, *named, keep)))
            spans += _put(con, pending, AT_ONCE)
        spans += _put(con, pending, 0)
    return spans


def _put(
    con: Connection,
    pending: deque[tuple[pl.DataFrame, Future[dict[str, pl.DataFrame]]]],
    most: int,
) -> Iterator[pl.DataFrame]:
    """Put the oldest batches until no more than so many are left."""
    while len(pending) > most:
        keep, future = pending.popleft()
        yield put(con, future.result(), keep)


def core(
    raw: messages.Records, evses: pl.DataFrame, settings: NormaliseSettings, own: Mapping[str, str]
) -> dict[str, pl.DataFrame]:
    """Core tables of some stations from their raw rows."""
    booted = observed.boots(raw.frames)
    clock = eras.fit(observed.observations(raw.frames), booted, settings.clocks)
    said = messages.build(raw, clock, evses, own, settings)
    rows = pilot_rows.build(raw.pilot, clock, booted, evses, own)
    samples = messages.place_samples(raw.samples, said, clock, evses)
    evidence = assemble.Evidence(rows, said, samples, exports.build(raw.sessions, own))
    return {
        "core_clock": clock.lines,
        "core_pilot": rows,
        "core_signal": said,
        "core_plug_in": assemble.build(evidence, evses, settings),
    }


def by_number(raw: messages.Records, evses: pl.DataFrame) -> tuple[messages.Records, pl.DataFrame]:
    """The same with the names of stations, EVSEs and files as numbers."""
    parts = (raw.frames, raw.answers, raw.samples, raw.events, raw.pilot, raw.sessions)
    kind = names.kinds((*parts, evses))
    return messages.Records(*(names.numbered(part, kind) for part in parts)), names.numbered(
        evses, kind
    )


def kept(made: Mapping[str, pl.DataFrame], keep: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """What was made, as far as it lies inside the windows `station_id, keep_from_utc, keep_to_utc`."""
    return {
        table: made[table]
        .with_columns(pl.col("station_id").cast(pl.String))
        .join(keep, on="station_id")
        .filter(pl.col(column).is_between("keep_from_utc", "keep_to_utc", closed="left"))
        .select(registry().table(table).column_names)
        for table, column in KEPT_BY.items()
    }


def put(con: Connection, made: Mapping[str, pl.DataFrame], keep: pl.DataFrame) -> pl.DataFrame:
    """Put what was made in place of the core rows inside the windows.

    Returns the spans (`from_utc, to_utc`) of plug-ins that changed.
    """
    since = {"since": keep["keep_from_utc"].min()}
    with seeing(con, _keep=keep):
        plug_ins = f"SELECT t.* FROM (FROM core_plug_in WHERE plugged_at_utc >= $since) t JOIN _keep k ON {_inside('plugged_at_utc')}"
        changed = attempt_rebuild.differing(query(con, plug_ins, since), made["core_plug_in"])
        for table, column in KEPT_BY.items():
            con.execute(
                f'DELETE FROM "{table}" t USING _keep k WHERE t.{column} >= $since AND {_inside(column)}',
                since,
            )
            append(con, table, made[table])
    return changed


def _inside(column: str) -> str:
    """SQL: whether row `t` lies inside window `k`."""
    return f"k.station_id = t.station_id AND t.{column} >= k.keep_from_utc AND t.{column} < k.keep_to_utc"
