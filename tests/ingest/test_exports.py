"""Session exports: another export needs another mapping and nothing else."""

from __future__ import annotations

import gzip
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import duckdb
import polars as pl
import pytest
from delivered import put, read, reasons, row
from hypothesis import given
from hypothesis import strategies as st

from pipeline.doorway.mapping import Mapping, parse
from pipeline.ingest.daylight_saving import readings, settle
from pipeline.storage.warehouse import Connection, query

MAPPING = """# how the yard writes
exports:
  - file: north-yard_*.csv
    columns: {evse_id: Bay, id_token: Card, plugged_at: From, unplugged_at: Until,
              energy_kwh: "Energy Wh", end_reason: Ended, fault: Trouble}
    time_format: "%d.%m.%Y %H:%M:%S"
    timezone: Europe/Oslo
    energy_unit: Wh
    end_reason: {"pulled out": EVDisconnected, done: Local, no: Remote}
    fault: {"earth leak": GroundFailure}
  - file: south.csv
    delimiter: ";"
    decimal: ","
    encoding: cp1252
    columns: {evse_id: Plass, vehicle_id: Bil, plugged_at: Start, energy_kwh: Mengde, end_reason: Årsak}
    timezone: Europe/Oslo
"""
HEADER = "Bay,Card,From,Until,Energy Wh,Ended,Trouble,Extra\n"


def test_an_export_is_read_by_its_mapping(con: Connection, delivery: Path) -> None:
    """Columns, words, unit, format and zone are those of the mapping.

    A word it does not know stays raw, for all to see.
    """
    put(delivery, "s/mapping.yaml", MAPPING)
    put(delivery, "s/north-yard_1.csv", HEADER + "\n".join([
        "E1,T1,02.03.2026 08:00:00,02.03.2026 09:30:00,7200,pulled out,,x",
        "E1,T2,01.07.2026 08:00:00,,0,no,earth leak,x",
        "E2,,02.03.2026 08:00:00,02.03.2026 09:00:00,,vanished,gremlins,x",
    ]))  # fmt: skip
    report = read(con, delivery)
    account = row(report, "s/north-yard_1.csv")
    assert (account["kind"], account["used"], account["unknown_columns"]) == (
        "sessions",
        4,
        ["Extra"],
    )
    assert row(report, "s/mapping.yaml")["used"] == MAPPING.count("\n")
    first, second, third = query(con, "SELECT * FROM raw_session ORDER BY line").to_dicts()
    assert first["plugged_at_utc"] == datetime(2026, 3, 2, 7, tzinfo=UTC)
    assert (first["energy_kwh"], first["stop_reason"], first["fault"], first["time_doubt"]) == (
        7.2,
        "EVDisconnected",
        None,
        None,
    )
    assert second["plugged_at_utc"] == datetime(2026, 7, 1, 6, tzinfo=UTC)
    assert (second["unplugged_at_utc"], second["stop_reason"], second["fault"]) == (
        None,
        "Remote",
        "GroundFailure",
    )
    assert (third["stop_reason"], third["end_reason_raw"], third["fault"], third["fault_raw"]) == (
        None,
        "vanished",
        None,
        "gremlins",
    )


def test_another_dialect_under_a_mapping(con: Connection, delivery: Path) -> None:
    """Delimiter, decimal sign and encoding are the mapping's.

    Packed files match the glob of their plain name.
    """
    put(delivery, "mapping.yaml", MAPPING)
    put(
        delivery,
        "south.csv",
        "Plass;Bil;Start;Mengde;Årsak\nE1;V1;2026-03-02T08:00:00;1.234,5;\nE1;V1;2026-03-02T08:00:00Z;12,25;\n".encode(
            "cp1252"
        ),
    )
    assert row(read(con, delivery), "south.csv")["used"] == 3
    rows = query(
        con, "SELECT energy_kwh, vehicle_id, plugged_at_utc FROM raw_session ORDER BY line"
    ).rows()
    assert rows == [
        (1234.5, "V1", datetime(2026, 3, 2, 7, tzinfo=UTC)),
        (12.25, "V1", datetime(2026, 3, 2, 8, tzinfo=UTC)),
    ]


def test_bad_sessions_are_rejected_one_by_one(con: Connection, delivery: Path) -> None:
    """A row without EVSE or plug-in time, or with a time or number that is none, is rejected, in
    the export's own names.
    """
    put(delivery, "mapping.yaml", MAPPING)
    put(delivery, "north-yard_1.csv", HEADER + "\n".join([
        ",T,02.03.2026 08:00:00,,1,,,", "E,T,2026-03-02,,1,,,", "E,T,02.03.2026 08:00:00,later,1,,,",
        "E,T,02.03.2026 08:00:00,,much,,,", "E",
    ]))  # fmt: skip
    read(con, delivery)
    assert reasons(con) == [
        "the EVSE is blank",
        "From: '2026-03-02' is not a time written '%d.%m.%Y %H:%M:%S'",
        "Until: 'later' is not a time written '%d.%m.%Y %H:%M:%S'",
        "Energy Wh: 'much' is not a number",
        "has 1 values where the header has 8",
    ]


def test_a_mapped_column_that_is_not_there(con: Connection, delivery: Path) -> None:
    """The file is rejected; the message names file, column and the columns found."""
    put(delivery, "mapping.yaml", MAPPING)
    put(delivery, "north-yard_1.csv", "Bay,Card\nE,T\n")
    message = row(read(con, delivery), "north-yard_1.csv")["message"]
    assert message.startswith("north-yard_1.csv: ")
    assert "'From'" in message
    assert "found: 'Bay', 'Card'" in message


def test_an_export_waits_for_its_mapping(con: Connection, delivery: Path, tmp_path: Path) -> None:
    """What no mapping covered is rejected, and read when it comes again with one, or after one."""
    put(delivery, "north-yard_1.csv", HEADER + "E1,T1,02.03.2026 08:00:00,,1,,,x\n")
    assert row(read(con, delivery), "north-yard_1.csv")["rejected"] == 2
    put(tmp_path / "m", "mapping.yaml", MAPPING)
    read(con, tmp_path / "m")
    assert row(read(con, delivery), "north-yard_1.csv")["used"] == 2
    assert reasons(con) == []
    assert row(read(con, delivery), "north-yard_1.csv")["duplicates"] == 2


def test_an_export_is_read_anew_by_a_corrected_mapping(
    con: Connection, delivery: Path, tmp_path: Path
) -> None:
    """Delivered again with a mapping that came later and says otherwise, an export is read again
    and its rows are replaced.

    With the old mapping it is a repeat, before and after: what was corrected does not come back.
    """
    wrong = MAPPING.replace("Europe/Oslo", "Europe/Helsinki").replace("earth leak", "leak to earth")
    export = (
        HEADER
        + "E1,T1,02.03.2026 08:00:00,02.03.2026 09:30:00,7200,done,earth leak,x\nE1,T2,then,,,,,x\n"
    )
    put(delivery, "s/mapping.yaml", wrong)
    put(delivery, "s/north-yard_1.csv", export)
    first = read(con, delivery)
    assert row(read(con, delivery), "s/north-yard_1.csv")["duplicates"] == 3
    put(tmp_path / "again", "s/mapping.yaml", MAPPING)
    put(tmp_path / "again", "s/north-yard_1.csv", export)
    again = read(con, tmp_path / "again")
    counts = ["lines", "used", "rejected", "duplicates", "known_as"]
    assert row(again, "s/north-yard_1.csv") == row(first, "s/north-yard_1.csv")
    assert [row(again, "s/north-yard_1.csv")[name] for name in counts] == [3, 2, 1, 0, None]
    told = "SELECT plugged_at_utc, fault FROM raw_session"
    corrected = [(datetime(2026, 3, 2, 7, tzinfo=UTC), "GroundFailure")]
    assert query(con, told).rows() == corrected
    for folder in (delivery, tmp_path / "again"):
        assert row(read(con, folder), "s/north-yard_1.csv")["duplicates"] == 3
    assert query(con, told).rows() == corrected
    assert len(reasons(con)) == 1


def test_a_packed_export_is_read_anew_too(con: Connection, delivery: Path, tmp_path: Path) -> None:
    """The content counts, packed or not: one reading of it stands."""
    export = HEADER + "E1,T1,02.03.2026 08:00:00,,1,,,x\n"
    put(delivery, "mapping.yaml", MAPPING)
    put(delivery, "north-yard_1.csv", export)
    read(con, delivery)
    put(tmp_path / "again", "mapping.yaml", MAPPING.replace("Europe/Oslo", "UTC"))
    put(tmp_path / "again", "north-yard_1.csv.gz", gzip.compress(export.encode(), mtime=0))
    assert row(read(con, tmp_path / "again"), "north-yard_1.csv.gz")["used"] == 2
    assert query(
        con, "SELECT strftime(plugged_at_utc, '%H') FROM raw_session"
    ).to_series().to_list() == ["08"]
    assert row(read(con, delivery), "north-yard_1.csv")["duplicates"] == 2


def test_a_mapping_alone_says_what_to_deliver_again(
    con: Connection, delivery: Path, tmp_path: Path
) -> None:
    """A corrected mapping without the exports it is for changes nothing yet, and names them.

    What it leaves as it was is not.
    """
    put(delivery, "mapping.yaml", MAPPING)
    put(delivery, "north-yard_1.csv", HEADER + "E1,T1,02.03.2026 08:00:00,,1,,,x\n")
    put(
        delivery,
        "south.csv",
        "Plass;Bil;Start;Mengde;Årsak\nE1;V1;2026-03-02T08:00:00Z;1;\n".encode("cp1252"),
    )
    assert row(read(con, delivery), "mapping.yaml")["message"] is None
    put(tmp_path / "m", "mapping.yaml", MAPPING.replace("earth leak", "leak"))
    account = row(read(con, tmp_path / "m"), "mapping.yaml")
    assert account["used"] == MAPPING.count("\n")
    assert "north-yard_1.csv" in account["message"]
    assert "south.csv" not in account["message"]
    assert (
        row(read(con, delivery), "north-yard_1.csv")["duplicates"] == 2
    )  # its own, older mapping lies beside it
    put(tmp_path / "x", "north-yard_1.csv", (delivery / "north-yard_1.csv").read_bytes())
    assert row(read(con, tmp_path / "x"), "north-yard_1.csv")["used"] == 2


WRONG = {
    "exports: [": "no YAML",
    "exports: []": "exports",
    "exports:\n  - file: a.csv\n": "exports.0.columns",
    "exports:\n  - {file: a, columns: {plugged_at: X}, timezone: Europe/Oslo}": "missing: evse_id",
    "exports:\n  - {file: a, columns: {evse_id: A, plugged_at: X, colour: C}, timezone: Europe/Oslo}": "not ours: colour",
    "exports:\n  - {file: a, columns: {evse_id: A, plugged_at: X}, timezone: Nowhere}": "IANA",
    "exports:\n  - {file: a, columns: {evse_id: A, plugged_at: X}, timezone: UTC, encoding: rot13}": "encoding",
    "exports:\n  - {file: a, columns: {evse_id: A, plugged_at: X}, timezone: UTC, energy_unit: J}": "energy_unit",
    "exports:\n  - {file: a, columns: {evse_id: A, plugged_at: X}, timezone: UTC, fault: {x: Gremlins}}": "Gremlins",
    "exports:\n  - {file: a, columns: {evse_id: A, plugged_at: X}, timezone: UTC, end_reason: {x: Bored}}": "Bored",
    "exports:\n  - {file: a, columns: {evse_id: A, plugged_at: X}, timezone: UTC, speed: 9}": "speed",
    "exports: " + "[" * 3000: "",
}


@pytest.mark.parametrize("text", WRONG)
def test_a_wrong_mapping_says_what_is_wrong(con: Connection, delivery: Path, text: str) -> None:
    """A mapping that cannot be used is rejected whole, with the entry and the reason.

    Nothing breaks.
    """
    put(delivery, "mapping.yaml", text)
    account = row(read(con, delivery), "mapping.yaml")
    assert (account["kind"], account["used"]) == ("unrecognised", 0)
    assert WRONG[text] in account["message"]


OSLO = "Europe/Oslo"  # clocks back on 2026-10-25 at 03:00 local, forward on 2026-03-29 at 02:00
FOLDS = {
    "pulled before plugged": (["02:50-02:10"], [("00:50", "01:10", None)]),
    "the order tells": (["02:40-02:45", "02:50-02:10", "02:20-02:30"],
                        [("00:40", "00:45", None), ("00:50", "01:10", None), ("01:20", "01:30", None)]),
    "nothing tells": (["02:20-02:40"], [("00:20", "00:40", "fold")]),
    "outside": (["01:20-01:40"], [("23:20", "23:40", None)]),
    "before into the fold": (["01:50-02:10"], [("23:50", "00:10", "fold")]),
}  # fmt: skip


@pytest.mark.parametrize("case", FOLDS)
def test_folds_are_told_apart_where_the_data_allow(
    con: Connection, delivery: Path, case: str
) -> None:
    """An end before its start, or rows that fall back in time, tell the two hours apart.

    Else the time is flagged doubtful.
    """
    local, meant = FOLDS[case]
    put(delivery, "mapping.yaml", MAPPING)
    rows = [f"E1,T,25.10.2026 {span[:5]}:00,25.10.2026 {span[6:]}:00,1,,,x" for span in local]
    put(delivery, "north-yard_1.csv", HEADER + "\n".join(rows))
    read(con, delivery)
    found = query(
        con,
        "SELECT plugged_at_utc AS p, unplugged_at_utc AS u, time_doubt AS d FROM raw_session ORDER BY line",
    ).rows()
    assert [(f"{p:%H:%M}", f"{u:%H:%M}", d) for p, u, d in found] == meant


def test_a_time_no_clock_showed_is_flagged(con: Connection, delivery: Path) -> None:
    """A local time in the gap is kept, and flagged."""
    put(delivery, "mapping.yaml", MAPPING)
    put(
        delivery,
        "north-yard_1.csv",
        HEADER + "E1,T,29.03.2026 02:30:00,29.03.2026 04:00:00,1,,,x\n",
    )
    read(con, delivery)
    assert query(con, "SELECT time_doubt FROM raw_session").row(0) == ("gap",)


@given(
    st.datetimes(datetime(2026, 1, 1), datetime(2027, 1, 1)),  # noqa: DTZ001  # local times
    st.sampled_from([OSLO, "Australia/Lord_Howe", "America/St_Johns", "Asia/Kolkata"]),
)
def test_readings_agree_with_the_zone_database(
    shared: Connection, local: datetime, zone: str
) -> None:
    """Both readings of any local time are those of Python's zoneinfo (fold 0 and 1), which reads
    the same IANA data.
    """
    early, late, gap = readings("t", f"'{zone}'")
    row_ = shared.execute(
        f"SELECT {early}, {late}, {gap} FROM (SELECT CAST($1 AS TIMESTAMP) AS t)", [local]
    ).fetchall()[0]
    folds = [local.replace(tzinfo=ZoneInfo(zone), fold=fold).astimezone(UTC) for fold in (0, 1)]
    in_gap = folds[0].astimezone(ZoneInfo(zone)).replace(tzinfo=None) != local
    assert row_[2] is in_gap
    if not in_gap:
        assert [row_[0], row_[1]] == folds


@pytest.fixture(scope="module")
def shared() -> Connection:
    """One connection for many examples."""
    con = duckdb.connect()
    con.execute("SET TimeZone = 'UTC'")
    return con


def test_words_of_a_mapping_stay_words() -> None:
    """YAML's `no`, `1` and dates are an export's words, not booleans, numbers and dates."""
    text = "exports:\n  - {file: a, columns: {evse_id: no, plugged_at: 1}, timezone: UTC,"
    text += " end_reason: {2026-01-01: Local, yes: Remote}}"
    mapping = parse(text)
    assert isinstance(mapping, Mapping)
    assert mapping.exports[0].columns == {"evse_id": ("no",), "plugged_at": ("1",)}
    assert mapping.exports[0].end_reason == {"2026-01-01": "Local", "yes": "Remote"}


def test_more_than_one_fall_decides_nothing() -> None:
    """Rows of an EVSE that fall back twice in a fold are in no order: both hours stay possible."""
    hour = [datetime(2026, 10, 25, 0, m, tzinfo=UTC) for m in (40, 20, 10)]
    later = [t.replace(hour=1) for t in hour]
    none = pl.Series([None] * 3, dtype=pl.Datetime("us", "UTC"))
    rows = pl.DataFrame(
        {
            "evse_id": ["E"] * 3,
            "plugged_early": hour,
            "plugged_late": later,
            "plugged_gap": [False] * 3,
        }
    ).with_columns(unplugged_early=none, unplugged_late=none, unplugged_gap=pl.lit(value=False))
    assert settle(rows, ["evse_id"])["time_doubt"].to_list() == ["fold"] * 3
