"""The normalise stage.

Raw_* → core_*, only where new rows can have changed something, in batches that fit in memory.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.normalise.attempts import assemble
from pipeline.normalise.clocks import eras, observed
from pipeline.normalise.incremental import attempt_rebuild, names, windows
from pipeline.normalise.sessions import exports, fleet, identities
from pipeline.normalise.signals import codes, messages, pilot_rows
from pipeline.registry import empty, registry
from pipeline.settings.normalise import NormaliseSettings
from pipeline.storage.warehouse import Connection, append, query, read, replace, transaction

EVERY_FILE = "true"
KEPT_BY = {
    "core_clock": "receiver_from_utc",
    "core_pilot": "at_utc",
    "core_signal": "at_utc",
    "core_plug_in": "plugged_at_utc",
}
"""By which time a row lies inside a window or outside."""


def normalise(con: Connection, touched: pl.DataFrame | None, settings: NormaliseSettings) -> None:
    """Fill core_* from raw_*: all of it (None), or what the touched stations (`station_id,
    from_utc, to_utc`) can have changed.

    Files in raw_file that no earlier run took up are found and count as touched, as do the spans of
    raw_changed, so that a run that broke off between two stages loses nothing. The result equals
    one made whole. One transaction.

    Parameters
    ----------
    con
        The warehouse, its raw tables filled.
    touched
        `station_id, from_utc, to_utc`: what reading gave beside new files; None: everything.
    settings
        Clocks, energy, and what counts as waiting, leaving, settled.

    Raises
    ------
    SchemaError
        The site's own code list is wrong.

    """
    own = codes.site_words(settings.codes_file)
    with transaction(con):
        changed = fleet.update(con)
        fresh = EVERY_FILE if touched is None else windows.fresh_files(con)
        if touched is None:
            windows.whole(con)
        else:
            windows.of_new(con, touched, changed.stations, fresh, settings)
        spans = [
            rebuild(con, batch, settings, own)
            for batch in windows.batches(con, settings.batch_rows)
        ]
        spans.append(firmware(con, fresh))
        if touched is None or changed.people:
            attempt_rebuild.attempts_of(con, None, settings)
        else:
            spans += [attempt_rebuild.reported(con, fresh, settings), windows.spans_of_new(con)]
            attempt_rebuild.attempts_of(con, pl.concat(spans), settings)
        replace(con, "core_word", words(con, own, fresh))
        con.execute(
            "INSERT INTO meta_normalised_file SELECT file_id FROM raw_file ANTI JOIN meta_normalised_file USING (file_id)"
        )
        con.execute("DELETE FROM raw_changed")


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
    parts = (raw.frames, raw.samples, raw.events, raw.pilot, raw.sessions)
    kind = names.kinds((*parts, evses))
    return messages.Records(*(names.numbered(part, kind) for part in parts)), names.numbered(
        evses, kind
    )


def rebuild(
    con: Connection, batch: pl.DataFrame, settings: NormaliseSettings, own: Mapping[str, str]
) -> pl.DataFrame:
    """Rebuild the core rows in a batch of windows.

    Returns the spans (`from_utc, to_utc`) of plug-ins that changed.
    """
    evses = read(con, "core_evse").unique(
        ["station_id", "connector_id"], keep="last", maintain_order=True
    )
    made = core(*by_number(windows.records(con, batch), evses), settings, own)
    keep = batch.select("station_id", "keep_from_utc", "keep_to_utc")
    con.register("_keep", keep.to_arrow())
    since = {"since": keep["keep_from_utc"].min()}
    changed = empty("core_plug_in").select(from_utc="plugged_at_utc", to_utc="seen_utc")
    for table, column in KEPT_BY.items():
        inside = pl.col(column).is_between("keep_from_utc", "keep_to_utc", closed="left")
        rows = (
            made[table]
            .with_columns(pl.col("station_id").cast(pl.String))
            .join(keep, on="station_id")
            .filter(inside)
            .select(registry().table(table).column_names)
        )
        where = f"k.station_id = t.station_id AND t.{column} >= k.keep_from_utc AND t.{column} < k.keep_to_utc"
        if table == "core_plug_in":
            old = f"SELECT t.* FROM (FROM core_plug_in WHERE {column} >= $since) t JOIN _keep k ON {where}"
            changed = attempt_rebuild.differing(query(con, old, since), rows)
        con.execute(
            f'DELETE FROM "{table}" t USING _keep k WHERE t.{column} >= $since AND {where}', since
        )
        append(con, table, rows)
    con.unregister("_keep")
    return changed


def firmware(con: Connection, fresh: str) -> pl.DataFrame:
    """core_firmware of the stations that restarted in `fresh` files.

    Returns the spans in which it is another one now.
    """
    restarted = (
        f"SELECT DISTINCT station_id FROM raw_frame WHERE {fresh} AND action = 'BootNotification'"
    )
    con.execute(f"CREATE OR REPLACE TEMP TABLE _restarted AS {restarted}")
    boots = query(
        con,
        "SELECT station_id, receiver_at_utc AS at_utc, firmware FROM raw_frame SEMI JOIN _restarted USING (station_id)"
        " WHERE action = 'BootNotification' AND firmware IS NOT NULL",
    )
    now = identities.firmwares(boots)
    before = query(con, "SELECT * FROM core_firmware SEMI JOIN _restarted USING (station_id)")
    key = ["station_id", "valid_from_utc", "firmware"]
    moved = pl.concat(
        [
            now.join(before, on=key, how="anti"),
            before.select(now.columns).join(now, on=key, how="anti"),
        ]
    )
    con.execute("DELETE FROM core_firmware WHERE station_id IN (SELECT station_id FROM _restarted)")
    append(con, "core_firmware", now)
    return moved.select(
        from_utc="valid_from_utc", to_utc=pl.coalesce("valid_to_utc", pl.lit(windows.ALL_TO))
    )


def words(con: Connection, own: Mapping[str, str], fresh: str) -> pl.DataFrame:
    """core_word: every fault word met, what the lists say of it, how often.

    Words of `fresh` files are added to those known.
    """
    asked = (
        ("raw_pilot", "fault_raw", "vendor_code", "true"),
        ("raw_session", "fault_raw", "vendor_code", "fault IS NULL"),
        ("raw_session", "end_reason_raw", "ocpp16_stop_reason", "stop_reason IS NULL"),
        ("raw_frame", "vendor_error_code", "vendor_code", "true"),
        ("raw_event", "vendor_error_code", "vendor_code", "true"),
        ("raw_frame", "error_code", "ocpp16_error_code", "action = 'StatusNotification'"),
        ("raw_frame", "stop_reason", "ocpp16_stop_reason", "version = '1.6'"),
        ("raw_frame", "stop_reason", "ocpp201_stopped_reason", "version <> '1.6'"),
    )
    counted = [
        query(
            con,
            f"SELECT {column} AS word, count(*) AS n, '{name}' AS list_name FROM {table}"
            f" WHERE {fresh} AND {column} IS NOT NULL AND {where} GROUP BY 1",
        )
        for table, column, name, where in asked
    ]
    if fresh != EVERY_FILE:
        counted.append(query(con, "SELECT word, occurrences AS n, list_name FROM core_word"))
    return codes.counted(pl.concat(counted), own)
