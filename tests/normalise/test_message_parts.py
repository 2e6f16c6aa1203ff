"""Calls and answers, events, faults by name, cards: step by step."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest

from pipeline.normalise.sessions import authorisations
from pipeline.normalise.signals import codes, messages
from pipeline.registry import polars_schema
from pipeline.settings.normalise import NormaliseSettings
from tests.normalise.rows import frame, seconds_of
from tests.normalise.world import at

SETTINGS = NormaliseSettings()
FRAMES = dict(polars_schema("raw_frame"))
EVENTS = dict(polars_schema("raw_event"))


def frames(*rows: dict[str, Any]) -> pl.DataFrame:
    """Frames of a station, in the declared shape; receiver's seconds in `r`."""
    usual = {
        "station_id": "st1",
        "direction": "in",
        "message_type": 2,
        "version": "1.6",
        "file_id": "f",
    }
    full = [
        usual
        | {"line": k, "frame_key": k, "message_id": "m", "receiver_at_utc": at(row["r"])}
        | row
        for k, row in enumerate(rows)
    ]
    return pl.DataFrame(
        [{n: row.get(n) for n in FRAMES} for row in full], schema=FRAMES, orient="row"
    )


CALL = {"r": 0, "action": "Authorize", "id_token": "T1"}
RESULT = {
    "r": 0.2,
    "direction": "out",
    "message_type": 3,
    "id_token_status": "Accepted",
    "transaction_id": "7",
}


def calls_answered(said: pl.DataFrame) -> pl.DataFrame:
    """Calls and answers apart, as they are read, and put together."""
    call = pl.col("message_type") == 2
    return messages.answered(said.filter(call), said.filter(~call).select(messages.ANSWER))


def answered(*rows: dict[str, Any]) -> list[tuple[Any, ...]]:
    """(answer, token's status, transaction) of each call."""
    made = calls_answered(frames(*rows))
    return made.select("answer", "id_token_status", "transaction_id").rows()


def test_an_answer_belongs_to_the_call_of_its_id_in_the_other_direction() -> None:
    """The first within a day after.

    A second early at most, as the receiver may note it before its call; never another's.
    """
    assert answered(CALL, RESULT) == [(3, "Accepted", "7")]
    assert answered(CALL) == [(None, None, None)]
    assert answered(CALL, RESULT | {"message_id": "n"}) == [(None, None, None)]
    assert answered(CALL, RESULT | {"direction": "in"}) == [(None, None, None)]
    assert answered(CALL, RESULT | {"station_id": "st2"}) == [(None, None, None)]
    assert answered(CALL, RESULT | {"r": -1}) == [(3, "Accepted", "7")]
    assert answered(CALL, RESULT | {"r": -1.1}) == [(None, None, None)]
    assert answered(CALL, RESULT | {"r": 86_399}) == [(3, "Accepted", "7")]
    assert answered(CALL, RESULT | {"r": 86_400}) == [(None, None, None)]
    assert answered(
        CALL, RESULT | {"message_type": 4, "id_token_status": None, "transaction_id": None}
    ) == [(4, None, None)]


def test_the_answers_word_on_the_card_and_the_calls_own_transaction_win() -> None:
    """What the centre said of the token counts; a transaction the call names itself stands."""
    call = CALL | {"id_token_status": "Invalid", "transaction_id": "8"}
    assert answered(call, RESULT) == [(3, "Accepted", "8")]
    assert answered(call, RESULT | {"id_token_status": None}) == [(3, "Invalid", "8")]


def test_only_our_own_calls_take_the_answers_status() -> None:
    """Accepted or Rejected of a remote start; a station's own status is its own."""
    remote = {"r": 0, "action": "RemoteStartTransaction", "direction": "out"}
    said = calls_answered(frames(remote, RESULT | {"direction": "in", "status": "Rejected"}))
    assert said["status"].to_list() == ["Rejected"]
    own = calls_answered(
        frames(
            {"r": 0, "action": "StatusNotification", "status": "Charging"}, RESULT | {"status": "x"}
        )
    )
    assert own["status"].to_list() == ["Charging"]


def test_a_connector_is_filled_in_from_its_transaction() -> None:
    """The first named above 0, at the same station; what is said stays.

    Without a transaction nothing is filled.
    """
    known = frame(
        [
            {"transaction_id": "a", "connector_id": 0},
            {"transaction_id": "a", "connector_id": 2},
            {"transaction_id": "a"},
        ],
        station_id="st1",
    )
    rows = [
        {"transaction_id": "a"},
        {"transaction_id": "a", "connector_id": 5},
        {"transaction_id": "b"},
        {},
        {"transaction_id": "a", "station_id": "st2"},
    ]
    made = messages.with_connector(
        frame(rows, "transaction_id", "connector_id", station_id="st1"), known
    )
    assert made["connector_id"].to_list() == [2, 5, None, None, None]
    nobody = frame([{"connector_id": 9}], "transaction_id", station_id="st1")
    assert messages.with_connector(
        frame([{}], "transaction_id", "connector_id", station_id="st1"), nobody
    )["connector_id"].to_list() == [None]


def events(**told: Any) -> dict[str, Any]:
    """One event as a row like a frame."""
    row = {
        "station_id": "st1",
        "receiver_at_utc": at(0),
        "component": "Connector",
        "connector_id": 1,
    } | told
    event = pl.DataFrame([{n: row.get(n) for n in EVENTS}], schema=EVENTS, orient="row")
    return messages.of_events(event, frames(CALL)).row(0, named=True)


@pytest.mark.parametrize(
    ("told", "want"),
    [
        (
            {"variable": "AvailabilityState", "actual_value": "Occupied"},
            ("StatusNotification", "Occupied", None, None),
        ),
        ({"variable": "Problem", "actual_value": "true"}, ("NotifyEvent", None, "Connector", None)),
        ({"variable": "Problem", "actual_value": "True"}, ("NotifyEvent", None, "Connector", None)),
        ({"variable": "Problem", "actual_value": "1"}, ("NotifyEvent", None, "Connector", None)),
        (
            {"variable": "Tripped", "actual_value": "Tripped"},
            ("NotifyEvent", None, "Connector", None),
        ),
        (
            {"variable": "Fault", "actual_value": "Faulted"},
            ("NotifyEvent", None, "Connector", None),
        ),
        ({"variable": "Problem", "actual_value": "false"}, ("NotifyEvent", None, None, None)),
        ({"variable": "Temperature", "actual_value": "1"}, ("NotifyEvent", None, None, None)),
        (
            {"variable": "Problem", "actual_value": "true", "vendor_error_code": "CX1"},
            ("NotifyEvent", None, "CX1", None),
        ),
        ({"variable": "x", "info": "note"}, ("NotifyEvent", None, None, None)),
        (
            {"variable": "x", "info": "note", "trigger_reason": "Alerting"},
            ("NotifyEvent", None, None, "note"),
        ),
        (
            {"variable": "Problem", "info": "note", "actual_value": "false"},
            ("NotifyEvent", None, None, None),
        ),
        (
            {"variable": "Problem", "actual_value": "true", "cleared": True, "info": "n"},
            ("NotifyEvent", None, None, "cleared"),
        ),
        (
            {
                "variable": "AvailabilityState",
                "actual_value": "Faulted",
                "vendor_error_code": "CX1",
                "info": "n",
            },
            ("StatusNotification", "Faulted", None, None),
        ),
    ],
)
def test_what_an_event_says(told: dict[str, Any], want: tuple[Any, ...]) -> None:
    """OCPP 2.0.1: AvailabilityState is a status.

    A problem that holds has its techCode's name, else its component's.
    """
    row = events(**told)
    assert (row["action"], row["status"], row["vendor_error_code"], row["info"]) == want
    assert (row["version"], row["direction"], row["message_type"]) == ("2.0.1", "in", 2)


@pytest.mark.parametrize(
    ("row", "fault", "raw"),
    [
        ({"status": "Faulted", "error_code": "GroundFailure"}, "GroundFailure", "GroundFailure"),
        ({"status": "Preparing", "error_code": "GroundFailure"}, "GroundFailure", "GroundFailure"),
        (
            {"status": "Faulted", "error_code": "OtherError", "vendor_error_code": "CX014"},
            "PilotFault",
            "CX014",
        ),
        (
            {"status": "Faulted", "error_code": "OtherError", "info": "diode check failed"},
            "DiodeFault",
            "diode check failed",
        ),
        (
            {"status": "Faulted", "error_code": "GroundFailure", "vendor_error_code": "zorble"},
            "GroundFailure",
            "zorble",
        ),
        ({"status": "Preparing", "error_code": "NoError"}, None, None),
        (
            {"status": "Preparing", "error_code": "NoError", "vendor_error_code": "CX014"},
            None,
            None,
        ),
        ({"status": "Faulted", "version": "2.0.1"}, None, "Faulted"),
        ({"action": "NotifyEvent", "vendor_error_code": "CX001"}, "ConnectorLockFailure", "CX001"),
        ({"action": "NotifyEvent", "vendor_error_code": "zorble"}, None, "zorble"),
        (
            {"action": "NotifyEvent", "info": "diode check failed"},
            "DiodeFault",
            "diode check failed",
        ),
        ({"action": "NotifyEvent", "info": "all is well"}, None, None),
        ({"action": "StopTransaction", "stop_reason": "PowerLoss"}, "PowerLoss", "PowerLoss"),
        ({"action": "StopTransaction", "stop_reason": "Local"}, None, None),
        (
            {"action": "TransactionEvent", "version": "2.0.1", "stop_reason": "GroundFault"},
            "GroundFailure",
            "GroundFault",
        ),
        (
            {"action": "TransactionEvent", "version": "1.6", "stop_reason": "GroundFault"},
            None,
            None,
        ),
        ({"action": "Heartbeat", "error_code": "GroundFailure"}, None, None),
    ],
)
def test_a_fault_is_named_by_the_most_exact_word(
    row: dict[str, Any], fault: str | None, raw: str | None
) -> None:
    """The vendor's code where it is known, else the free text, else the error code.

    Of a stop its reason, by version.
    """
    made = messages.frame_fault(frames({"r": 0, "action": "StatusNotification"} | row), {}).row(
        0, named=True
    )
    assert (made["fault"], made["fault_raw"]) == (fault, raw)


def test_words_are_counted_by_list() -> None:
    """Every word met once a list, with all its times; nulls are no words.

    No words is an empty table of the same shape.
    """
    rows = [
        ("vendor_code", "CX014", 2),
        ("vendor_code", "CX014", 3),
        ("vendor_code", "zorble", 1),
        ("ocpp16_error_code", "NoError", 9),
    ]
    met = pl.DataFrame(
        [*rows, ("vendor_code", None, 7)],
        schema={"list_name": pl.String, "word": pl.String, "n": pl.Int64},
        orient="row",
    )
    found = codes.counted(met, {})
    assert found.rows() == [
        ("ocpp16_error_code", "NoError", "unusable", None, 9),
        ("vendor_code", "CX014", "alias", "PilotFault", 5),
        ("vendor_code", "zorble", "unknown", None, 1),
    ]
    assert codes.counted(met.clear(), {}).columns == found.columns
    assert codes.counted(met, {"zorble": "DiodeFault"})["fault"].to_list() == [
        None,
        "PilotFault",
        "DiodeFault",
    ]


def test_a_word_that_tells_of_nothing_is_no_trouble() -> None:
    """Known but unusable words and no word are none; an unknown word is trouble without a name."""
    told = pl.DataFrame({"w": ["NoError", "zorble", "GroundFailure", None]})
    made = codes.with_fault(told, "w", "ocpp16_error_code", {}, "f")
    assert made["f"].to_list() == [None, None, "GroundFailure", None]
    assert made["f_trouble"].to_list() == [False, True, True, False]


def test_a_words_parts_are_told_apart() -> None:
    """CamelCase, capitals and figures; compared without case, blanks and punctuation."""
    assert codes.openings("clockFault") == ["clockfault", "fault"]
    assert codes.openings("EVDiode check_7") == ["evdiodecheck7", "diodecheck7", "check7", "7"]
    assert codes.plain(" Diode-Check_Failed 7 ") == "diodecheckfailed7"


def test_of_a_whole_stations_faults_each_evse_hears() -> None:
    """OCPP 1.6 connectorId 0, Faulted: a row an EVSE of that station.

    No other status, no other version.
    """
    columns = ("action", "connector_id", "status", "version", "evse_id", "station_id")
    usual = {
        "action": "StatusNotification",
        "connector_id": 0,
        "status": "Faulted",
        "version": "1.6",
        "station_id": "st1",
    }
    rows = [
        {},
        {"status": "Available"},
        {"version": "2.0.1"},
        {"connector_id": 1},
        {"action": "Heartbeat"},
        {"station_id": "st9"},
    ]
    evses = frame(
        [
            {"station_id": "st1", "evse_id": "a"},
            {"station_id": "st1", "evse_id": "b"},
            {"station_id": "st2", "evse_id": "c"},
        ]
    )
    made = messages.of_whole_stations(frame(rows, *columns, **usual), evses)
    assert made["evse_id"].to_list() == ["a", "b"]
    assert made.columns == list(columns)


PLUG_INS = frame([
    {"plug_in": 1, "evse_id": "a", "from_utc": 0, "bound_utc": 1000},
    {"plug_in": 2, "evse_id": "b", "from_utc": 500, "bound_utc": 2000},
])  # fmt: skip
SAID = (
    "plug_in",
    "at_utc",
    "action",
    "event_type",
    "trigger_reason",
    "id_token",
    "evse_id",
    "station_id",
)


def placed(second: float, *started: tuple[int, float, str], token: str = "T1") -> int | None:  # noqa: S107
    """The plug-in a card shown at that second is given to.

    Transactions started as (plug-in, second, token).
    """
    rows = [
        {
            "plug_in": p,
            "at_utc": t,
            "action": "StartTransaction",
            "id_token": k,
            "evse_id": "ab"[p - 1],
        }
        for p, t, k in started
    ]
    rows += [
        {"at_utc": 0, "action": "StatusNotification", "evse_id": e, "plug_in": 1} for e in "ab"
    ]
    said = frame(rows, *SAID, station_id="st1")
    shown = frame(
        [{"at_utc": second, "action": "Authorize", "id_token": token}], *SAID, station_id="st1"
    ).drop("plug_in")
    made = authorisations.placed(shown, said, PLUG_INS, SETTINGS)
    assert made["evse_id"].to_list() == ["ab"[number - 1] for number in made["plug_in"]]
    return made["plug_in"].item() if len(made) else None


def test_a_card_is_of_the_plug_in_that_started_with_it() -> None:
    """Soon after, within 120 s (setting), with the same token.

    A start with another or later is none.
    """
    assert placed(600, (1, 700, "T1")) == 1
    assert placed(600, (1, 720, "T1"), (2, 610, "T9")) == 1
    assert placed(600, (2, 595, "T1"), (1, 10, "T9")) == 2
    assert placed(600, (1, 721, "T1")) is None


def test_else_it_is_of_the_only_one_that_waits() -> None:
    """There and without a running transaction; two alike get none; one that runs does not wait."""
    assert placed(100) == 1
    assert placed(600) is None
    assert placed(600, (1, 10, "T9")) == 2
    assert placed(600, (1, 596, "T9")) is None
    assert placed(1500) == 2


def test_else_of_the_one_plugged_in_soon_after() -> None:
    """Within 120 s before it comes; where one is there and waits, that one.

    Beyond all of them nobody's.
    """
    assert placed(-120) == 1
    assert placed(-121) is None
    assert placed(490, (1, 10, "T9")) == 2
    assert placed(490) == 1
    assert placed(2005) == 2
    assert placed(2006) is None


def test_what_starts_a_transaction() -> None:
    """StartTransaction, or a TransactionEvent that is not its end, with a token."""
    rows = [
        {"at_utc": 1, "action": "StartTransaction", "id_token": "a"},
        {"at_utc": 2, "action": "TransactionEvent", "event_type": "Updated", "id_token": "b"},
        {"at_utc": 3, "action": "TransactionEvent", "event_type": "Ended", "id_token": "c"},
        {"at_utc": 4, "action": "StartTransaction"},
        {"at_utc": 5, "action": "Authorize", "id_token": "d"},
    ]
    made = authorisations.begun(frame(rows, *SAID, plug_in=1))
    assert made["started_token"].to_list() == ["a", "b"]
    assert seconds_of(made["started_utc"]) == [1, 2]
