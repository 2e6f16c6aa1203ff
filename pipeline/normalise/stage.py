"""The normalise stage: raw_* → core_*, station by station in batches that fit in memory."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import polars as pl

from pipeline.normalise import attempts, clocks, codes, exports, gather, identities, pilot, signals
from pipeline.registry import conform, empty, registry
from pipeline.settings.normalise import NormaliseSettings
from pipeline.warehouse import Connection, append, read, replace

BY_STATION = ("core_clock", "core_firmware", "core_pilot", "core_signal", "core_plug_in")


def normalise(con: Connection, touched: pl.DataFrame | None, settings: NormaliseSettings) -> None:
    """Fill core_* from raw_*: of the touched stations (`station_id, from_utc, to_utc`), or of all where None.

    Raises SchemaError when the site's own code list is wrong.
    """
    own = codes.site_words(settings.codes_file)
    fleet(con)
    for stations in batches(con, settings.batch_rows):
        rebuild(con, stations, settings, own)
    judge(con, settings)
    replace(con, "core_word", words(con, own))


def frame(con: Connection, query: str) -> pl.DataFrame:
    """The result of a query."""
    return pl.DataFrame(con.sql(query).to_arrow_table())


def fleet(con: Connection) -> None:
    """core_vehicle, core_token, core_token_conflict, core_evse: as last delivered."""
    replace(con, "core_vehicle", identities.latest(delivered(con, "raw_vehicle"), ["vehicle_id"]))
    replace(con, "core_evse", identities.latest(delivered(con, "raw_evse"), ["evse_id"]))
    tokens = identities.latest(delivered(con, "raw_token"), ["id_token", "vehicle_id", "valid_from_utc"])
    replace(con, "core_token", tokens)
    replace(con, "core_token_conflict", identities.conflicts(tokens))


def delivered(con: Connection, table: str) -> pl.DataFrame:
    """A raw table with the time its file was read."""
    return frame(con, f'SELECT t.*, f.ingested_at_utc FROM "{table}" t LEFT JOIN raw_file f USING (file_id)')


def batches(con: Connection, rows: int) -> Iterator[list[str]]:
    """Stations in groups of about so many raw rows."""
    parts = " UNION ALL ".join(
        f"SELECT station_id, count(*) n FROM {table} GROUP BY 1"
        for table in ("raw_frame", "raw_sample", "raw_event", "raw_pilot")
    )
    exported = "SELECT station_id, count(*) n FROM raw_session JOIN core_evse USING (evse_id) GROUP BY 1"
    query = f"SELECT station_id, sum(n) FROM ({parts} UNION ALL {exported}) GROUP BY 1 ORDER BY 1"
    group: list[str] = []
    held = 0
    for station, n in con.execute(query).fetchall():
        if group and held + n > rows:
            yield group
            group, held = [], 0
        group.append(station)
        held += n
    if group:
        yield group


def of_stations(con: Connection, table: str, stations: list[str]) -> pl.DataFrame:
    """Rows of a table that belong to some stations."""
    con.register("_stations", pl.DataFrame({"station_id": stations}).to_arrow())
    found = frame(con, f'SELECT * FROM "{table}" SEMI JOIN _stations USING (station_id)')
    con.unregister("_stations")
    return conform(found, table) if len(found) else empty(table)


def records(con: Connection, stations: list[str]) -> signals.Records:
    """All raw rows of some stations."""
    con.register("_stations", pl.DataFrame({"station_id": stations}).to_arrow())
    sessions = frame(
        con, "SELECT s.*, e.station_id FROM raw_session s JOIN core_evse e USING (evse_id) SEMI JOIN _stations USING (station_id)"
    )
    con.unregister("_stations")
    return signals.Records(
        frames=of_stations(con, "raw_frame", stations),
        samples=of_stations(con, "raw_sample", stations),
        events=of_stations(con, "raw_event", stations),
        pilot=of_stations(con, "raw_pilot", stations),
        sessions=sessions,
    )


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
    firmware = identities.firmwares(said.filter(pl.col("action") == "BootNotification"))
    return {
        "core_clock": clock,
        "core_firmware": firmware,
        "core_pilot": rows,
        "core_signal": said,
        "core_plug_in": gather.build(evidence, evses, settings),
    }


def rebuild(con: Connection, stations: list[str], settings: NormaliseSettings, own: Mapping[str, str]) -> None:
    """Rebuild every core row of some stations."""
    made = core(records(con, stations), read(con, "core_evse"), settings, own)
    con.register("_stations", pl.DataFrame({"station_id": stations}).to_arrow())
    for table in BY_STATION:
        con.execute(f'DELETE FROM "{table}" WHERE station_id IN (SELECT station_id FROM _stations)')
    con.unregister("_stations")
    for table, rows in made.items():
        append(con, table, rows.select(registry().table(table).column_names))


def judge(con: Connection, settings: NormaliseSettings) -> None:
    """core_attempt from plug-ins, vehicles' reports and the fleet's lists."""
    people = attempts.Fleet(
        read(con, "core_evse"), read(con, "core_vehicle"), read(con, "core_token"), read(con, "core_firmware")
    )
    cards = frame(con, "SELECT station_id, at_utc, id_token FROM core_signal WHERE action = 'Authorize' AND evse_id IS NULL")
    made = attempts.build(read(con, "core_plug_in"), read(con, "raw_charging"), cards, people, settings)
    replace(con, "core_attempt", made)


def words(con: Connection, own: Mapping[str, str]) -> pl.DataFrame:
    """core_word: every fault word met, what the lists say of it, how often."""
    asked = (
        ("SELECT fault_raw AS word, count(*) AS n FROM raw_pilot GROUP BY 1", "vendor_code"),
        ("SELECT fault_raw AS word, count(*) AS n FROM raw_session WHERE fault IS NULL GROUP BY 1", "vendor_code"),
        ("SELECT vendor_error_code AS word, count(*) AS n FROM raw_frame GROUP BY 1", "vendor_code"),
        ("SELECT vendor_error_code AS word, count(*) AS n FROM raw_event GROUP BY 1", "vendor_code"),
        (
            "SELECT error_code AS word, count(*) AS n FROM raw_frame WHERE action = 'StatusNotification' GROUP BY 1",
            "ocpp16_error_code",
        ),
        ("SELECT stop_reason AS word, count(*) AS n FROM raw_frame WHERE version = '1.6' GROUP BY 1", "ocpp16_stop_reason"),
        ("SELECT stop_reason AS word, count(*) AS n FROM raw_frame WHERE version <> '1.6' GROUP BY 1", "ocpp201_stopped_reason"),
    )
    counted = pl.concat([frame(con, query).with_columns(pl.lit(name).alias("list_name")) for query, name in asked])
    return codes.counted(counted, own)
