"""What has moved in the months that a clock far off asks for.

Pilot rows of weeks, and frames queued in eras before, may have to be placed again for new rows;
mostly they stay where they were. Clocks and times are a tenth of the work: they are made for the
whole window and laid beside what the store has. What messages say is made again only where one of
them has moved.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.normalise.clocks import correct, eras, observed
from pipeline.normalise.incremental import names, windows
from pipeline.normalise.signals import messages, pilot_rows
from pipeline.registry import registry
from pipeline.settings.normalise import NormaliseSettings
from pipeline.storage.warehouse import Connection, query, read, seeing, statement

PLACED = ["station_id", "file_id", "line", "at_utc", "clock_error_s"]
"""Of a message what the clock tells."""
TIMES = {"core_clock": "receiver_from_utc", "core_pilot": "at_utc", "core_signal": "at_utc"}


def narrow(
    con: Connection,
    values: Mapping[str, object],
    moved: list[str],
    settings: NormaliseSettings,
    own: Mapping[str, str],
) -> None:
    """Lay windows of days (`_narrow`) within those of months, for what messages say.

    `values`: what windows are laid by; `moved`: stations made whole.
    """
    con.execute(statement(__file__, "doubted"), {"all_from": windows.ALL_FROM})
    evses = read(con, "core_evse").unique(
        ["station_id", "connector_id"], keep="last", maintain_order=True
    )
    found = [
        _moved(con, batch, evses, settings, own)
        for batch in windows.batches(con, settings.batch_rows, "_doubted")
    ]
    if not found:
        return
    con.execute("CREATE OR REPLACE TEMP TABLE _wide AS FROM _windows")
    with seeing(con, _moved=pl.concat(found)):
        con.execute(statement(__file__, "moved"))
    windows.lay(con, moved, values)
    con.execute(
        "CREATE OR REPLACE TEMP TABLE _narrow AS FROM _windows SEMI JOIN _doubted USING (station_id)"
    )
    con.execute("CREATE OR REPLACE TEMP TABLE _windows AS FROM _wide")


def _moved(
    con: Connection,
    batch: pl.DataFrame,
    evses: pl.DataFrame,
    settings: NormaliseSettings,
    own: Mapping[str, str],
) -> pl.DataFrame:
    """`station_id, from_utc, to_utc`: over what is otherwise in the windows than the store has it."""
    keep = batch.select("station_id", "keep_from_utc", "keep_to_utc")
    with seeing(con, _batch=batch):
        asked = (windows.calls(con, batch), windows.events(con, batch), windows.pilot(con, batch))
        before = {table: _stored(con, table, batch) for table in TIMES}
    now = made(asked, evses, settings, own)
    return (
        pl.concat(
            [differing(before[table], now[table], keep, column) for table, column in TIMES.items()]
        )
        .group_by("station_id")
        .agg(from_utc=pl.col("at").min(), to_utc=pl.col("at").max())
    )


def _stored(con: Connection, table: str, batch: pl.DataFrame) -> pl.DataFrame:
    """What the store has of a table inside the windows that stand as `_batch`."""
    columns = PLACED if table == "core_signal" else registry().table(table).column_names
    time = TIMES[table]
    return query(
        con,
        f"SELECT {', '.join(f't.{name}' for name in columns)} FROM (FROM {table} WHERE {time} >= $since) t JOIN _batch w"
        f" USING (station_id) WHERE t.{time} >= w.keep_from_utc AND t.{time} < w.keep_to_utc",
        {"since": batch["keep_from_utc"].min()},
    )


def made(
    asked: tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame],
    evses: pl.DataFrame,
    settings: NormaliseSettings,
    own: Mapping[str, str],
) -> dict[str, pl.DataFrame]:
    """Clock, pilot rows and times of messages from calls, events and raw pilot rows."""
    kind = names.kinds((*asked, evses))
    calls, events, pilot = (names.in_order(names.numbered(part, kind)) for part in asked)
    known, booted = names.numbered(evses, kind), observed.boots(calls)
    clock = eras.fit(observed.observations(calls), booted, settings.clocks)
    said = pl.concat([messages.heard(calls).select(events.columns), events])
    return {
        "core_clock": clock.lines.select(registry().table("core_clock").column_names),
        "core_pilot": pilot_rows.build(pilot, clock, booted, known, own).select(
            registry().table("core_pilot").column_names
        ),
        "core_signal": correct.frames(said, clock).select(PLACED),
    }


def differing(
    before: pl.DataFrame, now: pl.DataFrame, keep: pl.DataFrame, time: str
) -> pl.DataFrame:
    """`station_id, at` of rows that only one of the two has, inside the windows to be kept."""
    told = now.with_columns(pl.col(pl.Enum).cast(pl.String)).join(keep, on="station_id")
    inside = told.filter(pl.col(time).is_between("keep_from_utc", "keep_to_utc", closed="left"))
    columns = before.columns
    both = before, inside.select(columns).cast(before.schema)
    return pl.concat(
        one.join(other, on=columns, how="anti", nulls_equal=True).select("station_id", at=time)
        for one, other in (both, both[::-1])
    )
