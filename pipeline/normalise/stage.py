"""The normalise stage.

Raw_* → core_*, only where new rows can have changed something, in batches that fit in memory.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from pipeline.core.peak_memory import give_back
from pipeline.normalise.incremental import attempt_rebuild, narrowing, windows
from pipeline.normalise.rebuild import rebuild
from pipeline.normalise.sessions import fleet, identities
from pipeline.normalise.signals import codes
from pipeline.settings.normalise import NormaliseSettings
from pipeline.storage.warehouse import Connection, append, query, replace, transaction

EVERY_FILE = "true"


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
    give_back()
    with transaction(con):
        changed = fleet.update(con)
        fresh = EVERY_FILE if touched is None else windows.fresh_files(con)
        if touched is None:
            windows.whole(con)
        else:
            values = windows.of_new(con, touched, changed.stations, fresh, settings)
            narrowing.narrow(con, values, changed.stations, settings, own)
        spans = [*rebuild(con, settings, own), firmware(con, fresh)]
        give_back()
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
