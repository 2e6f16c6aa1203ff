"""An EVSE that never offers, a vehicle that broke off by its own fault, a battery full by its own past, signs that passed."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import polars as pl
import pytest

from pipeline.normalise.attempts.outcome import outcome
from pipeline.normalise.attempts.progress import authorisation, recovered
from pipeline.normalise.attempts.still_full import with_full_before
from pipeline.settings.normalise import NormaliseSettings
from tests.normalise.rows import frame
from tests.normalise.test_outcome_parts import CLOSED, FACTS, FAULT, OFFERED, USUAL
from tests.normalise.world import at

SETTINGS = NormaliseSettings()


def told(**facts: Any) -> dict[str, Any]:
    """What became of one plug-in."""
    return outcome(frame([facts], *FACTS, **USUAL), SETTINGS).row(0, named=True)


KEPT = {"authorised_utc": 10, "unplugged_at_utc": 70}


@pytest.mark.parametrize(
    ("facts", "want"),
    [
        pytest.param(KEPT, "failed", id="kept in B1 for a minute"),
        pytest.param(KEPT | {"unplugged_at_utc": 69.9}, "abandoned", id="left sooner"),
        pytest.param(KEPT | {"authorised_utc": -600}, "failed", id="the card came long before"),
        pytest.param(
            KEPT | {"authorised_utc": -600, "unplugged_at_utc": 59}, "abandoned", id="and it left"
        ),
        pytest.param(KEPT | {"authorised_utc": None}, "abandoned", id="no card"),
        pytest.param(KEPT | {"suspended_evse": True}, "abandoned", id="held back on purpose"),
        pytest.param(KEPT | {"suspended_ev": True}, "abandoned", id="the station says it waits"),
        pytest.param(KEPT | {"level": 1, "offered_utc": 10}, "not_requested", id="offered"),
        pytest.param(KEPT | {"source": "ocpp16"}, "abandoned", id="no pilot record"),
        pytest.param(KEPT | {"refused": True}, "declined", id="refused after all"),
        pytest.param(KEPT | {"energy_kwh": 0.6}, "charged", id="the meter rose"),
    ],
)
def test_authorised_and_never_offered_is_the_evses_failure(
    facts: dict[str, Any], want: str
) -> None:
    """B1 is the EVSE not ready (IEC 61851-1 Table A.2, secondary): a minute of it after the card is a technical failure."""
    row = told(**facts)
    assert (row["outcome"], row["fault"], row["early_b"]) == (want, None, False)
    if want == "failed":
        assert row["stage"] == "plugged"


BROKE = CLOSED | {"energy_kwh": 3.0, "ev_suspended_at_utc": 900, "vehicle_fault": True}


@pytest.mark.parametrize(
    ("facts", "want"),
    [
        pytest.param({"vehicle_fault_utc": 900}, "failed", id="at once"),
        pytest.param({"vehicle_fault_utc": 1080}, "failed", id="three minutes after"),
        pytest.param({"vehicle_fault_utc": 720}, "failed", id="three minutes before"),
        pytest.param({"vehicle_fault_utc": 1081}, "charged", id="later"),
        pytest.param({"vehicle_fault_utc": 900, "ev_suspended_at_utc": None}, "charged", id="on"),
        pytest.param({"vehicle_fault_utc": 900, "soc_leave_pct": 99.0}, "charged", id="full"),
    ],
)
def test_a_charge_fault_with_which_the_vehicle_stopped_ended_it(
    facts: dict[str, Any], want: str
) -> None:
    """Contract: a fault after delivery is failed, delivering; reports come to the minute or so (practice)."""
    row = told(**BROKE | facts)
    assert (row["outcome"], row["stage"]) == (want, "delivering")


def test_full_by_its_past_asks_no_more_than_full_by_its_word() -> None:
    """Let go within a minute and full before: not asked for. Without letting go it explains nothing."""
    brief = CLOSED | {"energy_kwh": 0.0, "ev_suspended_at_utc": 80, "let_go_utc": 80}
    assert told(**brief)["outcome"] == "failed"
    assert told(**brief, full_before=True)["outcome"] == "not_requested"
    idle = CLOSED | {"energy_kwh": 0.0, "stopped_utc": 620, "full_before": True}
    assert told(**idle)["outcome"] == "failed"
    assert told(full_before=True, unplugged_at_utc=20)["outcome"] == "abandoned"


PAST = {
    "vehicle_id": "v", "plugged_at_utc": 0, "unplugged_at_utc": 20_000, "energy_kwh": 9.0,
    "ev_suspended_at_utc": 10_000,
}  # fmt: skip
HERE = {
    "vehicle_id": "v", "plugged_at_utc": 23_600, "unplugged_at_utc": 30_000, "energy_kwh": 0.0,
    "ev_suspended_at_utc": 23_610,
}  # fmt: skip
LATER = {"vehicle_id": "v", "unplugged_at_utc": 50_000, "energy_kwh": 5.0}


@pytest.mark.parametrize(
    ("past", "here", "later", "full"),
    [
        pytest.param({}, {}, None, True, id="an hour away, rested"),
        pytest.param({}, {"plugged_at_utc": 23_601}, None, False, id="away for longer"),
        pytest.param({"ev_suspended_at_utc": 19_100}, {}, None, True, id="rested a quarter"),
        pytest.param({"ev_suspended_at_utc": 19_101}, {}, None, False, id="hardly rested"),
        pytest.param({"ev_suspended_at_utc": None}, {}, None, False, id="ended by the driver"),
        pytest.param({"fault_utc": 9_000}, {}, None, False, id="ended by a fault"),
        pytest.param({"vehicle_fault": True}, {}, None, False, id="ended by its own fault"),
        pytest.param({"energy_kwh": 0.0}, {}, None, False, id="had charged nothing"),
        pytest.param({"vehicle_id": "w"}, {}, None, False, id="another vehicle"),
        pytest.param({"soc_leave_pct": 60.0}, {}, None, False, id="left half full"),
        pytest.param({"soc_leave_pct": 95.0}, {}, None, True, id="left nearly full"),
        pytest.param({}, {"soc_plug_pct": 94.9}, None, False, id="comes less than full"),
        pytest.param({}, {}, {"plugged_at_utc": 33_600}, False, id="charges soon after"),
        pytest.param({}, {}, {"plugged_at_utc": 33_601}, True, id="charges in the evening"),
        pytest.param({"unplugged_at_utc": None, "seen_utc": 20_000}, {}, None, True, id="seen"),
    ],
)
def test_full_before(
    past: dict[str, Any], here: dict[str, Any], later: dict[str, Any] | None, *, full: bool
) -> None:
    """Facts, H4: full speaks for the driver's wish; a low charge, or charging soon after, for a fault. Bounds decided."""
    rows = [HERE | here, PAST | past, *([LATER | later] if later else [])]
    columns = ("seen_utc", "fault_utc", "vehicle_fault", "soc_plug_pct", "soc_leave_pct")
    made = with_full_before(frame(rows, *columns), SETTINGS)
    assert made["full_before"].to_list()[0] is full
    assert made.columns == [*frame(rows, *columns).columns, "full_before"]
    assert made["plugged_at_utc"].to_list()[0] == at((HERE | here)["plugged_at_utc"])


MOMENT = {"plug_in": 1, "fault": None, "strength": 0, "cut": False, "tells_state": True}


@pytest.mark.parametrize(
    ("rows", "left"),
    [
        pytest.param([(5, 0, 1), (10, 1, 0)], [0, 0], id="offered for a minute after"),
        pytest.param([(5, 0, 1), (10.5, 1, 0)], [1, 0], id="for less"),
        pytest.param([(5, 0, 1)], [1], id="nothing after"),
        pytest.param([(1, 2, 0), (5, 0, 1), (10, 1, 0)], [0, 1, 0], id="it had asked before"),
        pytest.param([(1, 1, 0), (5, 0, 1), (9, 0, 0)], [0, 1, 0], id="not offered again"),
        pytest.param([(5, 0, 2), (10, 1, 0)], [2, 0], id="a fault stays"),
        pytest.param([(5, 0, 1), (8, 0, 2), (10, 1, 0)], [0, 2, 0], id="a sign before a fault"),
        pytest.param([(5, 0, 1), (10, 1, 0), (20, 0, 1)], [1, 0, 1], id="and again"),
    ],
)
def test_a_sign_passed_where_the_vehicle_was_offered_current_after_it(
    rows: list[tuple[float, int, int]], left: list[int]
) -> None:
    """Until 70 s; a minute of an offer without trouble is a chance to charge (decided, as waiting_s)."""
    moments = frame([MOMENT | {"at_utc": t, "level": k, "strength": s} for t, k, s in rows])
    ends = pl.DataFrame(
        {"plug_in": [1], "end_utc": [at(70)]}, schema_overrides={"plug_in": pl.Int64}
    )
    made = recovered(moments, ends, 60.0)
    assert made["strength"].to_list() == left
    assert made.columns == moments.columns


def test_an_offer_taken_back_and_made_again_passed() -> None:
    """The digital offer before the analogue one; what is told by no state of the EVSE ends no trouble."""
    back = MOMENT | {"at_utc": 5, "level": 0, "cut": True}
    again = MOMENT | {"at_utc": 9, "level": 1}
    ends = pl.DataFrame({"plug_in": [1], "end_utc": [at(0) + timedelta(hours=1)]}, schema_overrides={"plug_in": pl.Int64})  # fmt: skip
    assert recovered(frame([back, again]), ends, 60.0)["cut"].to_list() == [False, False]
    card = again | {"tells_state": False}
    assert recovered(frame([back, card]), ends, 60.0)["cut"].to_list() == [True, False]


def test_authorised_is_the_first_acceptance() -> None:
    """A card answered Accepted, or a transaction begun; one refused or not answered is none."""
    columns = (
        "plug_in", "receiver_at_utc", "file_id", "line", "action", "id_token", "id_token_status", "event_type", "trigger_reason",
        "charging_state", "status", "stop_reason", "answer", "answers_seen", "transaction_id", "at_utc", "version",
    )  # fmt: skip
    shown = {"plug_in": 1, "action": "Authorize", "id_token": "T", "version": "1.6"}
    rows = [
        shown | {"at_utc": 1, "id_token_status": "Blocked"},
        shown | {"at_utc": 2},
        shown | {"at_utc": 3, "id_token_status": "Accepted"},
        shown | {"at_utc": 4, "action": "StartTransaction", "transaction_id": "7"},
    ]
    found = [authorisation(frame(r, *columns))["authorised_utc"][0] for r in (rows, rows[:2], rows[3:])]  # fmt: skip
    assert found == [at(3), None, at(4)]


def test_the_fault_wins_over_an_offer_never_made() -> None:
    """A fault in B1 is told as that fault."""
    row = told(**KEPT | FAULT | {"level_at_fault": 0})
    assert (row["outcome"], row["fault"]) == ("failed", "GroundFailure")
    assert told(**OFFERED | {"authorised_utc": 10})["outcome"] == "not_requested"
