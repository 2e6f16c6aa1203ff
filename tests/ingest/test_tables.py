"""CSV files of the known kinds: headers, types, rows rejected one by one, lines accounted for."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from pathlib import Path

import pytest
from delivered import put, read, reasons, row

from pipeline.doorway.kinds import TABLES, guess, headers
from pipeline.storage.warehouse import Connection, query

TOKENS = "id_token,vehicle_id,valid_from,valid_to\n"
PILOT = "at,station_id,connector_id,state,high_v,low_v,duty_pct,contactor,fault\n"
FINDINGS = "at,vehicle_id,finding,pp_pe_v,cp_pe_forward_ohm,cp_pe_reverse_ohm,repaired_at,note\n"
EVSES = (
    "evse_id,site_id,station_id,connector_id,evse_model,firmware,supply,connector_type,"
    "max_current_a,phases,max_power_kw,timezone\n"
)


@pytest.mark.parametrize("kind", sorted(TABLES))
def test_each_header_is_its_own_kind(kind: str) -> None:
    """The declared columns of a kind, in any order and with strangers among them, are recognised as
    that kind and no other.
    """
    columns = [c.name for c in headers()[kind].columns]
    for names in (columns, columns[::-1], ["stranger", *columns], sorted(headers()[kind].required)):
        found = guess(names)
        assert found is not None
        assert (found.kind, found.missing) == (kind, ())


def test_unknown_columns_are_named_and_left_out(con: Connection, delivery: Path) -> None:
    """A column that is not ours is named in the report; the row is used."""
    put(
        delivery,
        "any name",
        "colour,valid_to,valid_from,vehicle_id,id_token\nred,,2026-01-01T00:00:00Z,V1,T1\n",
    )
    account = row(read(con, delivery), "any name")
    assert (account["kind"], account["used"], account["unknown_columns"]) == (
        "tokens",
        2,
        ["colour"],
    )
    assert query(con, "SELECT id_token, vehicle_id, valid_to_utc FROM raw_token").rows() == [
        ("T1", "V1", None)
    ]


REFUSED = {
    "missing": (
        "id_token,vehicle_id,valid_to\nT,V,\n",
        ["'valid_from' is missing", "found: 'id_token', 'vehicle_id', 'valid_to'"],
    ),
    "semicolons": (TOKENS.replace(",", ";") + "T;V;;\n", ["separated by semicolons"]),
    "tabs": (TOKENS.replace(",", "\t"), ["separated by tabs"]),
    "utf16": (TOKENS.encode("utf-16"), ["UTF-16"]),
    "latin1": ("Straße,b,c\n".encode("latin-1"), ["not UTF-8"]),
    "stranger": ("a,b,c\n1,2,3\n", ["no known header", "found: 'a', 'b', 'c'", "mapping"]),
    "twice": (
        "id_token,vehicle_id,valid_from,valid_to,vehicle_id\n",
        ["'vehicle_id' stands twice"],
    ),
    "binary": (bytes(range(256)) * 3, ["neither frames nor a CSV header"]),
}


@pytest.mark.parametrize("case", REFUSED)
def test_a_file_that_cannot_be_used_says_why(con: Connection, delivery: Path, case: str) -> None:
    """Such a file has all its lines rejected.

    The message names the file, what was found and what is missing.
    """
    content, parts = REFUSED[case]
    path = put(delivery, "x.csv", content)
    account = row(read(con, delivery), "x.csv")
    lines = path.read_bytes().count(b"\n") + (not path.read_bytes().endswith(b"\n"))
    assert (account["kind"], account["lines"], account["rejected"]) == (
        "unrecognised",
        lines,
        lines,
    )
    assert account["message"].startswith("x.csv: ")
    for part in parts:
        assert part in account["message"]
    assert account["message"] in reasons(con)


def test_a_byte_order_mark_is_skipped(con: Connection, delivery: Path) -> None:
    """A byte-order mark is no part of the first column's name."""
    put(delivery, "t.csv", b"\xef\xbb\xbf" + (TOKENS + "T,V,2026-01-01T00:00:00Z,\n").encode())
    assert row(read(con, delivery), "t.csv")["used"] == 2


def test_line_ends_of_any_system(con: Connection, delivery: Path) -> None:
    """CR LF and a missing last line end change neither values nor counts."""
    put(
        delivery,
        "t.csv",
        (TOKENS + "T,V,2026-01-01T00:00:00Z,2026-02-01T00:00:00Z").replace("\n", "\r\n"),
    )
    assert row(read(con, delivery), "t.csv")["used"] == 2
    assert query(con, "SELECT valid_to_utc FROM raw_token").row(0) == (
        datetime(2026, 2, 1, tzinfo=UTC),
    )


BAD_ROWS = {
    ",V,2026-01-01,": "id_token is blank",
    "T,V,soon,": "valid_from: 'soon' is not an ISO 8601 time",
    "T,V": "has 2 values where the header has 4",
    "T,V,,,": "has 5 values where the header has 4",
    'T,"V" x,,': "the quoting is broken",
    ",V,x,y": "id_token is blank; valid_from: 'x' is not an ISO 8601 time; valid_to: 'y' is not an ISO 8601 time",
}


def test_bad_rows_are_rejected_one_by_one(con: Connection, delivery: Path) -> None:
    """A bad row does not take the file with it.

    Each reason names column and value, all faults of a row at once.
    """
    put(delivery, "t.csv", TOKENS + "T,V,2026-01-01T00:00:00Z,\n" + "\n".join(BAD_ROWS) + "\n")
    account = row(read(con, delivery), "t.csv")
    assert (account["used"], account["rejected"]) == (2, len(BAD_ROWS))
    assert reasons(con) == list(BAD_ROWS.values())


def test_numbers_and_words_are_checked(con: Connection, delivery: Path) -> None:
    """Numbers are decimal and finite, whole ones whole; words are those of the contract.

    Ranges hold.
    """
    at = "2026-03-02T10:00:00Z,S,1"
    put(delivery, "p.csv", PILOT + "\n".join([
        f"{at},B2,8.98,-12.0,26.67,open,", f"{at},A1,,,,,", f"{at},B,8.9,,,,", f"{at},B2,nan,,,,",
        f'{at},B2,"8,98",,,,', f"{at},B2,8.9,,,ajar,", "2026-03-02T10:00:00Z,S,1.5,B2,,,,,", "2026-03-02T10:00:00Z,S,-1,B2,,,,,",
    ]))  # fmt: skip
    assert row(read(con, delivery), "p.csv")["used"] == 3
    assert reasons(con) == [
        "state: 'B' is not one of A1, A2, B1, B2, C1, C2, D1, D2, E, F",
        "high_v: 'nan' is not a number",
        "high_v: '8,98' is not a number",
        "contactor: 'ajar' is not one of open, closed",
        "connector_id: '1.5' is not a whole number",
        "connector_id: '-1' is below 0",
    ]


def test_a_meter_beyond_its_range_reads_infinite(con: Connection, delivery: Path) -> None:
    """`OL`, as meters show it, is the usual reverse reading of a healthy diode (derived), not a
    fault of the file.
    """
    put(
        delivery,
        "f.csv",
        FINDINGS + '2026-03-02T10:00:00Z,V,no_fault_found,4.46,3300,OL,,"checked, fine"\n',
    )
    assert row(read(con, delivery), "f.csv")["used"] == 2
    reverse, note = query(con, "SELECT cp_pe_reverse_ohm, note FROM raw_finding").row(0)
    assert math.isinf(reverse)
    assert note == "checked, fine"


def test_a_quoted_value_may_hold_line_ends(con: Connection, delivery: Path) -> None:
    """A record of k lines counts k lines, used or rejected; its `line` is the first.

    The next record keeps its number.
    """
    rows = [
        '2026-03-02T10:00:00Z,V1,no_fault_found,,,,,"two\nlines, ""quoted"""',
        '2026-03-02T10:00:00Z,V2,not_a_word,,,,,"three\n\nlines"',
        "2026-03-02T10:00:00Z,V3,no_fault_found,,,,,plain",
    ]
    path = put(delivery, "f.csv", FINDINGS + "\n".join(rows) + "\n")
    account = row(read(con, delivery), "f.csv")
    assert account["lines"] == path.read_bytes().count(b"\n") == 7
    assert (account["used"], account["rejected"]) == (4, 3)
    assert query(con, "SELECT line, note FROM raw_finding ORDER BY line").rows() == [
        (2, 'two\nlines, "quoted"'),
        (7, "plain"),
    ]


def test_a_quote_never_closed_costs_its_own_line(con: Connection, delivery: Path) -> None:
    """A stray quote does not swallow the rest of the file."""
    good = "2026-03-02T10:00:00Z,V{},no_fault_found,,,,,x\n"
    content = (
        FINDINGS
        + good.format(1)
        + '2026-03-02T10:00:00Z,V2,no_fault_found,,,,,"open\n'
        + "".join(map(good.format, range(3, 30)))
    )
    put(delivery, "f.csv", content)
    account = row(read(con, delivery, record_lines_cap=5), "f.csv")
    assert (account["used"], account["rejected"]) == (29, 1)
    assert reasons(con) == ["the quoting is broken"]


def test_evses_have_a_zone_and_say_unknown(con: Connection, delivery: Path) -> None:
    """A zone must be one of the IANA's; a diode check that is not stated is unknown."""
    put(
        delivery,
        "e.csv",
        EVSES
        + "E1,S,ST1,1,M,1,AC,sType2,32,3,22,Europe/Oslo\nE2,S,ST1,2,M,1,AC,sType2,32,3,22,Mars/Base\n",
    )
    assert row(read(con, delivery), "e.csv")["used"] == 2
    assert reasons(con) == ["timezone: 'Mars/Base' is not an IANA time zone"]
    assert query(con, "SELECT diode_check FROM raw_evse").row(0) == ("unknown",)


def test_vehicle_side_times_without_an_offset(
    con: Connection, delivery: Path, tmp_path: Path
) -> None:
    """They are in the fleet's zone.

    The set one, else the most common of the EVSEs, which are read first whatever their name.
    """
    put(delivery, "a.csv", TOKENS + "T,V,2026-07-01,\n")
    put(delivery, "z.csv", EVSES + "E1,S,ST1,1,M,1,AC,sType2,32,3,22,Europe/Oslo\n")
    read(con, delivery)
    put(tmp_path / "b", "a.csv", TOKENS + "T2,V,2026-07-01,\n")
    read(con, tmp_path / "b", fleet_timezone="America/New_York")
    found = (
        query(con, "SELECT valid_from_utc FROM raw_token ORDER BY id_token").to_series().to_list()
    )
    assert found == [datetime(2026, 6, 30, 22, tzinfo=UTC), datetime(2026, 7, 1, 4, tzinfo=UTC)]


def test_an_empty_read_out_is_a_row(con: Connection, delivery: Path) -> None:
    """A blank trouble code says: read, none stored. The row is used."""
    put(
        delivery,
        "d.csv",
        "at,vehicle_id,dtc,module,status\n2026-03-02T10:00:00Z,V,,,\n2026-03-02T10:00:00Z,V,P0D2A,OBC,confirmed\n",
    )
    assert row(read(con, delivery), "d.csv")["used"] == 3
    assert query(con, "SELECT dtc, dtc_status FROM raw_dtc ORDER BY line").rows() == [
        (None, None),
        ("P0D2A", "confirmed"),
    ]


def test_blank_lines_are_rejected_lines(con: Connection, delivery: Path) -> None:
    """An empty line is a line: it is counted, and said to be empty."""
    put(delivery, "t.csv", TOKENS + "\nT,V,2026-01-01T00:00:00Z,\n\n")
    account = row(read(con, delivery), "t.csv")
    assert (account["lines"], account["used"], account["rejected"]) == (4, 2, 2)
    assert reasons(con) == ["empty line", "empty line"]
