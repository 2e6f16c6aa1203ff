"""Core rows of some stations from their raw rows, batch by batch, in memory that is bounded.

The connection reads and puts in order, one thing after the other; between the two, batches are made
side by side, which is where the time goes.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import fields

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
_PLACED, _SAID = ("keep_from_utc", "keep_to_utc"), ("said_from_utc", "said_to_utc")
FROM_TO = {
    "core_clock": _PLACED,
    "core_pilot": _PLACED,
    "core_signal": _SAID,
    "core_plug_in": _SAID,
}
"""Ends of the window that its rows are replaced in."""


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
            keep = batch.select("station_id", *FROM_TO["core_clock"], *FROM_TO["core_signal"])
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
    seen = raw.telling_clocks()
    booted = observed.boots(seen)
    clock = eras.fit(observed.observations(seen), booted, settings.clocks)
    said = messages.build(raw, clock, evses, own, settings)
    rows = pilot_rows.build(raw.pilot, clock, booted, evses, own)
    samples = messages.place_samples(raw.samples, said, clock, evses)
    beside = within(rows, raw.short)
    evidence = assemble.Evidence(beside, said, samples, exports.build(raw.sessions, own))
    return {
        "core_clock": clock.lines,
        "core_pilot": rows,
        "core_signal": said,
        "core_plug_in": assemble.build(evidence, evses, settings),
    }


def within(rows: pl.DataFrame, short: pl.DataFrame) -> pl.DataFrame:
    """Rows of stations in `short` as far as their messages are read; of others all."""
    if short.is_empty():
        return rows
    span = rows.select("station_id").join(short, on="station_id", how="left", maintain_order="left")
    from_utc, to_utc = span["said_lo_utc"], span["said_hi_utc"]
    inside = (rows["at_utc"] >= from_utc) & (rows["at_utc"] < to_utc)
    return rows.filter(from_utc.is_null() | inside)


def by_number(raw: messages.Records, evses: pl.DataFrame) -> tuple[messages.Records, pl.DataFrame]:
    """The same with the names of stations, EVSEs and files as numbers, frames in order."""
    parts = {part.name: getattr(raw, part.name) for part in fields(raw)}
    kind = names.kinds((*parts.values(), evses))
    named = {name: names.in_order(names.numbered(part, kind)) for name, part in parts.items()}
    return messages.Records(**named), names.numbered(evses, kind)


def kept(made: Mapping[str, pl.DataFrame], keep: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """What was made, as far as it lies inside the windows (`station_id` and the ends in `FROM_TO`)."""
    return {
        table: made[table]
        .with_columns(pl.col("station_id").cast(pl.String))
        .join(keep, on="station_id")
        .filter(pl.col(column).is_between(*FROM_TO[table], closed="left"))
        .select(registry().table(table).column_names)
        for table, column in KEPT_BY.items()
    }


def put(con: Connection, made: Mapping[str, pl.DataFrame], keep: pl.DataFrame) -> pl.DataFrame:
    """Put what was made in place of the core rows inside the windows.

    Returns the spans (`from_utc, to_utc`) of plug-ins that changed.
    """
    since = {table: {"since": keep[ends[0]].min()} for table, ends in FROM_TO.items()}
    with seeing(con, _keep=keep):
        plug_ins = f"SELECT t.* FROM core_plug_in t JOIN _keep k ON {_inside('core_plug_in')}"
        before = query(con, plug_ins, since["core_plug_in"])
        changed = attempt_rebuild.differing(before, made["core_plug_in"])
        for table in KEPT_BY:
            con.execute(
                f'DELETE FROM "{table}" t USING _keep k WHERE {_inside(table)}', since[table]
            )
            append(con, table, made[table])
    return changed


def _inside(table: str) -> str:
    """SQL: whether row `t` of a table lies inside window `k`; none does before $since."""
    at, (first, end) = f"t.{KEPT_BY[table]}", FROM_TO[table]
    return (
        f"{at} >= $since AND k.station_id = t.station_id AND {at} >= k.{first} AND {at} < k.{end}"
    )
