"""The normalise stage: raw_* → core_*, only where new rows can have changed something, in batches that fit in memory."""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.normalise import clocks, codes, exports, fleet, gather, identities, judge, pilot, signals, windows
from pipeline.registry import empty, registry
from pipeline.settings.normalise import NormaliseSettings
from pipeline.warehouse import Connection, append, query, read, replace, transaction

KEPT_BY = {
    "core_clock": "receiver_from_utc",
    "core_pilot": "at_utc",
    "core_signal": "at_utc",
    "core_plug_in": "plugged_at_utc",
}
"""By which time a row lies inside a window or outside."""


def normalise(con: Connection, touched: pl.DataFrame | None, settings: NormaliseSettings) -> None:
    """Fill core_* from raw_*: all of it (None), or what the touched stations (`station_id, from_utc, to_utc`) can have changed.

    Files in raw_file that no earlier run took up are found and count as touched, so that a run that broke off between
    two stages loses nothing. The result equals one made whole. One transaction; raises SchemaError when the site's own
    code list is wrong.
    """
    own = codes.site_words(settings.codes_file)
    with transaction(con):
        changed = fleet.update(con)
        if touched is None:
            con.execute("DELETE FROM core_seen")
            windows.whole(con)
        else:
            windows.of_new(con, touched, changed.stations, settings)
        spans = [rebuild(con, batch, settings, own) for batch in windows.batches(con, settings.batch_rows)]
        spans += [judge.reported(con, settings), firmware(con)]
        if touched is None or changed.people:
            judge.attempts_of(con, None, settings)
        else:
            judge.attempts_of(con, pl.concat([*spans, windows.spans_of_new(con)]), settings)
        replace(con, "core_word", words(con, own))
        con.execute("INSERT INTO core_seen SELECT file_id FROM raw_file ANTI JOIN core_seen USING (file_id)")


def core(
    raw: signals.Records, evses: pl.DataFrame, settings: NormaliseSettings, own: Mapping[str, str]
) -> dict[str, pl.DataFrame]:
    """Core tables of some stations from their raw rows."""
    booted = clocks.boots(raw.frames)
    clock = clocks.fit(clocks.observations(raw.frames), booted)
    said = signals.build(raw, clock, evses, own)
    rows = pilot.build(raw.pilot, clock, booted, evses, own)
    samples = signals.place_samples(raw.samples, said, clock, evses)
    evidence = gather.Evidence(rows, said, samples, exports.build(raw.sessions, own))
    return {
        "core_clock": clock.lines,
        "core_pilot": rows,
        "core_signal": said,
        "core_plug_in": gather.build(evidence, evses, settings),
    }


def rebuild(con: Connection, batch: pl.DataFrame, settings: NormaliseSettings, own: Mapping[str, str]) -> pl.DataFrame:
    """Rebuild the core rows in a batch of windows; returns the spans (`from_utc, to_utc`) of plug-ins that changed."""
    made = core(windows.records(con, batch), read(con, "core_evse"), settings, own)
    keep = batch.select("station_id", "keep_from_utc", "keep_to_utc")
    con.register("_keep", keep.to_arrow())
    changed = empty("core_plug_in").select(from_utc="plugged_at_utc", to_utc="seen_utc")
    for table, column in KEPT_BY.items():
        inside = pl.col(column).is_between("keep_from_utc", "keep_to_utc", closed="left")
        rows = made[table].join(keep, on="station_id").filter(inside).select(registry().table(table).column_names)
        where = f"FROM _keep k WHERE k.station_id = t.station_id AND t.{column} >= k.keep_from_utc AND t.{column} < k.keep_to_utc"
        if table == "core_plug_in":
            before = query(con, f"SELECT t.* FROM core_plug_in t, _keep k {where.removeprefix('FROM _keep k')}")
            changed = judge.differing(before, rows)
        con.execute(f'DELETE FROM "{table}" t WHERE EXISTS (SELECT 1 {where})')
        append(con, table, rows)
    con.unregister("_keep")
    return changed


def firmware(con: Connection) -> pl.DataFrame:
    """core_firmware of the windows' stations; returns the spans in which another firmware is in force now."""
    boots = query(
        con,
        "SELECT station_id, receiver_at_utc AS at_utc, firmware FROM raw_frame SEMI JOIN _windows USING (station_id)"
        " WHERE action = 'BootNotification' AND firmware IS NOT NULL",
    )
    now = identities.firmwares(boots)
    before = query(con, "SELECT * FROM core_firmware SEMI JOIN _windows USING (station_id)")
    key = ["station_id", "valid_from_utc", "firmware"]
    moved = pl.concat([now.join(before, on=key, how="anti"), before.select(now.columns).join(now, on=key, how="anti")])
    con.execute("DELETE FROM core_firmware WHERE station_id IN (SELECT station_id FROM _windows)")
    append(con, "core_firmware", now)
    return moved.select(from_utc="valid_from_utc", to_utc=pl.coalesce("valid_to_utc", pl.lit(windows.ALL_TO)))


def words(con: Connection, own: Mapping[str, str]) -> pl.DataFrame:
    """core_word: every fault word met, what the lists say of it, how often; words of files seen before are only added to."""
    asked = (
        ("raw_pilot", "fault_raw", "vendor_code", "true"),
        ("raw_session", "fault_raw", "vendor_code", "fault IS NULL"),
        ("raw_frame", "vendor_error_code", "vendor_code", "true"),
        ("raw_event", "vendor_error_code", "vendor_code", "true"),
        ("raw_frame", "error_code", "ocpp16_error_code", "action = 'StatusNotification'"),
        ("raw_frame", "stop_reason", "ocpp16_stop_reason", "version = '1.6'"),
        ("raw_frame", "stop_reason", "ocpp201_stopped_reason", "version <> '1.6'"),
    )
    counted = [
        query(
            con,
            f"SELECT {column} AS word, count(*) AS n, '{name}' AS list_name FROM {table} ANTI JOIN core_seen USING (file_id)"
            f" WHERE {column} IS NOT NULL AND {where} GROUP BY 1",
        )
        for table, column, name, where in asked
    ]
    if con.execute("SELECT count(*) FROM core_seen").fetchall()[0][0]:
        counted.append(query(con, "SELECT word, occurrences AS n, list_name FROM core_word"))
    return codes.counted(pl.concat(counted), own)
