"""Times without an offset at a clock change: told apart where the data allow, else flagged.

Europe/Oslo, 2026: forward on 29 March at 02:00, back on 25 October at 03:00 (IANA time zone
database).
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest
from delivered import frame, put, read

from pipeline.storage.warehouse import Connection, query

EVSES = (
    "evse_id,site_id,station_id,connector_id,evse_model,firmware,supply,connector_type,"
    "max_current_a,phases,max_power_kw,timezone\nE1,S,ST1,1,M,1,AC,sType2,32,3,22,{}\n"
)
PILOT = "at,station_id,connector_id,state,high_v,low_v,duty_pct,contactor,fault\n"
CHARGING = "at,vehicle_id,event,inlet,soc_pct\n"
ORDERS = {
    "falls once": (
        "01:50 02:10 02:50 02:30 02:40 03:10",
        "23:50 00:10 00:50 01:30 01:40 02:10",
        [None] * 6,
    ),
    "newest first": (
        "05:10 02:40 02:30 02:50 02:10 01:50",
        "04:10 01:40 01:30 00:50 00:10 23:50",
        [None] * 6,
    ),
    "never falls": (
        "01:50 02:10 02:20 03:10",
        "23:50 00:10 00:20 02:10",
        [None, "fold", "fold", None],
    ),
    "falls twice": ("02:50 02:30 02:10", "00:50 00:30 00:10", ["fold"] * 3),
    "outside": ("01:59 03:00", "23:59 02:00", [None, None]),
}
"""Local times as written, their times in UTC, and which are doubtful."""


@pytest.mark.parametrize("case", ORDERS)
def test_a_pilot_record_is_told_apart_by_its_order(
    con: Connection, delivery: Path, case: str
) -> None:
    """Where the local time falls back once between rows, the change lies there.

    What the order leaves open is flagged 'fold'.
    """
    local, meant, doubt = ORDERS[case]
    put(delivery, "e.csv", EVSES.format("Europe/Oslo"))
    put(
        delivery,
        "p.csv",
        PILOT + "".join(f"2026-10-25T{t}:00,ST1,1,A1,12,,,open,\n" for t in local.split()),
    )
    read(con, delivery)
    rows = query(
        con, "SELECT station_at_utc AS t, time_doubt AS d FROM raw_pilot ORDER BY line"
    ).rows()
    assert [(f"{t:%H:%M}", d) for t, d in rows] == list(zip(meant.split(), doubt, strict=True))


def test_records_of_two_connectors_do_not_mix(con: Connection, delivery: Path) -> None:
    """Rows of one connector after those of another are no fall of the clock."""
    put(delivery, "e.csv", EVSES.format("Europe/Oslo"))
    rows = "".join(
        f"2026-10-25T{t}:00,ST1,{c},A1,12,,,open,\n" for c in (1, 2) for t in ("02:10", "02:50")
    )
    put(delivery, "p.csv", PILOT + rows)
    read(con, delivery)
    assert query(con, "SELECT time_doubt FROM raw_pilot").to_series().to_list() == ["fold"] * 4


def test_a_pilot_time_no_clock_showed_is_flagged(con: Connection, delivery: Path) -> None:
    """A row in the gap is kept, and flagged; one written with an offset is not."""
    put(delivery, "e.csv", EVSES.format("Europe/Oslo"))
    put(
        delivery,
        "p.csv",
        PILOT
        + "2026-03-29T02:30:00,ST1,1,A1,12,,,open,\n2026-03-29T02:30:00Z,ST1,1,A1,12,,,open,\n",
    )
    read(con, delivery)
    assert query(con, "SELECT time_doubt FROM raw_pilot ORDER BY line").to_series().to_list() == [
        "gap",
        None,
    ]


def test_a_corrected_zone_takes_the_doubt_away(
    con: Connection, delivery: Path, tmp_path: Path
) -> None:
    """Doubt belongs to the zone.

    Where the site turns out to lie elsewhere, the time is placed again and plain.
    """
    put(delivery, "e.csv", EVSES.format("Europe/Oslo"))
    put(delivery, "p.csv", PILOT + "2026-10-25T02:30:00,ST1,1,A1,12,,,open,\n")
    read(con, delivery)
    put(tmp_path / "later", "e.csv", EVSES.format("Europe/Helsinki"))
    read(con, tmp_path / "later")
    select = "SELECT station_at_utc, time_doubt FROM raw_pilot"
    assert query(con, select).row(0) == (datetime(2026, 10, 24, 23, 30, tzinfo=UTC), None)


@pytest.mark.parametrize(
    ("received", "meant"), [("00:30:02", "00:30"), ("01:30:02", "01:30"), ("07:00:00", "01:30")]
)
def test_of_a_frame_the_receiver_tells_which_hour(
    con: Connection, delivery: Path, received: str, meant: str
) -> None:
    """The later reading is meant unless it lies after the receipt.

    Nothing is received before it was said.
    """
    put(delivery, "e.csv", EVSES.format("Europe/Oslo"))
    said = {
        "connectorId": 1,
        "status": "Available",
        "errorCode": "NoError",
        "timestamp": "2026-10-25T02:30:00",
    }
    put(
        delivery, "a.jsonl", frame(2, "1", "StatusNotification", said, at=f"2026-10-25T{received}Z")
    )
    read(con, delivery)
    assert query(con, "SELECT strftime(station_at_utc, '%H:%M') FROM raw_frame").item() == meant


def test_a_vehicles_reports_are_told_apart_too(con: Connection, delivery: Path) -> None:
    """In the fleet's zone, each vehicle in the order of its reports."""
    put(delivery, "e.csv", EVSES.format("Europe/Oslo"))
    reports = "".join(
        f"2026-10-25T{t}:00,{v},plugged,cType2,\n"
        for v, t in (("V1", "02:50"), ("V1", "02:10"), ("V2", "02:10"))
    )
    reports += "2026-03-29T02:30:00,V1,plugged,cType2,\n2026-07-01T12:00:00,V1,plugged,cType2,\n"
    put(delivery, "c.csv", CHARGING + reports)
    read(con, delivery)
    rows = query(
        con,
        "SELECT strftime(at_utc, '%H:%M') AS t, time_doubt AS d, zone FROM raw_charging ORDER BY line",
    ).rows()
    assert [row[:2] for row in rows] == [
        ("00:50", None),
        ("01:10", None),
        ("00:10", "fold"),
        ("01:30", "gap"),
        ("10:00", None),
    ]
    assert {row[2] for row in rows} == {"Europe/Oslo"}
