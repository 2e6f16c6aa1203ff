"""The normalise stage: raw_* → core_*, station by station in batches that fit in memory."""

from __future__ import annotations

from collections.abc import Iterator

import polars as pl

from pipeline.normalise import attempts, clocks, codes, identities, pilot, signals
from pipeline.registry import conform, empty, registry
from pipeline.settings.normalise import NormaliseSettings
from pipeline.warehouse import Connection, append, read, replace

BY_STATION = ("core_clock", "core_firmware", "core_pilot", "core_signal", "core_attempt")


def normalise(con: Connection, touched: pl.DataFrame | None, settings: NormaliseSettings) -> None:
    """Fill core_* from raw_*: of the touched stations (`station_id, from_utc, to_utc`), or of all where None.

    Raises SchemaError when the site's own code list is wrong.
    """
    own = codes.site_words(settings.codes_file)
    fleet(con)
    for stations in batches(con, settings.batch_rows):
        rebuild(con, stations, settings, own)
    replace(con, "core_word", words(con, own))


def fleet(con: Connection) -> None:
    """core_vehicle, core_token, core_token_conflict, core_evse: as last delivered."""
    replace(con, "core_vehicle", identities.latest(delivered(con, "raw_vehicle"), ["vehicle_id"]))
    replace(con, "core_evse", identities.latest(delivered(con, "raw_evse"), ["evse_id"]))
    tokens = identities.latest(delivered(con, "raw_token"), ["id_token", "vehicle_id", "valid_from_utc"])
    replace(con, "core_token", tokens)
    replace(con, "core_token_conflict", identities.conflicts(tokens))


def delivered(con: Connection, table: str) -> pl.DataFrame:
    """A raw table with the time its file was read."""
    query = f'SELECT t.*, f.ingested_at_utc FROM "{table}" t LEFT JOIN raw_file f USING (file_id)'
    return pl.DataFrame(con.sql(query).to_arrow_table())


def batches(con: Connection, rows: int) -> Iterator[list[str]]:
    """Stations in groups of about so many raw rows."""
    counted = con.execute(
        "SELECT station_id, sum(n) FROM (SELECT station_id, count(*) n FROM raw_frame GROUP BY 1 UNION ALL"
        " SELECT station_id, count(*) FROM raw_sample GROUP BY 1 UNION ALL"
        " SELECT station_id, count(*) FROM raw_pilot GROUP BY 1) GROUP BY 1 ORDER BY 1"
    ).fetchall()
    group: list[str] = []
    held = 0
    for station, n in counted:
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
    found = con.sql(f'SELECT * FROM "{table}" SEMI JOIN _stations USING (station_id)').to_arrow_table()
    con.unregister("_stations")
    return conform(pl.DataFrame(found), table) if found.num_rows else empty(table)


def rebuild(con: Connection, stations: list[str], settings: NormaliseSettings, own: dict[str, str]) -> None:
    """Rebuild every core row of some stations from their raw rows."""
    evses = read(con, "core_evse")
    frames = of_stations(con, "raw_frame", stations)
    samples = of_stations(con, "raw_sample", stations)
    clock = clocks.fit(clocks.observations(frames))
    said = signals.build(frames, samples, clock, evses, own)
    rows = pilot.build(of_stations(con, "raw_pilot", stations), clock, evses, own)
    evidence = attempts.Evidence(rows, said, signals.place_samples(samples, said, clock, evses))
    made = attempts.finished(attempts.build(evidence, evses, settings), settings)
    firmware = identities.firmwares(said)
    made = identities.by_token(made, read(con, "core_token"))
    made = identities.described(made.drop("supply"), evses, firmware, read(con, "core_vehicle"))
    results = {"core_clock": clock, "core_firmware": firmware, "core_pilot": rows, "core_signal": said, "core_attempt": made}
    con.register("_stations", pl.DataFrame({"station_id": stations}).to_arrow())
    for table in BY_STATION:
        con.execute(f'DELETE FROM "{table}" WHERE station_id IN (SELECT station_id FROM _stations)')
    con.unregister("_stations")
    for table, frame in results.items():
        append(con, table, frame.select(registry().table(table).column_names))


def words(con: Connection, own: dict[str, str]) -> pl.DataFrame:
    """core_word: every fault word met, what the lists say of it, how often."""
    asked = (
        ("SELECT fault_raw AS word, count(*) AS n FROM raw_pilot GROUP BY 1", "vendor_code"),
        ("SELECT vendor_error_code AS word, count(*) AS n FROM raw_frame GROUP BY 1", "vendor_code"),
        (
            "SELECT error_code AS word, count(*) AS n FROM raw_frame WHERE action = 'StatusNotification' GROUP BY 1",
            "ocpp16_error_code",
        ),
        ("SELECT stop_reason AS word, count(*) AS n FROM raw_frame WHERE version = '1.6' GROUP BY 1", "ocpp16_stop_reason"),
        ("SELECT stop_reason AS word, count(*) AS n FROM raw_frame WHERE version <> '1.6' GROUP BY 1", "ocpp201_stopped_reason"),
    )
    counted = pl.concat(
        [pl.DataFrame(con.sql(query).to_arrow_table()).with_columns(pl.lit(name).alias("list_name")) for query, name in asked]
    )
    return codes.counted(counted, own)
