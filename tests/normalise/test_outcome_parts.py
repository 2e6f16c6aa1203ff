"""How a plug-in ended: the contract's questions one by one, each at its line."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest

from pipeline.normalise.attempts.outcome import outcome
from pipeline.normalise.attempts.pilot_levels import levels
from pipeline.normalise.attempts.progress import authorisation, progress
from pipeline.normalise.attempts.stage_events import beside_pilot, of_pilot, of_signals
from pipeline.settings.normalise import NormaliseSettings
from tests.normalise.rows import frame, seconds_of

SETTINGS = NormaliseSettings()
FACTS = (
    "plugged_at_utc", "unplugged_at_utc", "seen_utc", "done_utc", "fault_utc", "stopped_utc", "closed_utc", "offered_utc",
    "ev_suspended_at_utc", "flow_utc", "warning_at_utc", "offered_a", "energy_kwh", "partial",
    "soc_leave_pct", "meant_utc", "let_go_utc", "asked_again_utc", "requested_utc", "suspended_evse", "suspended_ev", "lasting",
    "refused", "accepted",
    "unanswered", "stop_reason", "requested_s", "warning_fault", "warning_raw", "vehicle_fault",
    "source", "transaction_id", "fault", "full_before", "vehicle_fault_utc", "authorised_utc",
    "fault_raw", "level", "level_at_fault", "supply",
)  # fmt: skip
USUAL = {
    "plugged_at_utc": 0, "unplugged_at_utc": 3600, "seen_utc": 3600, "source": "ocpp16+pilot", "transaction_id": "7",
    "supply": "AC", "refused": False, "accepted": True, "unanswered": False, "lasting": False, "level": 0, "stop_reason": "Local",
}  # fmt: skip
OFFERED = {"offered_utc": 10, "level": 1}
CLOSED = OFFERED | {"closed_utc": 20, "level": 3}
FAULT = {
    "fault_utc": 30,
    "lasting": True,
    "fault": "GroundFailure",
    "fault_raw": "earth",
    "level_at_fault": 1,
}


def told(**facts: Any) -> dict[str, Any]:
    """What became of one plug-in."""
    return outcome(frame([facts], *FACTS, **USUAL), SETTINGS).row(0, named=True)


@pytest.mark.parametrize(
    ("facts", "want"),
    [
        ({}, "abandoned"),
        (CLOSED | {"energy_kwh": 0.5}, "charged"),
        (CLOSED | {"energy_kwh": 0.49}, "abandoned"),
        (CLOSED | {"energy_kwh": 0.49, "ev_suspended_at_utc": 90}, "charged"),
        (CLOSED | {"energy_kwh": 0.0, "ev_suspended_at_utc": 80, "let_go_utc": 80}, "failed"),
        (
            CLOSED | {"energy_kwh": 0.0, "ev_suspended_at_utc": 81, "let_go_utc": 81},
            "not_requested",
        ),
        (
            CLOSED
            | {
                "energy_kwh": 0.0,
                "ev_suspended_at_utc": 80,
                "let_go_utc": 80,
                "soc_leave_pct": 99.0,
            },
            "not_requested",
        ),
        (
            CLOSED
            | {
                "energy_kwh": 0.0,
                "ev_suspended_at_utc": 80,
                "let_go_utc": 80,
                "suspended_evse": True,
            },
            "not_requested",
        ),
        (CLOSED | {"ev_suspended_at_utc": 80, "let_go_utc": 80, "done_utc": 80}, "failed"),
        (
            CLOSED | {"ev_suspended_at_utc": 80.1, "let_go_utc": 80.1, "done_utc": 80.1},
            "not_requested",
        ),
        (
            CLOSED | {"ev_suspended_at_utc": 80, "let_go_utc": 80, "done_utc": 80, "flow_utc": 30},
            "not_requested",
        ),
        (CLOSED | {"energy_kwh": 0.01, "soc_leave_pct": 99.0}, "charged"),
        (CLOSED | {"energy_kwh": 0.01, "soc_leave_pct": 98.9}, "abandoned"),
        (CLOSED | {"energy_kwh": 0.1, "partial": True}, "charged"),
        (CLOSED | {"energy_kwh": 0.1, "partial": False}, "abandoned"),
        (FAULT | {"energy_kwh": 9.0}, "failed"),
        (FAULT | {"energy_kwh": 9.0, "lasting": False}, "charged"),
        (FAULT | {"energy_kwh": 0.4, "lasting": False}, "failed"),
        (FAULT | {"energy_kwh": 9.0, "done_utc": 24}, "charged"),
        (FAULT | {"energy_kwh": 9.0, "done_utc": 25}, "failed"),
        (FAULT | {"energy_kwh": 9.0, "done_utc": 30, "fault": "ConnectorLockFailure"}, "charged"),
        (FAULT | {"energy_kwh": 9.0, "done_utc": 31, "fault": "ConnectorLockFailure"}, "failed"),
        (FAULT | {"energy_kwh": 9.0, "meant_utc": 30}, "charged"),
        (FAULT | {"energy_kwh": 9.0, "meant_utc": 31}, "failed"),
        (FAULT | {"energy_kwh": 0.0, "meant_utc": 30}, "failed"),
        ({"refused": True}, "declined"),
        ({"stop_reason": "DeAuthorized"}, "declined"),
        ({"stop_reason": "LocalOutOfCredit"}, "declined"),
        ({"refused": True, "energy_kwh": 0.1}, "abandoned"),
        ({"refused": True, "energy_kwh": 0.6}, "charged"),
        ({"refused": True} | FAULT, "failed"),
        ({"refused": True, "warning_at_utc": 5}, "declined"),
        ({"unanswered": True, "accepted": False}, "failed"),
        ({"unanswered": True, "accepted": True}, "abandoned"),
        (OFFERED | {"unanswered": True, "accepted": False, "suspended_ev": True}, "not_requested"),
        (CLOSED | {"unanswered": True, "accepted": False, "energy_kwh": 0.1}, "abandoned"),
        ({"requested_s": 5.1, "offered_utc": 10}, "failed"),
        ({"requested_s": 5.0, "offered_utc": 3595}, "abandoned"),
        (CLOSED | {"requested_s": 5.1, "energy_kwh": 0.1}, "abandoned"),
        (CLOSED | {"energy_kwh": 0.0, "stopped_utc": 620}, "failed"),
        (CLOSED | {"energy_kwh": 0.0, "stopped_utc": 619}, "abandoned"),
        (CLOSED | {"energy_kwh": 0.1, "stopped_utc": 620}, "abandoned"),
        ({"vehicle_fault": True}, "failed"),
        ({"warning_at_utc": 5}, "failed"),
        ({"warning_at_utc": 5, "warning_fault": "WeakSignal", "unplugged_at_utc": 59}, "abandoned"),
        ({"warning_at_utc": 5, "warning_fault": "WeakSignal", "unplugged_at_utc": 60}, "failed"),
        (
            OFFERED | {"warning_at_utc": 15, "warning_fault": "WeakSignal", "unplugged_at_utc": 59},
            "failed",
        ),
        ({"unplugged_at_utc": None}, "unknown"),
        ({"unplugged_at_utc": None, "stopped_utc": 100}, "abandoned"),
        (OFFERED | {"unplugged_at_utc": 70}, "not_requested"),
        (OFFERED | {"unplugged_at_utc": 69.9}, "abandoned"),
        (
            OFFERED | {"unplugged_at_utc": 70, "transaction_id": None, "source": "ocpp16"},
            "abandoned",
        ),
        (
            OFFERED
            | {"unplugged_at_utc": 70, "transaction_id": None, "source": "ocpp16+telematics"},
            "abandoned",
        ),
        (
            OFFERED | {"unplugged_at_utc": 70, "transaction_id": None, "source": "ocpp201"},
            "not_requested",
        ),
        (
            OFFERED
            | {
                "unplugged_at_utc": 70,
                "transaction_id": None,
                "source": "ocpp16",
                "suspended_ev": True,
            },
            "not_requested",
        ),
        ({"source": "export", "transaction_id": None, "energy_kwh": 0.0}, "not_requested"),
        (
            {"source": "export+telematics", "transaction_id": None, "energy_kwh": 0.0},
            "not_requested",
        ),
        (
            {"source": "export", "transaction_id": None, "energy_kwh": 0.0, "unplugged_at_utc": 59},
            "abandoned",
        ),
        ({"source": "export", "transaction_id": None, "energy_kwh": 0.2}, "not_requested"),
    ],
)
def test_the_order_of_the_questions_is_the_decision(facts: dict[str, Any], want: str) -> None:
    """Contract.

    0.5 kWh or a full battery's stop is charged, an ending fault failed, a refusal declined; waiting
    fails not.
    """
    assert told(**facts)["outcome"] == want


def test_a_full_battery_that_draws_nothing_has_not_failed() -> None:
    """Asked and energised for ten minutes without a watt-hour.

    A failure, unless it says that it is full: it never asked.
    """
    idle = CLOSED | {"energy_kwh": 0.0, "stopped_utc": 620}
    assert told(**idle, soc_leave_pct=98.9)["outcome"] == "failed"
    assert told(**idle, soc_leave_pct=99.0)["outcome"] == "not_requested"


@pytest.mark.parametrize(
    ("minutes", "amps", "want"),
    [
        (8.2, None, "charged"),
        (8.1, None, "abandoned"),
        (8.2, 10.0, "abandoned"),
        (13.1, 10.0, "charged"),
    ],
)
def test_without_a_meter_the_time_closed_tells_what_was_likely_delivered(
    minutes: float, amps: float | None, want: str
) -> None:
    """One phase at 16 A and 230 V, or at the current offered.

    0.5 kWh takes 8.15 minutes, or 13.04 (derived).
    """
    assert told(**CLOSED, stopped_utc=20 + 60 * minutes, offered_a=amps)["outcome"] == want


@pytest.mark.parametrize(
    ("facts", "stage", "seconds", "early"),
    [
        (FAULT | OFFERED, "offered", 20, True),
        (FAULT | OFFERED | {"fault_utc": 70}, "offered", 60, True),
        (FAULT | OFFERED | {"fault_utc": 70.5}, "offered", 60.5, False),
        (FAULT | OFFERED | {"level_at_fault": 2}, "requested", 20, True),
        (FAULT | CLOSED | {"level_at_fault": 3}, "energised", 20, False),
        (FAULT | {"level_at_fault": 0}, "plugged", 30, True),
        (FAULT | {"level_at_fault": 0, "fault_utc": 61}, "plugged", 61, False),
        (FAULT | OFFERED | {"supply": "DC"}, "offered", 20, False),
        (FAULT | OFFERED | {"offered_utc": 40}, "offered", 30, True),
        (FAULT | OFFERED | {"offered_utc": 30.9}, "offered", 0, True),
        (FAULT | OFFERED | {"offered_utc": -5}, "offered", 30, True),
        (FAULT | OFFERED | {"plugged_at_utc": -50, "offered_utc": -31}, "offered", 61, False),
        (FAULT | OFFERED | {"energy_kwh": 1.0}, "delivering", 20, False),
        (FAULT | CLOSED | {"energy_kwh": 1.0, "level_at_fault": 1}, "offered", 20, True),
        (FAULT | CLOSED | {"energy_kwh": 1.0, "level_at_fault": 3}, "delivering", 20, False),
        (FAULT | CLOSED | {"flow_utc": 25, "level_at_fault": 3}, "delivering", 20, False),
        (OFFERED | {"warning_at_utc": 16}, "offered", 6, True),
        (OFFERED | {"vehicle_fault": True, "stopped_utc": 15}, "offered", 5, False),
        (CLOSED | {"energy_kwh": 9.0, "done_utc": 3000}, "delivering", 2990, False),
        (OFFERED | {"unplugged_at_utc": 70}, "offered", 60, False),
    ],
)
def test_stage_and_early_b(
    facts: dict[str, Any], stage: str, seconds: float, *, early: bool
) -> None:
    """Contract: how far it came.

    Early_b is a failed AC attempt before the contactor closed, within 60 s of plug-in or PWM.
    """
    row = told(**facts)
    assert (row["stage"], row["stage_seconds"], row["early_b"]) == (
        stage,
        pytest.approx(seconds),
        early,
    )


EXPORT = (
    {"source": "export", "transaction_id": None, "level": None, "stop_reason": None}
    | FAULT
    | {"level_at_fault": None}
)


@pytest.mark.parametrize(
    ("facts", "stage", "early"),
    [
        ({"fault": "DiodeFault", "fault_utc": 3600}, "offered", True),
        ({"fault": "PilotFault", "fault_utc": 3600}, "offered", True),
        ({"fault": "PilotFault", "fault_utc": 3600, "energy_kwh": 0.2}, "delivering", False),
        ({"fault": "PowerSwitchFailure", "fault_utc": 3600}, "requested", True),
        ({"fault": "EVSEContactorFault", "fault_utc": 3600}, "requested", True),
        ({"fault": "GroundFailure", "fault_utc": 60}, "plugged", True),
        ({"fault": "GroundFailure", "fault_utc": 61}, "plugged", False),
        ({"fault": "DiodeFault", "supply": "DC"}, "offered", False),
        (
            {"source": "export+telematics", "fault": "DiodeFault", "fault_utc": 3600},
            "offered",
            True,
        ),
    ],
)
def test_an_export_tells_the_step_by_its_fault_only(
    facts: dict[str, Any], stage: str, *, early: bool
) -> None:
    """No diode is checked before the PWM is on, no contactor closes before C (IEC 61851-1,
    derived); seconds are null.
    """
    row = told(**EXPORT | facts)
    assert (row["outcome"], row["stage"], row["early_b"], row["stage_seconds"]) == (
        "failed",
        stage,
        early,
        None,
    )


def test_a_contactor_fault_in_messages_means_the_vehicle_asked() -> None:
    """Where the pilot was not recorded; with a pilot record its own stage stands.

    An export's session that waited was offered.
    """
    contactor = FAULT | OFFERED | {"fault": "PowerSwitchFailure"}
    assert told(**contactor | {"source": "ocpp16"})["stage"] == "requested"
    assert told(**contactor)["stage"] == "offered"
    assert (
        told(**contactor | {"source": "ocpp16", "level_at_fault": 3} | CLOSED)["stage"]
        == "energised"
    )
    waited = told(source="export", transaction_id=None, energy_kwh=0.0, level=None)
    assert (waited["outcome"], waited["stage"]) == ("not_requested", "offered")


def test_the_fault_told_is_what_made_it_fail() -> None:
    """A fault before a sign, a silent centre by name, and none where nothing failed.

    What never closed delivered nothing.
    """
    row = told(**FAULT, warning_at_utc=5, warning_fault="WeakSignal", warning_raw="w")
    assert (row["fault"], row["fault_raw"]) == ("GroundFailure", "earth")
    row = told(warning_at_utc=5, warning_raw="Reboot", fault="GroundFailure")
    assert (row["fault"], row["fault_raw"]) == (None, "Reboot")
    row = told(unanswered=True, accepted=False)
    assert (row["fault"], row["fault_raw"], row["energy_kwh"]) == ("NoInternet", None, 0.0)
    row = told(
        **CLOSED, energy_kwh=9.0, fault="GroundFailure", fault_raw="earth", warning_at_utc=None
    )
    assert (row["outcome"], row["fault"], row["fault_raw"]) == ("charged", None, None)
    assert told(**CLOSED, stopped_utc=100)["energy_kwh"] is None
    assert told(flow_utc=10)["energy_kwh"] is None
    assert told(energy_kwh=0.3)["energy_kwh"] == 0.3


MOMENT = (
    "plug_in",
    "at_utc",
    "level",
    "fault",
    "fault_raw",
    "rank",
    "strength",
    "done",
    "meant",
    "let_go",
    "after_kwh",
    "cut",
    "file_id",
    "line",
)


def gathered(*rows: dict[str, Any]) -> dict[str, Any]:
    """Facts of one plug-in from its moments; times in seconds."""
    usual = {
        "plug_in": 1,
        "rank": 0,
        "strength": 0,
        "done": False,
        "meant": False,
        "let_go": False,
        "cut": False,
        "file_id": "f",
    }
    lined = [{"line": k} | row for k, row in enumerate(rows)]
    made = progress(frame(lined, *MOMENT, **usual), SETTINGS)
    row = made.row(0, named=True)
    return {
        name: seconds_of(pl.Series([v]))[0] if name.endswith("_utc") else v
        for name, v in row.items()
    }


def test_the_fault_that_ended_it_is_the_first_after_the_last_good_moment() -> None:
    """Good: energised without trouble. A fault up to half a settling time before counts as after.

    Else the first of all.
    """
    good, bad = {"level": 3}, {"strength": 2, "fault": "GroundFailure", "fault_raw": "x"}
    row = gathered(
        {"at_utc": 0} | bad, {"at_utc": 100} | good, {"at_utc": 200} | bad, {"at_utc": 300} | bad
    )
    assert (row["fault_utc"], row["lasting"], row["fault_at"]) == (200, True, "f:2")
    row = gathered({"at_utc": 0} | bad, {"at_utc": 100} | good)
    assert (row["fault_utc"], row["lasting"]) == (0, False)
    assert gathered({"at_utc": 97.5} | bad, {"at_utc": 100} | good)["lasting"]
    assert not gathered({"at_utc": 97.4} | bad, {"at_utc": 100} | good)["lasting"]
    assert gathered({"at_utc": 0} | bad)["lasting"]
    none = gathered({"at_utc": 0, "level": 0})
    assert (none["fault_utc"], none["lasting"], none["fault_at"]) == (None, False, None)


def test_the_most_exact_code_within_ten_seconds_names_it() -> None:
    """Of those alike the first; what comes later names another trouble.

    Faults of others' strength name none.
    """

    def named(*rest: dict[str, Any]) -> tuple[Any, ...]:
        row = gathered(
            {"at_utc": 0, "strength": 2, "fault": "a", "fault_raw": "ra", "rank": 1}, *rest
        )
        return row["fault"], row["fault_raw"]

    assert named({"at_utc": 10, "strength": 2, "fault": "b", "fault_raw": "rb", "rank": 2}) == (
        "b",
        "rb",
    )
    assert named({"at_utc": 10.1, "strength": 2, "fault": "b", "fault_raw": "rb", "rank": 2}) == (
        "a",
        "ra",
    )
    assert named({"at_utc": 5, "strength": 2, "fault": "b", "fault_raw": "rb", "rank": 1}) == (
        "a",
        "ra",
    )
    assert named({"at_utc": 5, "strength": 1, "fault": "b", "fault_raw": "rb", "rank": 9}) == (
        "a",
        "ra",
    )


def test_levels_signs_and_ends_are_told_by_their_first() -> None:
    """When each level was first reached, signs, ends after charging.

    A cut after the last good moment; level at the fault.
    """
    row = gathered(
        {"at_utc": 0, "level": 0},
        {"at_utc": 1, "level": 1},
        {"at_utc": 2, "level": 2, "strength": 1, "fault": "s", "fault_raw": "rs"},
        {"at_utc": 3, "level": 3},
        {"at_utc": 4, "cut": True},
        {"at_utc": 5, "done": True, "let_go": True, "level": 1},
        {"at_utc": 6, "strength": 2},
        {"at_utc": 7, "level": 2, "done": True},
    )  # fmt: skip
    assert (row["offered_utc"], row["requested_utc"], row["closed_utc"]) == (1, 2, 3)
    assert (row["warning_at_utc"], row["warning_fault"], row["warning_raw"]) == (2, "s", "rs")
    assert (row["cut_utc"], row["done_utc"], row["ev_suspended_at_utc"]) == (4, 5, 5)
    assert (row["level"], row["level_at_fault"]) == (3, 3)
    early = gathered(
        {"at_utc": 0, "cut": True, "done": True},
        {"at_utc": 3, "level": 3},
        {"at_utc": 9, "level": 2, "strength": 2},
    )
    assert (early["cut_utc"], early["done_utc"], early["ev_suspended_at_utc"]) == (None, None, None)
    assert gathered({"at_utc": 0, "cut": True, "done": True, "level": 1})["cut_utc"] == 0
    assert (
        gathered({"at_utc": 0, "strength": 2, "level": 1}, {"at_utc": 9, "level": 2})[
            "level_at_fault"
        ]
        == 1
    )


def test_the_pilots_own_row_tells_when_the_fault_came_and_at_which_level() -> None:
    """A message is timed by another clock: it may seem to come before the PWM was on, and no diode can be checked then."""
    message = {"strength": 2, "fault": "PilotFault", "rank": 1}
    rows = ({"at_utc": 0, "level": 0}, {"at_utc": 8, "level": 1})
    row = gathered(*rows, {"at_utc": 7} | message, {"at_utc": 9, "level": 1, "strength": 2})
    assert (row["fault_utc"], row["level_at_fault"], row["fault"]) == (9, 1, "PilotFault")
    far = 8 + 2 * SETTINGS.settle_s
    row = gathered(*rows, {"at_utc": 7} | message, {"at_utc": far, "level": 1, "strength": 2})
    assert (row["fault_utc"], row["level_at_fault"]) == (7, 0)


def test_a_messages_whole_second_is_not_before_what_came_within_it() -> None:
    """A fault told as second 7, cut off, may be of 7.9: the level of 7.6 was reached before it, that of 8 after."""
    message = {"at_utc": 7, "strength": 2}
    row = gathered({"at_utc": 0, "level": 0}, message, {"at_utc": 7.6, "level": 1})
    assert row["level_at_fault"] == 1
    row = gathered({"at_utc": 0, "level": 0}, message, {"at_utc": 8, "level": 1})
    assert row["level_at_fault"] == 0


SIGNAL = (
    "plug_in", "at_utc", "receiver_at_utc", "action", "event_type", "id_token", "id_token_status", "answer", "answers_seen",
    "transaction_id", "stop_reason", "status", "charging_state", "trigger_reason", "fault", "file_id", "line",
)  # fmt: skip


def authorised(*rows: dict[str, Any]) -> dict[str, Any]:
    """What the messages of one plug-in say of its card."""
    lined = [{"line": k, "receiver_at_utc": row["at_utc"]} | row for k, row in enumerate(rows)]
    usual = {"plug_in": 1, "file_id": "f", "answers_seen": True}
    return authorisation(frame(lined, *SIGNAL, **usual)).row(0, named=True)


def card(t: float, token: str = "T1", said: str | None = "Accepted", **more: Any) -> dict[str, Any]:  # noqa: S107
    """An Authorize and what came back."""
    return {
        "at_utc": t,
        "action": "Authorize",
        "id_token": token,
        "id_token_status": said,
        "answer": None if said is None else 3,
    } | more


def test_the_last_answer_decides_and_the_first_card_counts() -> None:
    """Refused at first and accepted then is not refused.

    The token a transaction started with goes before one shown.
    """
    started = {
        "at_utc": 9,
        "action": "StartTransaction",
        "id_token": "T2",
        "id_token_status": "Accepted",
        "transaction_id": "7",
    }
    row = authorised(card(0, said="Invalid"), card(5), started)
    assert (row["refused"], row["accepted"], row["shown_token"], row["started_token"]) == (
        False,
        True,
        "T1",
        "T2",
    )
    row = authorised(card(0), card(5, said="Blocked"))
    assert (row["refused"], row["accepted"], row["started_token"]) == (True, True, None)
    assert authorised(card(0, said=None))["refused"] is None
    event = {
        "at_utc": 0,
        "action": "TransactionEvent",
        "event_type": "Started",
        "id_token": "T3",
        "id_token_status": "Invalid",
    }
    assert authorised(event)["refused"]
    assert authorised(event)["started_token"] == "T3"  # noqa: S105 - a column
    assert authorised(event | {"id_token": None})["refused"] is None
    ended = authorised(event | {"event_type": "Ended"})
    assert (ended["started_token"], ended["shown_token"]) == (None, None)


def test_messages_count_in_order_of_their_own_time() -> None:
    """What was queued arrives late and was said before.

    The refusal of then is not the last answer.
    """
    queued = card(0, "T2", said="Blocked", receiver_at_utc=900)
    row = authorised(card(5), queued)
    assert (row["refused"], row["shown_token"]) == (False, "T2")


def test_nothing_answered_is_told_from_a_refusal() -> None:
    """No result to an Authorize where the centre's results are in the record at all.

    An error is no answer either.
    """
    assert authorised(card(0, said=None))["unanswered"]
    assert authorised(card(0, said=None, answer=4))["unanswered"]
    assert not authorised(card(0, said=None, answers_seen=False))["unanswered"]
    assert not authorised(card(0))["unanswered"]


def test_a_transactions_end_and_pause() -> None:
    """The last stop's time and reason, the first id.

    A pause is SuspendedEVSE as status or charging state.
    """
    stops = [
        {"at_utc": t, "action": "StopTransaction", "stop_reason": r, "transaction_id": x}
        for t, r, x in ((5, "Local", "a"), (9, "Other", "b"))
    ]
    row = authorised(
        *stops,
        {
            "at_utc": 20,
            "action": "StatusNotification",
            "stop_reason": "Remote",
            "status": "Available",
        },
    )
    assert (
        seconds_of(pl.Series([row["stopped_utc"]])),
        row["stop_reason"],
        row["transaction_id"],
    ) == ([9], "Other", "a")
    assert not row["suspended_evse"]
    assert authorised({"at_utc": 0, "action": "StatusNotification", "status": "SuspendedEVSE"})[
        "suspended_evse"
    ]
    assert authorised(
        {"at_utc": 0, "action": "TransactionEvent", "charging_state": "SuspendedEVSE"}
    )["suspended_evse"]
    ended = authorised(
        {
            "at_utc": 3,
            "action": "TransactionEvent",
            "event_type": "Ended",
            "stop_reason": "StoppedByEV",
        }
    )
    assert (seconds_of(pl.Series([ended["stopped_utc"]])), ended["stop_reason"]) == (
        [3],
        "StoppedByEV",
    )


PILOT = (
    "to_utc",
    "plug_in", "at_utc", "pilot_state", "contactor", "fault_trouble", "fault", "fault_raw", "duty_pct", "high_v", "low_v",
    "file_id", "line",
)  # fmt: skip


def pilot(*rows: tuple[float, str, str | None], **usual: Any) -> pl.DataFrame:
    """Pilot rows (second, state, contactor) of one plug-in."""
    told_ = [
        {"at_utc": t, "pilot_state": s, "contactor": c, "line": k}
        for k, (t, s, c) in enumerate(rows)
    ]
    return frame(told_, *PILOT, **({"plug_in": 1, "file_id": "f", "fault_trouble": False} | usual))


def test_a_pilot_row_tells_how_far_it_came() -> None:
    """B1 plugged, B2 offered, C or D requested, contactor closed energised.

    A contactor closed in B is not.
    """
    rows = [
        (0, "B1", "open"),
        (1, "B2", "open"),
        (2, "C1", "open"),
        (3, "C2", "closed"),
        (4, "D2", "closed"),
        (5, "B2", "closed"),
    ]
    made = of_pilot(pilot(*rows, (6, "A1", "open"), (7, "E", "open"), (8, "F", "open")), SETTINGS)
    assert made["level"].to_list() == [0, 1, 2, 3, 3, 1, None, None, None]
    assert made["strength"].to_list() == [0, 0, 0, 0, 0, 0, 0, 1, 1]
    assert made["fault_raw"].to_list()[-2:] == ["state E", "state F"]
    assert made["done"].to_list() == [True, True, False, False, False, True, False, False, False]
    assert made["let_go"].to_list() == [False, True, False, False, False, True, False, False, False]
    assert of_pilot(pilot((0, "B2", "open"), fault_trouble=True, fault_raw="x"), SETTINGS)[
        "strength"
    ].to_list() == [2]
    assert of_pilot(pilot((0, "B2", "open"), fault_trouble=True), SETTINGS)["done"].to_list() == [
        False
    ]


def test_without_a_contactors_record_c2_that_lasts_counts_as_closed() -> None:
    """Longer than five seconds (setting).

    Where the contactor is recorded anywhere in the plug-in, it tells.
    """
    assert of_pilot(pilot((0, "C2", None), (5.1, "B1", None)), SETTINGS)["level"].to_list()[0] == 3
    assert of_pilot(pilot((0, "C2", None), (5, "B1", None)), SETTINGS)["level"].to_list()[0] == 2
    assert of_pilot(pilot((0, "C1", None), (50, "B1", None)), SETTINGS)["level"].to_list()[0] == 2
    assert of_pilot(pilot((0, "C2", None), (50, "B1", "open")), SETTINGS)["level"].to_list()[0] == 2


def test_an_offer_taken_back_is_a_cut() -> None:
    """The contactor opens in C by itself, or the PWM stops in B within the early window.

    A late stop of the PWM is usual.
    """

    def cut(*rows: tuple[float, str, str | None]) -> list[bool]:
        return of_pilot(pilot(*rows), SETTINGS)["cut"].to_list()

    assert cut((0, "C2", "closed"), (1, "C2", "open")) == [False, True]
    assert cut((0, "C2", "closed"), (1, "B2", "open")) == [False, False]
    assert cut((0, "C2", "open"), (1, "C1", "open")) == [False, True]
    assert cut((0, "D2", "open"), (1, "B1", "open")) == [False, True]
    assert cut((0, "C2", "open"), (1, "F", "open")) == [False, True]
    assert cut((0, "C2", "open"), (1, "B2", "open")) == [False, False]
    assert cut((0, "C2", None), (5, "C1", None)) == [False, True]
    assert cut((0, "C2", None), (5.1, "C1", None)) == [False, False]
    assert cut((0, "B2", "open"), (60, "B1", "open")) == [False, True]
    assert cut((0, "B2", "open"), (60.1, "B1", "open")) == [False, False]
    assert cut((0, "C1", "open"), (6, "B1", "open")) == [False, False]


@pytest.mark.parametrize(
    ("duty", "amps"),
    [(5, None), (7.9, None), (8, 6.0), (9.9, 6.0), (10, 6.0), (16, 9.6),
     (50, 30.0), (85, 51.0), (86, 55.0), (96, 80.0), (96.5, 80.0), (97, 80.0), (97.5, None)],
)  # fmt: skip
def test_the_duty_cycle_offers_a_current(duty: float, amps: float | None) -> None:
    """IEC 61851-1 Table A.8, as given by a secondary source.

    6 A to 10 %, 0.6 d to 85 %, 2.5 (d - 64) to 96 %, 80 A to 97 %.
    """
    found = levels(pilot((0, "B2", "open"), duty_pct=duty))["offered_a"].to_list()
    assert found == [None if amps is None else pytest.approx(amps)]


def test_levels_of_the_halves_are_medians_by_state() -> None:
    """B2 and C2 apart, only with the PWM on; samples are those with a negative level.

    Time asked in vain is until the next row.
    """
    rows = [
        (0, "B1", "open"),
        (1, "B2", "open"),
        (2, "B2", "open"),
        (3, "C2", "open"),
        (13, "C2", "closed"),
        (20, "A1", "open"),
    ]
    found = levels(
        pilot(*rows).with_columns(
            high_v=pl.Series([8.0, 9.0, 9.2, 6.0, 6.4, 12.0]),
            low_v=pl.Series([None, -12.0, -11.0, -10.0, None, None]),
        )
    ).row(0, named=True)
    assert (found["pilot_high_b_v"], found["pilot_low_b_v"]) == (
        pytest.approx(9.1),
        pytest.approx(-11.5),
    )
    assert (found["pilot_high_c_v"], found["pilot_low_c_v"]) == (
        pytest.approx(6.2),
        pytest.approx(-10.0),
    )
    assert (found["pilot_low_samples"], found["requested_s"]) == (3, 10.0)
    assert levels(pilot((0, "B1", "open"), duty_pct=50.0))["offered_a"].to_list() == [None]


MESSAGE = (
    *SIGNAL, "to_utc", "seen_by_pilot", "connector_id", "fault_raw", "info",
)  # fmt: skip


@pytest.mark.parametrize(
    ("row", "level", "strength"),
    [
        ({"status": "Preparing"}, 0, 0),
        ({"status": "SuspendedEVSE"}, 0, 0),
        ({"status": "Occupied"}, 0, 0),
        ({"status": "SuspendedEV"}, 1, 0),
        ({"status": "Charging"}, 3, 0),
        ({"status": "Finishing"}, None, 0),
        ({"status": "Charging", "seen_by_pilot": True}, None, 0),
        ({"status": "Faulted"}, None, 2),
        ({"status": "Faulted", "connector_id": 0}, None, 0),
        ({"status": "Faulted", "connector_id": 0, "fault_raw": "x"}, None, 1),
        ({"status": "Preparing", "fault": "WeakSignal", "fault_raw": "WeakSignal"}, 0, 1),
        ({"action": "StartTransaction"}, 1, 0),
        ({"action": "StartTransaction", "id_token_status": "Blocked"}, None, 0),
        ({"action": "Authorize", "id_token_status": "Accepted"}, 1, 0),
        ({"action": "Authorize"}, None, 0),
        ({"action": "TransactionEvent", "charging_state": "EVConnected"}, 0, 0),
        ({"action": "TransactionEvent", "charging_state": "Charging"}, 3, 0),
        ({"action": "TransactionEvent", "trigger_reason": "AbnormalCondition"}, None, 2),
        ({"action": "TransactionEvent", "trigger_reason": "EVCommunicationLost"}, None, 0),
        (
            {
                "action": "TransactionEvent",
                "trigger_reason": "EVCommunicationLost",
                "event_type": "Ended",
            },
            None,
            1,
        ),
        (
            {
                "action": "TransactionEvent",
                "trigger_reason": "EVCommunicationLost",
                "event_type": "Ended",
                "to_utc": 10,
            },
            None,
            0,
        ),
        (
            {
                "action": "TransactionEvent",
                "trigger_reason": "EVCommunicationLost",
                "event_type": "Ended",
                "to_utc": 10.1,
            },
            None,
            1,
        ),
        (
            {
                "action": "TransactionEvent",
                "trigger_reason": "AbnormalCondition",
                "event_type": "Ended",
                "stop_reason": "EVDisconnected",
            },
            None,
            0,
        ),
        (
            {
                "status": "Finishing",
                "fault": "EVCommunicationError",
                "fault_raw": "EVCommunicationError",
                "to_utc": 5,
            },
            None,
            0,
        ),
        (
            {
                "status": "Finishing",
                "fault": "EVCommunicationError",
                "fault_raw": "EVCommunicationError",
            },
            None,
            1,
        ),
        ({"action": "StopTransaction", "stop_reason": "Other"}, None, 1),
        ({"action": "StopTransaction", "stop_reason": "Local"}, None, 0),
        ({"action": "StopTransaction", "stop_reason": "PowerLoss", "fault": "PowerLoss"}, None, 2),
    ],
)
def test_a_message_tells_how_far_it_came(
    row: dict[str, Any], level: int | None, strength: int
) -> None:
    """Statuses, accepted cards and charging states by what they mean in OCPP.

    A fault is hard, a warning or odd stop a sign.
    """
    usual = {
        "plug_in": 1,
        "at_utc": 0,
        "receiver_at_utc": 0,
        "action": "StatusNotification",
        "seen_by_pilot": False,
        "connector_id": 1,
    }
    made = of_signals(frame([row], *MESSAGE, **usual), SETTINGS).row(0, named=True)
    assert (made["level"], made["strength"]) == (level, strength)


@pytest.mark.parametrize(
    ("row", "done", "let_go"),
    [
        ({"status": "SuspendedEV"}, True, True),
        ({"status": "Finishing"}, True, False),
        ({"status": "SuspendedEVSE"}, False, False),
        ({"action": "StopTransaction", "stop_reason": "Local"}, True, False),
        ({"action": "StopTransaction"}, True, False),
        ({"action": "StopTransaction", "stop_reason": "Reboot"}, False, False),
        (
            {"action": "StopTransaction", "stop_reason": "PowerLoss", "fault": "PowerLoss"},
            False,
            False,
        ),
        (
            {"action": "TransactionEvent", "event_type": "Ended", "stop_reason": "StoppedByEV"},
            True,
            True,
        ),
        (
            {"action": "TransactionEvent", "event_type": "Ended", "stop_reason": "SOCLimitReached"},
            True,
            True,
        ),
        ({"action": "TransactionEvent", "event_type": "Updated"}, False, False),
    ],
)
def test_a_message_tells_that_charging_ended_as_meant(
    row: dict[str, Any], *, done: bool, let_go: bool
) -> None:
    """By the vehicle (let_go) or otherwise; a stop without a reason is local (OCPP 1.6, 4.10)."""
    usual = {
        "plug_in": 1,
        "at_utc": 0,
        "receiver_at_utc": 0,
        "action": "StatusNotification",
        "seen_by_pilot": False,
        "connector_id": 1,
    }
    made = of_signals(frame([row], *MESSAGE, **usual), SETTINGS).row(0, named=True)
    assert (made["done"], made["let_go"]) == (done, let_go)


def test_messages_beside_a_pilot_record_are_marked() -> None:
    """By plug-in: there the pilot tells how far it came.

    One row a message however many pilot rows there are.
    """
    said = frame(
        [{"plug_in": 1, "at_utc": 0}, {"plug_in": 2, "at_utc": 1}, {"plug_in": 1, "at_utc": 2}]
    )
    made = beside_pilot(said, pilot((0, "B1", None), (1, "B2", None)))
    assert made["seen_by_pilot"].to_list() == [True, False, True]


def test_trouble_that_is_over_while_charging_goes_on_is_energised() -> None:
    """2.0.1: an event cleared while the last state was Charging.

    After the end, or in another state, it says nothing.
    """
    usual = {
        "plug_in": 1,
        "seen_by_pilot": True,
        "connector_id": 1,
        "receiver_at_utc": 0,
        "file_id": "f",
    }
    cleared = {"at_utc": 9, "action": "NotifyEvent", "info": "cleared", "line": 9}

    def level(*before: dict[str, Any]) -> int | None:
        made = of_signals(frame([*before, cleared], *MESSAGE, **usual), SETTINGS)
        return made.sort("at_utc")["level"].to_list()[-1]

    charging = {"at_utc": 1, "action": "TransactionEvent", "charging_state": "Charging", "line": 1}
    assert level(charging) == 3
    assert (
        level(
            charging, {"at_utc": 2, "action": "TransactionEvent", "event_type": "Ended", "line": 2}
        )
        is None
    )
    assert (
        level(
            charging,
            {"at_utc": 2, "action": "TransactionEvent", "charging_state": "SuspendedEV", "line": 2},
        )
        is None
    )
    assert level({"at_utc": 1, "action": "Heartbeat", "line": 1}) is None
