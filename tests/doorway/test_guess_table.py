"""Which field of a table is which part: of messages that stand in parts, of calls beside their answers, of finished sessions."""

from __future__ import annotations

import json
from typing import Any

import pytest

from pipeline.doorway import times
from pipeline.doorway.frames_entry import TYPE_WORDS
from pipeline.doorway.guess.table import (
    SESSION_WORDS,
    TableGuess,
    flat,
    guess_messages,
    guess_sessions,
)

Row = dict[str, Any]


def in_parts(call: str = "CALL", result: str = "CALLRESULT", **more: str) -> list[Row]:
    """Heartbeats of two stations, each with its answer below it; `more` fields are the same in each row."""
    rows: list[Row] = []
    for i in range(12):
        at = f"2026-03-02T10:00:{2 * i:02d}Z"
        mine = {"when": at, "box": f"CP-{i % 2}", **more}
        rows += [
            {**mine, "kind": call, "ref": f"m{i}", "name": "Heartbeat", "body": "{}"},
            {**mine, "kind": result, "ref": f"m{i}", "name": "", "body": '{"currentTime":"x"}'},
        ]
    return rows


def told(rows: list[Row]) -> TableGuess:
    """The guess for messages, which must be there."""
    found = guess_messages(rows)
    assert found is not None
    return found


@pytest.mark.parametrize("call", TYPE_WORDS["call"])
@pytest.mark.parametrize("result", TYPE_WORDS["result"])
def test_a_message_in_parts_by_what_its_fields_hold(call: str, result: str) -> None:
    """Kind, id, action and payload are found by their values, whatever the columns are called and whichever words name a kind."""
    found = told(in_parts(call, result))
    assert {k: found.parts[k] for k in ("type", "id", "action", "payload")} == {
        "type": "kind", "id": "ref", "action": "name", "payload": "body",
    }  # fmt: skip
    assert found.types == {"call": (call,), "result": (result,)}
    assert found.stations == ("CP-0", "CP-1")
    assert (found.parts["at"], found.parts["station_id"]) == ("when", "box")


@pytest.mark.parametrize("error", TYPE_WORDS["error"])
def test_an_error_is_a_kind_as_well(error: str) -> None:
    """A refused call's answer has a word of its own, and its own words in the mapping."""
    rows = in_parts()
    rows[3] = {**rows[3], "kind": error}
    assert told(rows).types == {"call": ("CALL",), "result": ("CALLRESULT",), "error": (error,)}


def test_all_words_of_a_kind_are_listed() -> None:
    """A log that writes one kind two ways has both in its mapping, in the alphabet's order."""
    rows = in_parts("Request", "Response")
    rows[0] = {**rows[0], "kind": "Req"}
    rows[1] = {**rows[1], "kind": "Conf"}
    assert told(rows).types == {"call": ("Req", "Request"), "result": ("Conf", "Response")}


def test_what_is_no_kind_of_message() -> None:
    """A word no message has, more than six words, or one word alone leave the kind unknown, and so the whole."""
    rows = in_parts()
    assert guess_messages([{**row, "kind": "CALL"} for row in rows]) is None
    assert guess_messages([rows[0] | {"kind": "hello"}, *rows[1:]]) is None
    seven = [*TYPE_WORDS["call"][:6], "3"]
    assert guess_messages([{**row, "kind": seven[i % 7]} for i, row in enumerate(rows)]) is None
    six = [*TYPE_WORDS["call"][:5], "3"]
    assert told([{**row, "kind": six[i % 6]} for i, row in enumerate(rows)]).types["result"] == (
        "3",
    )


def test_a_kind_belongs_to_rows_that_name_an_action() -> None:
    """Words of kinds that never stand beside an action are those of another field."""
    rows = [{**row, "kind": ("3", "4")[i % 2]} for i, row in enumerate(in_parts())]
    assert guess_messages(rows) is None


def test_the_id_is_shared_by_two_messages() -> None:
    """A number of its own on each row, or one for all, is no message's id; nor is a time; nor a field that is sometimes empty."""
    rows = [
        {"row": str(i), "file": "a.log", "at2": f"2026-03-02T10:00:{i // 2 * 2:02d}Z", **row}
        for i, row in enumerate(in_parts())
    ]
    assert told(rows).parts["id"] == "ref"
    gone = [{**row, "ref": "" if i == 5 else row["ref"]} for i, row in enumerate(rows)]
    assert told(gone).parts["id"] == "row"
    assert guess_messages([{k: v for k, v in row.items() if k not in {"ref", "row"}} for row in rows]) is None  # fmt: skip


def test_the_way_is_told_by_its_words_or_left_to_the_action() -> None:
    """A field of `in` and `out` needs no words in the mapping, in whichever case; other words are listed."""
    for one, other, listed in (("in", "out", False), ("IN", "Out", False), ("up", "down", True)):
        rows = [{**row, "way": one if i % 2 == 0 else other} for i, row in enumerate(in_parts())]
        found = told(rows)
        assert found.parts["dir"] == "way"
        assert (found.into, found.out) == (((one,), (other,)) if listed else ((), ()))


def test_parts_stand_in_the_order_they_are_read() -> None:
    """Time, way and station before the message's own."""
    rows = [{**row, "way": "ud"[i % 2]} for i, row in enumerate(in_parts())]
    assert list(told(rows).parts) == ["at", "dir", "station_id", "type", "id", "action", "payload"]


@pytest.mark.parametrize(
    ("request_", "response"),
    [("request", "response"), ("Req", "Ack"), ("call", "answer"), ("sent", "got"), ("ingoing", "back"), ("zReq", "aConf")],
)  # fmt: skip
def test_a_call_beside_its_answer(request_: str, response: str) -> None:
    """Two objects and an action in each row: the call's is the one named so, wherever it stands."""
    for swapped in (False, True):
        rows = []
        for i in range(6):
            bodies = {request_: '{"idTag":"A"}', response: '{"status":"Accepted"}'}
            order = dict(reversed(bodies.items())) if swapped else bodies
            rows.append({"t": f"2026-03-02T10:00:0{i}Z", "cp": f"CP-{i % 2}", "what": "Authorize", **order})  # fmt: skip
        found = told(rows)
        assert (found.parts["request"], found.parts["response"]) == (request_, response)
        assert (found.parts["action"], found.parts["at"]) == ("what", "t")
        assert (found.types, found.time_format) == ({}, times.ISO)


def test_objects_are_json_s_and_stand_in_a_third_of_the_rows() -> None:
    """A brace alone, a list, or an object in less than three of ten rows is no payload (decided); two rows are the least."""
    rows = in_parts()
    assert guess_messages([{**row, "body": "{not json"} for row in rows]) is None
    assert guess_messages([{**row, "body": "[1, 2]"} for row in rows]) is None
    assert guess_messages([{**row, "body": 7} for row in rows]) is None
    few = [{**row, "body": row["body"] if i < 7 else ""} for i, row in enumerate(rows)]
    assert guess_messages(few) is None
    enough = [{**row, "body": row["body"] if i < 8 else ""} for i, row in enumerate(rows)]
    assert told(enough).parts["payload"] == "body"
    four = [{**row, "body": row["body"] if i % 2 else ""} for i, row in enumerate(rows[:4])]
    assert told(four).parts["payload"] == "body"
    assert guess_messages([*four[:3], {**four[3], "body": ""}]) is None


def test_an_action_is_one_a_station_knows_and_stands_twice() -> None:
    """One row alone could name it by chance (decided)."""
    rows = in_parts()
    once = [{**row, "name": row["name"] if i == 0 else ""} for i, row in enumerate(rows)]
    assert guess_messages(once) is None
    twice = [{**row, "name": row["name"] if i in {0, 2} else ""} for i, row in enumerate(rows)]
    assert told(twice).parts["action"] == "name"
    assert guess_messages([{**row, "name": "Purr" if row["name"] else ""} for row in rows]) is None


def test_whole_frames_in_a_third_of_the_rows() -> None:
    """Other rows are chatter; below three of ten, or one alone, the field holds no frames (decided)."""

    def rows(frames: int, of: int) -> list[Row]:
        return [
            {"at": f"2026-03-02T10:00:{i:02d}Z", "msg": f'[2,"{i}","Heartbeat",{{}}]' if i < frames else "tick"}
            for i in range(of)
        ]  # fmt: skip

    assert told(rows(6, 20)).parts == {"at": "at", "frame": "msg"}
    assert guess_messages(rows(5, 20)) is None
    assert told(rows(2, 4)).parts["frame"] == "msg"
    assert guess_messages(rows(1, 2)) is None
    assert told([{**row, "msg": json.loads(row["msg"])} for row in rows(6, 6)]).parts["frame"] == "msg"  # fmt: skip


def test_a_time_is_read_where_every_row_has_one() -> None:
    """The first field of which every value is a time; without one the payload's own times are left."""
    rows = in_parts()
    late = [{"note": "none", "stamp": "1772445600000", **row} for row in rows]
    assert (told(late).parts["at"], told(late).time_format) == ("stamp", "epoch_ms")
    broken = [{**row, "when": "soon" if i == 3 else row["when"]} for i, row in enumerate(rows)]
    assert "at" not in told(broken).parts
    assert told(broken).time_format is None


def test_long_lists_of_json_are_left_whole() -> None:
    """Up to three values have a path each."""
    assert dict(flat({"a": [1, 2, 3], "b": [1, 2, 3, 4], "c": []})) == {
        "a[0]": 1, "a[1]": 2, "a[2]": 3, "b": [1, 2, 3, 4],
    }  # fmt: skip
    assert dict(flat({"a[0]": {"x": None}})) == {'"a[0]".x': None}
    assert dict(flat(7)) == {"": 7}


NAMES = {
    "session_id": ["Session ID", "session-no", "SessionNr", "Transaction", "id", "ID"],
    "id_token": ["Card", "idTag", "Token", "RFID", "Badge", "Kort", "Karte", "User", "Driver name"],
    "vehicle_id": ["Vehicle", "Car", "Van no", "Bil", "Fahrzeug"],
    "energy_kwh": ["Energy", "kWh", "Wh", "Mengde", "Menge", "Consumption", "Delivered"],
    "end_reason": ["Reason", "Ended by", "Why", "Årsak", "Grund"],
    "fault": ["Fault", "Error code", "Trouble", "Feil", "Fehler"],
}  # fmt: skip


@pytest.mark.parametrize(("ours", "name"), [(ours, name) for ours, all_ in NAMES.items() for name in all_])  # fmt: skip
def test_a_column_of_sessions_by_its_name(ours: str, name: str) -> None:
    """Names operators' exports use, in English, Norwegian and German (common practice, no source)."""
    rows = [
        {
            "Bay": f"B{i}",
            "Start": f"2026-03-02 1{i}:00",
            name: f"v{i}",
            "End": f"2026-03-02 1{i}:30",
        }
        for i in range(5)
    ]
    found = guess_sessions(rows)
    assert found is not None
    assert found.parts == {"evse_id": "Bay", "plugged_at": "Start", "unplugged_at": "End", ours: name}  # fmt: skip
    assert found.time_format == times.ISO


EVSE_NAMES = [
    "EVSE",
    "Bay",
    "Plass",
    "Charger",
    "Connector",
    "Outlet",
    "Station",
    "Plug",
    "Charge point",
    "Box",
    "Socket",
]


@pytest.mark.parametrize("name", EVSE_NAMES)
def test_the_evse_by_its_column_s_name(name: str) -> None:
    """Without an EVSE no session can be placed: None."""
    rows = [{name: f"B{i}", "Start": f"2026-03-02 1{i}:00"} for i in range(5)]
    found = guess_sessions(rows)
    assert found is not None
    assert found.parts == {"evse_id": name, "plugged_at": "Start"}
    assert guess_sessions([{"x": row[name], "Start": row["Start"]} for row in rows]) is None
    assert guess_sessions([{name: row[name], "Note": "x"} for row in rows]) is None
    assert guess_sessions([]) is None


@pytest.mark.parametrize(
    ("begin", "end"),
    [("Start", "End"), ("Begin", "Stop"), ("From", "Until"), ("Plug-in", "Plug-out"), ("Von", "Bis"), ("Arrival", "Departure"),
     ("Connected", "Disconnected"), ("Start", "Slutt"), ("Started", "Finished"), ("First", "Second")],
)  # fmt: skip
def test_beginning_and_end_by_their_names_else_by_their_order(begin: str, end: str) -> None:
    """A column of times with another name is taken in its turn; a column so named without times is not."""
    rows = [
        {
            "Box": "B",
            "Start note": "by card",
            begin: f"2026-03-02 1{i}:00",
            end: f"2026-03-02 1{i}:30",
        }
        for i in range(5)
    ]
    found = guess_sessions(rows)
    assert found is not None
    assert (found.parts["plugged_at"], found.parts["unplugged_at"]) == (begin, end)


@pytest.mark.parametrize("name", ["Duration", "Lasted", "Minutes", "Dauer", "Varighet", "Elapsed"])
def test_a_duration_stands_for_the_end_where_no_column_of_times_does(name: str) -> None:
    """With an end of its own the duration says nothing new; another time is not taken for an end beside a duration."""
    rows = [{"Box": "B", "Start": f"2026-03-02 1{i}:00", name: "30"} for i in range(5)]
    found = guess_sessions(rows)
    assert found is not None
    assert found.parts == {"evse_id": "Box", "plugged_at": "Start", "duration": name}
    booked = guess_sessions([{**row, "Booked": row["Start"]} for row in rows])
    assert booked is not None
    assert booked.parts == found.parts
    ended = guess_sessions([{**row, "End": row["Start"]} for row in rows])
    assert ended is not None
    assert ended.parts == {"evse_id": "Box", "plugged_at": "Start", "unplugged_at": "End"}


def test_an_end_s_reason_is_no_end() -> None:
    """`End reason` and `Stop reason` hold words, even where those look like times."""
    for name in ("End reason", "Stop reason"):
        rows = [{"Box": "B", "Start": f"2026-03-02 1{i}:00", name: "by card"} for i in range(5)]
        found = guess_sessions(rows)
        assert found is not None
        assert found.parts == {"evse_id": "Box", "plugged_at": "Start", "end_reason": name}


def test_a_column_is_one_part_only() -> None:
    """`Card station` names a card; the EVSE then needs a column of its own."""
    rows = [{"Card station": "A", "Start": f"2026-03-02 1{i}:00"} for i in range(5)]
    assert guess_sessions(rows) is None
    found = guess_sessions([{**row, "Station": "S"} for row in rows])
    assert found is not None
    assert (found.parts["id_token"], found.parts["evse_id"]) == ("Card station", "Station")
    assert set(found.parts) <= set(SESSION_WORDS)
