"""OCPP-J frames: envelope, types, repeats, answers, times."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from delivered import frame, put, read, reasons, row

from pipeline.storage.warehouse import Connection, query

AT = "2026-03-02T10:00:00Z"
STATUS = {"connectorId": 1, "errorCode": "NoError", "status": "Available", "timestamp": AT}


def _line(**changed: Any) -> str:
    whole = {
        "at": AT,
        "station_id": "S",
        "dir": "in",
        "version": "1.6",
        "frame": [2, "1", "Heartbeat", {}],
    }
    return json.dumps({k: v for k, v in (whole | changed).items() if v is not ...})


BAD_LINES = {
    "not a JSON value": '{"at": "2026',
    "the envelope has no `at`": _line(at=...),
    "no ISO 8601 time": _line(at="yesterday"),
    "no ISO 8601 time: 5": _line(at=5),
    "no ISO 8601 time: infinity": _line(at="infinity"),
    "no `station_id`": _line(station_id=...),
    "no `station_id` ": _line(station_id=""),
    "not a text": _line(station_id={"a": 1}),
    "neither in nor out": _line(dir="up"),
    "`version` is not read: 1.5": _line(version="1.5"),
    "no array of a frame's parts": _line(frame={"a": 1}),
    "no array of a frame's parts ": _line(frame="2"),
    "no array of a frame's parts  ": _line(frame=[]),
    "no such message type: 7": _line(frame=[7, "1", "Heartbeat", {}]),
    "no message id": _line(frame=[2]),
    "cut off after its message id": _line(frame=[2, "1"]),
    "the payload is not an object": _line(frame=[2, "1", "Heartbeat", []]),
    "the payload is not an object ": _line(frame=[2, "1", "Heartbeat"]),
    "the payload is not an object  ": _line(frame=[3, "1", "text"]),
    "StatusNotification lacks or misstates connectorId": _line(
        frame=[2, "1", "StatusNotification", STATUS | {"connectorId": "x"}]
    ),
    "StartTransaction lacks or misstates meterStart": _line(
        frame=[
            2,
            "1",
            "StartTransaction",
            {"connectorId": 1, "idTag": "T", "meterStart": [], "timestamp": AT},
        ]
    ),
    "StopTransaction lacks or misstates timestamp": _line(
        frame=[2, "1", "StopTransaction", {"transactionId": 1, "meterStop": 1, "timestamp": "soon"}]
    ),
    "MeterValues lacks or misstates meterValue": _line(
        frame=[2, "1", "MeterValues", {"connectorId": 1, "meterValue": {"a": 1}}]
    ),
}


def test_each_fault_has_its_reason(con: Connection, delivery: Path) -> None:
    """A bad line is rejected with the reason of its fault, its line number, its byte offset and its
    text.
    """
    lines = list(BAD_LINES.values())
    put(delivery, "f.jsonl", frame(2, "0", "Heartbeat", {}) + "\n" + "\n".join(lines) + "\n")
    account = row(read(con, delivery), "f.jsonl")
    assert (account["used"], account["rejected"]) == (1, len(lines))
    found = query(
        con, "SELECT line, byte_offset, reject_reason, text FROM raw_rejected ORDER BY line"
    ).to_dicts()
    content = (delivery / "f.jsonl").read_bytes()
    for (reason, line), got in zip(BAD_LINES.items(), found, strict=True):
        assert reason.strip() in got["reject_reason"]
        assert got["text"] == line
        assert content[got["byte_offset"] :].startswith(line.encode())
    assert [got["line"] for got in found] == list(range(2, len(lines) + 2))


def test_optional_fields_of_the_wrong_type_are_null(con: Connection, delivery: Path) -> None:
    """An optional field that cannot be read is null; the frame is used."""
    wrong = {"timestamp": "soon", "info": None, "vendorErrorCode": {}}
    not_a_number = [{"value": "NaN"}, 3]
    event = {
        "eventType": "Ended", "timestamp": AT, "triggerReason": "Trigger", "seqNo": 1, "offline": "perhaps",
        "transactionInfo": {"transactionId": "t"}, "evse": 5, "meterValue": [{"timestamp": 1, "sampledValue": {"value": 1}}, 7],
    }  # fmt: skip
    put(delivery, "f.jsonl", "\n".join([
        frame(2, "1", "StatusNotification", STATUS | wrong),
        frame(2, "2", "TransactionEvent", event, version="2.0.1"),
        frame(2, "3", "MeterValues", {"connectorId": 1, "meterValue": [{"timestamp": AT, "sampledValue": not_a_number}]}),
    ]))  # fmt: skip
    assert row(read(con, delivery), "f.jsonl")["used"] == 3
    first, second, _ = query(con, "SELECT * FROM raw_frame ORDER BY line").to_dicts()
    assert (first["station_at_utc"], first["info"], second["offline"], second["connector_id"]) == (
        None,
        None,
        None,
        None,
    )
    assert query(con, "SELECT sample_value FROM raw_sample").to_dicts() == [{"sample_value": None}]


def test_a_key_written_twice_counts_once(con: Connection, delivery: Path) -> None:
    """Of a key that stands twice in an object the first value is read.

    The line is used, never lost.
    """
    put(
        delivery,
        "f.jsonl",
        frame(2, "1", "Heartbeat", {}).replace(
            '"station_id": "ST1"', '"station_id": "ST1", "station_id": "B"'
        ),
    )
    assert row(read(con, delivery), "f.jsonl")["used"] == 1
    assert query(con, "SELECT station_id FROM raw_frame").to_series().to_list() == ["ST1"]


def test_answers_take_the_action_of_their_call(con: Connection, delivery: Path) -> None:
    """A result belongs to the call with its id in the other direction at its station, before or
    after it, in any file.
    """
    put(delivery, "a.jsonl", "\n".join([
        frame(2, "7", "Authorize", {"idTag": "T"}),
        frame(2, "7", "Reset", {"type": "Soft"}, way="out", at="2026-03-02T10:00:01Z"),
        frame(3, "7", {"idTagInfo": {"status": "Accepted"}}, way="out", at="2026-03-02T10:00:02Z"),
        frame(3, "7", {"status": "Accepted"}, at="2026-03-02T10:00:03Z"),
        frame(3, "8", {"currentTime": AT}, way="out"),
        frame(4, "9", "InternalError", "busy", {}, way="out"),
    ]))  # fmt: skip
    put(
        delivery,
        "b.jsonl",
        "\n".join([frame(2, "8", "Heartbeat", {}), frame(2, "9", "Heartbeat", {}, station="ST2")]),
    )
    read(con, delivery)
    rows = query(
        con,
        "SELECT message_type AS kind, message_id AS id, direction AS way, action FROM raw_frame WHERE kind > 2 ORDER BY line",
    )
    assert rows.rows() == [
        (3, "7", "out", "Authorize"), (3, "7", "in", "Reset"), (3, "8", "out", "Heartbeat"), (4, "9", "out", None),
    ]  # fmt: skip


def test_a_repeat_is_a_duplicate_however_late(
    con: Connection, delivery: Path, tmp_path: Path
) -> None:
    """Same station, direction, id and payload.

    A duplicate in the file, in another file, in another run, written otherwise.
    """
    one = frame(2, "1", "StatusNotification", STATUS)
    spaced = one.replace('": ', '" :  ').replace('10:00:00Z", "station', '11:59:59Z", "station')
    put(delivery, "a.jsonl", "\n".join([one, one, frame(2, "2", "StatusNotification", STATUS)]))
    put(
        delivery,
        "b.jsonl",
        "\n".join([spaced, frame(2, "1", "StatusNotification", STATUS, station="ST2")]),
    )
    report = read(con, delivery)
    assert (row(report, "a.jsonl")["used"], row(report, "a.jsonl")["duplicates"]) == (2, 1)
    assert (row(report, "b.jsonl")["used"], row(report, "b.jsonl")["duplicates"]) == (1, 1)
    later = tmp_path / "later"
    put(
        later,
        "c.jsonl",
        frame(2, "1", "StatusNotification", STATUS, at="2027-12-31T00:00:00Z") + "\n",
    )
    assert row(read(con, later), "c.jsonl")["duplicates"] == 1


METERED = {
    "connectorId": 1,
    "transactionId": 7,
    "meterValue": [{"timestamp": AT, "sampledValue": [{"value": "5"}]}],
}


@pytest.mark.parametrize("order", [("a", "b"), ("b", "a"), ("ab",), ("ba",)])
def test_of_two_copies_the_one_received_first_counts(
    con: Connection, tmp_path: Path, order: tuple[str, ...]
) -> None:
    """Found first or last, in one file or in two.

    The frame and its samples have the time of the earlier receipt.
    """
    copies = {
        name: frame(2, "1", "MeterValues", METERED, at=at)
        for name, at in (("a", AT), ("b", "2026-03-05T10:00:00Z"))
    }
    for number, names in enumerate(order):
        put(tmp_path / str(number), "x.jsonl", "\n".join(copies[name] for name in names))
        report = read(con, tmp_path / str(number))
    assert report.files["duplicates"].to_list() == [1]
    for table in ("raw_frame", "raw_sample"):
        assert query(con, f"SELECT receiver_at_utc FROM {table}").rows() == [
            (datetime(2026, 3, 2, 10, tzinfo=UTC),)
        ]
    changed = query(
        con, "SELECT station_id, strftime(from_utc, '%d'), strftime(to_utc, '%d') FROM raw_changed"
    ).rows()
    assert changed == ([("ST1", "02", "05")] if order[0][0] == "b" else [])


def test_without_a_time_of_its_own_a_far_copy_is_not_the_same(
    con: Connection, delivery: Path, tmp_path: Path
) -> None:
    """Ids come back into use.

    What carries no time is taken for the copy of a frame only minutes away.
    """
    said = [
        frame(3, "1", {}, at=f"2026-03-02T{clock}:00Z") for clock in ("12:00", "10:00", "11:59")
    ]
    put(delivery, "a.jsonl", said[0])
    read(con, delivery)
    for number, (line, hour) in enumerate(zip(said[1:], ("12:00", "11:59"), strict=True)):
        put(tmp_path / str(number), "b.jsonl", line)
        assert row(read(con, tmp_path / str(number)), "b.jsonl")["duplicates"] == 1
        assert query(con, "SELECT strftime(receiver_at_utc, '%H:%M') FROM raw_frame").item() == hour


def test_what_makes_two_frames_different(con: Connection, delivery: Path) -> None:
    """Another direction, id, payload or message type makes another frame."""
    put(delivery, "a.jsonl", "\n".join([
        frame(2, "1", "Heartbeat", {}), frame(2, "2", "Heartbeat", {}), frame(2, "1", "Heartbeat", {}, way="out"),
        frame(3, "1", {}), frame(3, "1", {"a": 1}),
    ]))  # fmt: skip
    assert row(read(con, delivery), "a.jsonl")["used"] == 5


def test_answers_of_reused_ids_are_kept(con: Connection, delivery: Path) -> None:
    """A station that counts again gets the same answer to another call.

    A duplicate, yet the call keeps its answer.
    """
    accepted = {"idTagInfo": {"status": "Accepted"}}
    day, later = "2026-03-02T10:00:0{}Z", "2026-03-05T10:00:0{}Z"
    put(delivery, "a.jsonl", "\n".join([
        frame(2, "1", "Authorize", {"idTag": "A"}, at=day.format(0)), frame(3, "1", accepted, way="out", at=day.format(1)),
        frame(3, "1", accepted, way="out", at=day.format(2)),
        frame(2, "1", "Authorize", {"idTag": "B"}, at=later.format(0)), frame(3, "1", accepted, way="out", at=later.format(1)),
        frame(2, "1", "Authorize", {"idTag": "B"}, at=later.format(2)),
    ]))  # fmt: skip
    account = row(read(con, delivery), "a.jsonl")
    assert (account["used"], account["duplicates"]) == (3, 3)
    kept = query(con, "SELECT line, action FROM raw_frame ORDER BY line").rows()
    assert kept == [(1, "Authorize"), (2, "Authorize"), (4, "Authorize"), (5, "Authorize")]


TIMES = {
    "2026-03-02T10:00:00Z": datetime(2026, 3, 2, 10, tzinfo=UTC),
    "2026-03-02T10:00:00.123456789Z": datetime(2026, 3, 2, 10, 0, 0, 123456, tzinfo=UTC),
    "2026-03-02T10:00:00+05:30": datetime(2026, 3, 2, 4, 30, tzinfo=UTC),
    "2026-03-02 10:00:00+0100": datetime(2026, 3, 2, 9, tzinfo=UTC),
    "2026-03-02T10:00-03": datetime(2026, 3, 2, 13, tzinfo=UTC),
    "20260302T100000Z": datetime(2026, 3, 2, 10, tzinfo=UTC),
    "2026-03-02t10:00:00,5z": datetime(2026, 3, 2, 10, 0, 0, 500000, tzinfo=UTC),
    "1970-01-01T00:00:03Z": datetime(1970, 1, 1, 0, 0, 3, tzinfo=UTC),
    "2026-02-30T10:00:00Z": None,
    "2026-03-02T25:00:00Z": None,
    "99999-03-02T10:00:00Z": None,
    "epoch": None,
    "now": None,
    "": None,
}


@pytest.mark.parametrize(("text", "meant"), TIMES.items())
def test_times_are_iso_8601(
    con: Connection, delivery: Path, text: str, meant: datetime | None
) -> None:
    """ISO 8601 in its usual writings, with the offset applied.

    What is no such time is null, not a guess.
    """
    put(delivery, "a.jsonl", frame(2, "1", "StatusNotification", STATUS | {"timestamp": text}))
    read(con, delivery)
    assert query(con, "SELECT station_at_utc FROM raw_frame").to_series().to_list() == [meant]


EVSES = (
    "evse_id,site_id,station_id,connector_id,evse_model,firmware,supply,connector_type,max_current_a,phases,max_power_kw,timezone\n"
    "E1,S,ST1,1,M,1,AC,sType2,32,3,22,{}\n"
)


def test_times_without_an_offset_are_the_sites(
    con: Connection, delivery: Path, tmp_path: Path
) -> None:
    """A time without an offset is in the site's zone, whether the site is known before, with or
    after the frames.
    """
    put(
        delivery,
        "a.jsonl",
        frame(
            2,
            "1",
            "StatusNotification",
            STATUS | {"timestamp": "2026-07-01T12:00:00"},
            at="2026-07-01T12:00:01",
        ),
    )
    read(con, delivery)
    select = "SELECT receiver_at_utc AS r, station_at_utc AS s, zone FROM raw_frame ORDER BY line"
    assert query(con, select).to_dicts()[0]["zone"] is None
    put(tmp_path / "later", "evses.csv", EVSES.format("Europe/Oslo"))
    touched = read(con, tmp_path / "later").touched
    assert touched["station_id"].to_list() == ["ST1"]
    (moved,) = query(con, select).to_dicts()
    assert moved == {
        "r": datetime(2026, 7, 1, 10, 0, 1, tzinfo=UTC), "s": datetime(2026, 7, 1, 10, tzinfo=UTC), "zone": "Europe/Oslo",
    }  # fmt: skip
    put(tmp_path / "corrected", "evses.csv", EVSES.format("Europe/Helsinki"))
    read(con, tmp_path / "corrected")
    assert query(con, select).to_dicts()[0]["r"] == datetime(2026, 7, 1, 9, 0, 1, tzinfo=UTC)


def test_text_that_looks_like_sql_stays_text(con: Connection, delivery: Path) -> None:
    """Names and contents are values, never statements."""
    nasty = "'); DROP TABLE raw_frame; --"
    put(
        delivery,
        f"{nasty.replace('/', '')}.jsonl",
        frame(2, nasty, nasty, {"idTag": nasty}, station=nasty),
    )
    put(
        delivery,
        "b'.csv",
        f"id_token,vehicle_id,valid_from,valid_to\n{nasty.replace(',', '')},V,{nasty},\n",
    )
    read(con, delivery)
    assert query(con, "SELECT station_id, action FROM raw_frame").row(0) == (nasty, nasty)
    assert "valid_from: ''); DROP" in reasons(con, "b'.csv")[0]
