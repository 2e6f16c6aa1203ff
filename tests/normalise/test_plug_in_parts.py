"""Marks and spans step by step: who is there when, from one source and from two."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import polars as pl
import pytest

from pipeline.core.overlap import meeting
from pipeline.normalise.sessions.plug_in_spans import assigned, merge_spans, spans, split_spans
from pipeline.normalise.sessions.presence_events import pilot_events, signal_events
from pipeline.settings.normalise import NormaliseSettings
from tests.normalise.rows import frame, seconds_of

SETTINGS = NormaliseSettings()
MARK = ("evse_id", "at_utc", "clock_error_s", "order", "plug", "split", "file_id", "line", "source")


def marks(*told: tuple[float, int], **usual: Any) -> pl.DataFrame:
    """Marks (second, plug), a line each."""
    rows = [{"at_utc": t, "plug": plug, "line": k} for k, (t, plug) in enumerate(told)]
    return frame(
        rows,
        *MARK,
        **(
            {
                "evse_id": "e",
                "clock_error_s": 2.0,
                "order": 0,
                "split": False,
                "file_id": "f",
                "source": "pilot",
            }
            | usual
        ),
    )


def times(found: pl.DataFrame) -> list[tuple[float | None, ...]]:
    """(from, to, seen) of spans."""
    return list(
        zip(*(seconds_of(found[c]) for c in ("from_utc", "to_utc", "seen_utc")), strict=True)
    )


def test_a_span_reaches_from_there_to_gone() -> None:
    """From the first mark of a vehicle to the first of its leaving; what says nothing ends nothing.

    Seen last before it left.
    """
    found = spans(
        marks((0, -1), (10, 1), (20, 0), (30, 1), (40, -1), (50, -1), (60, 1)), timedelta(days=14)
    )
    assert times(found) == [(10, 40, 30), (60, None, 60)]
    assert found["began"].to_list() == ["f:1", "f:6"]
    assert found["ended"].to_list() == ["f:4", None]
    assert found["sudden"].to_list() == [False, False]
    assert found["error_s"].to_list() == [2.0, 2.0]


def test_a_record_that_begins_in_the_middle_is_sudden() -> None:
    """Nothing was said of the EVSE before: the first record may not be the plug-in."""
    assert spans(marks((10, 1), (20, -1), (30, 1)), timedelta(days=14))["sudden"].to_list() == [
        True,
        False,
    ]
    assert spans(marks((5, 0), (10, 1)), timedelta(days=14))["sudden"].to_list() == [True]


def test_a_split_or_a_long_silence_begins_a_new_span() -> None:
    """Though no leaving was recorded; the one before stays without an end.

    A silence of just so long does not part.
    """
    two = marks((0, 1), (10, 1), (20, -1)).with_columns(
        split=pl.col("at_utc") == pl.col("at_utc").max() - timedelta(seconds=10)
    )
    assert times(spans(two, timedelta(days=14))) == [(0, None, 0), (10, 20, 10)]
    day = 86_400.0
    assert times(spans(marks((0, 1), (14 * day, 1)), timedelta(days=14))) == [(0, None, 14 * day)]
    assert times(spans(marks((0, 1), (14 * day + 1, 1)), timedelta(days=14))) == [
        (0, None, 0),
        (14 * day + 1, None, 14 * day + 1),
    ]
    assert times(spans(marks((0, 1), (14 * day + 1, 0)), timedelta(days=14))) == [
        (0, None, 14 * day + 1)
    ]


def test_marks_stand_in_order_of_time_arrival_and_line() -> None:
    """Of one instant the order of arrival tells, then the line; EVSEs do not mix."""
    one = marks((0, 1), (10, 1), (10, -1)).with_columns(order=pl.Series([0, 5, 4]))
    assert times(spans(one, timedelta(days=14))) == [(0, 10, 0), (10, None, 10)]
    two = pl.concat([marks((0, 1), (20, -1)), marks((10, 1), (30, -1), evse_id="b")])
    assert spans(two, timedelta(days=14))["evse_id"].to_list() == ["b", "e"]


def span(start: float, end: float | None, seen: float | None = None, **more: Any) -> dict[str, Any]:
    """A span of a source."""
    return {
        "evse_id": "e", "from_utc": start, "to_utc": end, "seen_utc": end if seen is None else seen, "error_s": 2.0,
        "began": "f:1", "ended": None if end is None else "f:9", "sudden": False, "source": "pilot",
    } | more  # fmt: skip


def both(
    best: list[dict[str, Any]],
    other: list[dict[str, Any]],
    tolerance_s: float = 5.0,
    early_s: float = 120.0,
) -> pl.DataFrame:
    """Two sources' spans as one set."""
    columns = tuple(span(0, 0))
    mark = [
        row
        | {"began": "g:1", "ended": row["ended"] and row["ended"].replace("f", "g"), "error_s": 7.0}
        for row in other
    ]
    return merge_spans(
        frame(best, *columns), frame(mark, *columns), tolerance_s, early_s, SETTINGS.later_s
    )


def test_spans_of_two_sources_that_meet_are_one() -> None:
    """The better source's span stays; what meets none of it is added.

    Meeting is within the tolerance, at one EVSE.
    """
    assert times(both([span(100, 200)], [span(99, 205)])) == [(100, 200, 200)]
    assert times(both([span(100, 200)], [span(205, 300)])) == [(100, 200, 200)]
    assert times(both([span(100, 200)], [span(206, 300)])) == [(100, 200, 200), (206, 300, 300)]
    assert times(both([span(100, 200)], [span(0, 94)])) == [(0, 94, 94), (100, 200, 200)]
    assert times(both([span(100, 200)], [span(0, 95)]))[0] != (0, 95, 95)
    assert both([span(100, 200)], [span(100, 200, evse_id="d")])["evse_id"].to_list() == ["d", "e"]


def test_a_span_without_an_end_takes_the_others() -> None:
    """Broken off, it ends when the other source saw it end, and says by which record.

    One that ended before began is none.
    """
    made = both([span(100, None, 150)], [span(101, 200)])
    assert times(made) == [(100, 200, 150)]
    assert made["ended"].to_list() == ["g:9"]
    assert times(both([span(100, None, 150)], [span(90, 98)])) == [(100, None, 150)]
    first = both([span(100, None, 500)], [span(300, 400), span(101, 200, ended="f:7")])
    assert (times(first), first["ended"].to_list()) == ([(100, 200, 500)], ["g:7"])
    assert times(both([span(100, 160, 150)], [span(101, 200)])) == [(100, 160, 150)]


def test_a_span_takes_the_earlier_start_the_other_saw() -> None:
    """More than three seconds and no more than the early time before; a sudden record's start may
    be any time before.

    Only where its own record may lack the plug-in, which its error says: one that saw it (B1 after
    A) stands.
    """
    late = span(1000, 2000, error_s=122.0)
    made = both([late], [span(990, 2000)])
    assert times(made) == [(990, 2000, 2000)]
    assert (made["began"].to_list(), made["error_s"].to_list()) == (["g:1"], [7.0])
    assert times(both([late], [span(997, 2000)])) == [(1000, 2000, 2000)]
    assert times(both([late], [span(996.9, 2000)])) == [(996.9, 2000, 2000)]
    assert times(both([late], [span(880, 2000)])) == [(880, 2000, 2000)]
    assert times(both([late], [span(879, 2000)])) == [(1000, 2000, 2000)]
    assert times(both([late | {"sudden": True}], [span(10, 2000)])) == [(10, 2000, 2000)]
    assert times(both([span(1000, 2000, error_s=4.0)], [span(996, 2000)])) == [(996, 2000, 2000)]
    assert times(both([span(1000, 2000, error_s=4.0)], [span(995.9, 2000)])) == [(1000, 2000, 2000)]


def test_an_earlier_start_does_not_reach_into_the_span_before() -> None:
    """What began while the vehicle before was there is not this one's beginning."""
    best = [span(0, 950), span(1000, 2000, error_s=122.0)]
    assert times(both(best, [span(949, 2000)])) == [(0, 950, 950), (1000, 2000, 2000)]
    assert times(both(best, [span(951, 2000)])) == [(0, 950, 950), (951, 2000, 2000)]


def test_a_lost_leaving_is_told_by_the_other_source() -> None:
    """On before and on again just when the other saw one leave and one come: a split.

    Not if it left or began later itself.
    """
    other = frame([span(0, 500), span(600, 900)])

    def split(*told: tuple[float, int]) -> list[bool]:
        return split_spans(marks(*told), other, 5.0).sort("line")["split"].to_list()

    assert split((0, 1), (601, 1)) == [False, True]
    assert split((0, 1), (605, 1)) == [False, True]
    assert split((0, 1), (606, 1)) == [False, False]
    assert split((0, 1), (505, 1), (601, 1)) == [False, False, True]
    assert split((0, 1), (506, 1), (601, 1)) == [False, False, False]
    assert split((0, 1), (499, -1), (601, 1)) == [False, False, False]
    assert split((0, -1), (100, 0), (601, 1)) == [False, False, False]
    assert split((0, 1), (100, 0), (601, 1)) == [False, False, True]
    assert split((0, 1), (601, 0)) == [False, False]
    close = frame([span(0, 500), span(504, 900)])
    assert not split_spans(marks((0, 1), (504, 1)), close, 5.0)["split"].any()
    just = frame([span(0, 500), span(505, 900)])
    assert split_spans(marks((0, 1), (505, 1)), just, 5.0)["split"].sum() == 1
    kept = split_spans(marks((0, 1), (601, 1), split=True), other, 5.0)
    assert kept["split"].all()
    assert kept.columns == list(MARK)


def fall(*seconds: float, before: float = 10.0, after: float = 20.0) -> dict[float, int]:
    """Which of two plug-ins (100 to 200, 250 to 300 with no end) rows fall in."""
    plug_ins = frame([
        {"evse_id": "e", "plug_in": 1, "from_utc": 100, "to_utc": 200, "seen_utc": 200, "bound_utc": 200},
        {"evse_id": "e", "plug_in": 2, "from_utc": 250, "to_utc": None, "seen_utc": 280, "bound_utc": 300},
    ])  # fmt: skip
    rows = frame([{"at_utc": t, "evse_id": e} for t in seconds for e in ("e", None)])
    made = assigned(rows, plug_ins, before, after)
    return dict(zip(seconds_of(made["at_utc"]), made["plug_in"], strict=True))  # type: ignore[arg-type]


def test_a_record_belongs_to_the_plug_in_it_falls_in() -> None:
    """From so long before its start to so long after its end, limits included.

    Without an end, after its bound.
    """
    assert fall(89.9, 90, 100, 220, 221, 239, 240, 320, 320.1) == {
        90: 1,
        100: 1,
        220: 1,
        240: 2,
        320: 2,
    }


def test_what_came_while_the_vehicle_before_was_there_is_that_ones() -> None:
    """However far the next one reaches back, it begins after the last instant of the one before."""
    assert fall(150, 200, 200.000_001, 240, before=100) == {150: 1, 200: 1, 200.000_001: 2, 240: 2}


def pairs(left: tuple[float, float], right: tuple[float, float], by: str = "e") -> int:
    """How often two spans meet."""
    one = frame([{"evse_id": "e", "from_utc": left[0], "to_utc": left[1]}])
    two = frame([{"evse_id": by, "from_utc": right[0], "to_utc": right[1]}]).rename(
        {"from_utc": "c", "to_utc": "d"}
    )
    return len(
        meeting(
            one,
            two,
            "evse_id",
            ((pl.col("from_utc"), pl.col("to_utc")), (pl.col("c"), pl.col("d"))),
        )
    )


def test_closed_spans_meet_once_however_many_days_they_share() -> None:
    """Touching is meeting; a pair that shares many days is one pair; other EVSEs do not meet."""
    day = 86_400.0
    assert pairs((0, 10), (10, 20)) == 1
    assert pairs((10, 20), (0, 10)) == 1
    assert pairs((0, 10), (10.000_001, 20)) == 0
    assert pairs((10.000_001, 20), (0, 10)) == 0
    assert pairs((0, 9 * day), (2 * day, 5 * day)) == 1
    assert pairs((2 * day, 5 * day), (0, 9 * day)) == 1
    assert pairs((0, 9 * day), (0, 9 * day), by="d") == 0
    assert pairs((0, 0), (0, 0)) == 1
    assert pairs((-day, day), (3 * day, 4 * day)) == 0


@pytest.mark.parametrize(
    ("state", "plug", "error"),
    [
        ("A1", -1, 122.0),
        ("B1", 1, 2.0),
        ("B2", 1, 122.0),
        ("C1", 1, 122.0),
        ("D2", 1, 122.0),
        ("E", 0, 122.0),
        ("F", 0, 122.0),
    ],
)
def test_what_a_pilot_state_says(state: str, plug: int, error: float) -> None:
    """IEC 61851-1 (secondary source): A no vehicle, B C D one, E F say nothing.

    Only B1 shows the plug-in itself.
    """
    row = {
        "pilot_state": state,
        "at_utc": 0,
        "line": 3,
        "file_id": "f",
        "clock_error_s": 2.0,
        "evse_id": "e",
    }
    made = pilot_events(frame([row]), 120.0).row(0, named=True)
    assert (made["plug"], made["clock_error_s"], made["split"], made["order"]) == (
        plug,
        error,
        False,
        3,
    )
    assert made["source"] == "pilot"


SIGNAL = (
    "evse_id", "station_id", "at_utc", "receiver_at_utc", "clock_error_s", "action", "status", "event_type", "charging_state",
    "trigger_reason", "stop_reason", "id_token", "id_token_status", "transaction_id", "file_id", "line",
)  # fmt: skip


def said(*rows: dict[str, Any]) -> pl.DataFrame:
    """Marks of messages."""
    usual = {
        "evse_id": "e",
        "station_id": "st1",
        "clock_error_s": 2.0,
        "file_id": "f",
        "version": "2.0.1",
    }
    lined = [{"line": k, "receiver_at_utc": row["at_utc"]} | row for k, row in enumerate(rows)]
    return signal_events(frame(lined, *SIGNAL, **usual), SETTINGS).sort("line")


def status(t: float, word: str, **more: Any) -> dict[str, Any]:
    """A StatusNotification."""
    return {"at_utc": t, "action": "StatusNotification", "status": word} | more


def event(t: float, kind: str, **more: Any) -> dict[str, Any]:
    """A TransactionEvent."""
    return {
        "at_utc": t,
        "action": "TransactionEvent",
        "event_type": kind,
        "transaction_id": "a",
    } | more


def start(t: float, card: str = "T1", **more: Any) -> dict[str, Any]:
    """A StartTransaction."""
    return {
        "at_utc": t,
        "action": "StartTransaction",
        "id_token": card,
        "transaction_id": str(t),
    } | more


def stop(t: float, **more: Any) -> dict[str, Any]:
    """A StopTransaction."""
    return {"at_utc": t, "action": "StopTransaction"} | more


@pytest.mark.parametrize(
    ("row", "plug"),
    [
        *(
            (status(0, word), 1)
            for word in ("Preparing", "Charging", "SuspendedEV", "SuspendedEVSE", "Occupied")
        ),
        *((status(0, word), -1) for word in ("Available", "Reserved")),
        *((status(0, word), 0) for word in ("Finishing", "Faulted", "Unavailable")),
        (start(0), 1),
        (stop(0), 0),
        (stop(0, stop_reason="EVDisconnected"), -1),
        (stop(0, stop_reason="Local"), 0),
        (event(0, "Ended", stop_reason="EVDisconnected"), -1),
        (event(0, "Updated", trigger_reason="EVDeparted"), -1),
        (event(0, "Updated", charging_state="Idle"), -1),
        (event(0, "Started", charging_state="Idle"), 0),
        (event(0, "Updated", charging_state="EVConnected"), 1),
        (event(0, "Updated", charging_state="SuspendedEVSE"), 1),
        (event(0, "Ended", charging_state="EVConnected"), 0),
        (event(0, "Started", trigger_reason="CablePluggedIn"), 1),
        (event(0, "Started", trigger_reason="EVDetected"), 1),
        (event(0, "Updated", trigger_reason="Authorized"), 0),
        ({"at_utc": 0, "action": "Heartbeat", "status": "Preparing"}, 0),
        ({"at_utc": 0, "action": "MeterValues", "trigger_reason": "EVDeparted"}, 0),
    ],
)
def test_what_a_message_says_of_a_vehicle(row: dict[str, Any], plug: int) -> None:
    """OCPP 1.6 statuses and 2.0.1 charging states and trigger reasons (published schemas).

    There, gone, or no word of it.
    """
    assert said(row).select("plug", "source").rows() == [(plug, "ocpp201")]


def test_only_the_plug_ins_own_message_is_as_exact_as_the_clock() -> None:
    """What begins with a transaction may lack the plug-in: its error is larger by the time a card
    is shown first.

    A 2.0.1 transaction tells of the plug-in where the cable, not the card, triggered the message.
    """
    cable, card = (
        event(2, "Started", charging_state="EVConnected", trigger_reason=t)
        for t in ("CablePluggedIn", "Authorized")
    )
    rows = (status(0, "Preparing"), status(1, "Occupied"), cable, card, start(3))
    assert said(*rows, status(4, "Charging"))["clock_error_s"].to_list() == [
        2.0,
        2.0,
        2.0,
        122.0,
        122.0,
        122.0,
    ]


def splits(*rows: dict[str, Any]) -> list[int]:
    """Seconds of the marks that begin a new plug-in."""
    made = said(*rows)
    return [
        int(t or 0)
        for t, split in zip(seconds_of(made["at_utc"]), made["split"], strict=True)
        if split
    ]


@pytest.mark.parametrize("state", ["Charging", "SuspendedEV", "SuspendedEVSE"])
def test_a_session_does_not_go_back_to_preparing(state: str) -> None:
    """OCPP 1.6, 4.9: C2, D2 and E2 are no moves; B2 after a fault is.

    After a restart going back says nothing.
    """
    assert splits(status(0, state), status(100, "Preparing")) == [100]
    assert splits(status(0, "Faulted"), status(100, "Preparing")) == []
    boot = {"at_utc": 50, "action": "BootNotification", "evse_id": None}
    assert splits(status(0, state), boot, status(100, "Preparing")) == []
    assert splits(status(0, state), boot | {"at_utc": -50}, status(100, "Preparing")) == [100]
    assert splits(status(0, state), boot | {"station_id": "st2"}, status(100, "Preparing")) == [100]


def test_finishing_then_preparing_is_a_retry_when_soon_and_with_the_same_card() -> None:
    """Within 900 s (setting) and no other card before the vehicle leaves."""
    done = (start(0), status(10, "Charging"), status(100, "Finishing"))
    assert splits(*done, status(1000, "Preparing")) == []
    assert splits(*done, status(1001, "Preparing")) == [1001]
    assert splits(*done, status(200, "Preparing"), start(210)) == []
    assert splits(*done, status(200, "Preparing"), start(210, "T2")) == [200]
    assert splits(*done, status(200, "Preparing"), status(205, "Available"), start(210, "T2")) == []


def test_what_begins_offline_after_a_stop_is_another_plug_in() -> None:
    """No status since the start (offline).

    A Preparing after five seconds, a start later than a retry or with another card.
    """
    offline = (start(0), stop(100))
    assert splits(*offline, status(105, "Preparing")) == []
    assert splits(*offline, status(105.1, "Preparing")) == [105]
    assert splits(*offline, start(1000)) == []
    assert splits(*offline, start(1001)) == [1001]
    assert splits(*offline, start(200, "T2")) == [200]
    assert splits(start(0), status(10, "Charging"), stop(100), start(1001)) == []
    assert splits(start(0), start(1001)) == []
    assert splits(status(-10, "Available"), *offline, start(1001)) == [1001]


def test_a_transaction_that_starts_with_the_cable_is_a_new_plug_in() -> None:
    """2.0.1: another transaction begun by the cable while the last was never seen to leave.

    After a leaving it splits nothing.
    """
    first = event(0, "Started", trigger_reason="CablePluggedIn")
    again = event(500, "Started", trigger_reason="CablePluggedIn", transaction_id="b")
    assert splits(first, again) == [500]
    assert splits(first, again | {"trigger_reason": "EVDetected"}) == [500]
    assert splits(first, again | {"trigger_reason": "Authorized"}) == []
    assert splits(first, again | {"event_type": "Updated"}) == []
    assert splits(first, again | {"transaction_id": "a"}) == []
    left = event(400, "Updated", trigger_reason="EVDeparted")
    assert splits(first, left, again) == []
    assert splits(first, left, event(450, "Updated", transaction_id="a"), again) == [500]
