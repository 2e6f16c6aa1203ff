"""Sources put together field by field: whose word counts where several speak."""

# ruff: noqa: S105, S106

from __future__ import annotations

from typing import Any

import polars as pl
import pytest

from pipeline.normalise.attempts.assemble import Evidence, doubts, find, merged, rated, sources
from pipeline.normalise.clocks.eras import CHANGE_ERROR_S, UNKNOWN_ERROR_S
from pipeline.registry import polars_schema
from pipeline.settings.normalise import NormaliseSettings
from tests.normalise.rows import frame, seconds_of
from tests.normalise.world import World, at, attempts

SETTINGS = NormaliseSettings()
FACTS = (
    "plug_in", "began", "ended", "unplugged_at_utc", "seen_utc", "clock_error_s", "fault_utc", "fault", "fault_raw", "lasting",
    "fault_at", "warning_at_utc", "warning_raw", "cut_utc", "stopped_utc", "stop_reason", "suspended_evse", "metered_kwh",
    "flow_utc",     "delivering_utc", "started_token", "shown_token", "export_token", "export_vehicle",
    "export_kwh", "export_stop", "export_trouble",
    "export_fault", "export_raw", "told_at", "pilot_doubt", "time_doubt", "source", "pilot_low_samples",
)  # fmt: skip


def one(**facts: Any) -> dict[str, Any]:
    """A plug-in's facts put together; times in seconds."""
    usual = {
        "plug_in": 1,
        "began": "f:1",
        "ended": "f:2",
        "unplugged_at_utc": 100,
        "seen_utc": 90,
        "clock_error_s": 2.0,
        "source": "pilot",
    }
    made = merged(frame([facts], *FACTS, **usual), SETTINGS).row(0, named=True)
    return {
        name: seconds_of(pl.Series([v]))[0] if name.endswith("_utc") else v
        for name, v in made.items()
    }


def test_the_stations_own_word_goes_before_the_exports() -> None:
    """Energy, card and stop reason; the export's where the station said none.

    Its vehicle in any case.
    """
    told = {
        "export_kwh": 3.0,
        "export_token": "T9",
        "export_stop": "Remote",
        "export_vehicle": "v9",
        "told_at": "x:1",
    }
    row = one(**told)
    assert (row["energy_kwh"], row["id_token"], row["stop_reason"], row["vehicle_id"]) == (
        3.0,
        "T9",
        "Remote",
        "v9",
    )
    assert row["stopped_utc"] == 100
    row = one(**told, metered_kwh=2.0, shown_token="T1", stop_reason="Local", stopped_utc=80)
    assert (row["energy_kwh"], row["id_token"], row["stop_reason"], row["stopped_utc"]) == (
        2.0,
        "T1",
        "Local",
        80,
    )
    assert one(**told, shown_token="T1", started_token="T2")["id_token"] == "T2"
    assert one()["stopped_utc"] is None
    assert row["lineage"] == ["f:1", "f:2", "x:1"]
    assert one(began="x:1", ended="x:1", told_at="x:1", fault_at="f:7")["lineage"] == ["x:1", "f:7"]


def test_an_exports_fault_counts_where_the_station_told_none() -> None:
    """At the end of the plug-in, lasting.

    A fault the station told stands with its own time and name.
    """
    told = {"export_trouble": True, "export_fault": "PilotFault", "export_raw": "negative level"}
    row = one(**told, lasting=False)
    assert (row["fault_utc"], row["fault"], row["fault_raw"], row["lasting"]) == (
        100,
        "PilotFault",
        "negative level",
        True,
    )
    assert one(**told, unplugged_at_utc=None)["fault_utc"] == 90
    row = one(**told, fault_utc=30, fault="GroundFailure", fault_raw="earth", lasting=False)
    assert (row["fault_utc"], row["fault"], row["fault_raw"], row["lasting"]) == (
        30,
        "GroundFailure",
        "earth",
        False,
    )
    row = one(**(told | {"export_trouble": False}), lasting=False)
    assert (row["fault_utc"], row["fault"], row["lasting"]) == (None, None, False)


def test_an_odd_stop_of_an_export_is_a_sign() -> None:
    """The station ended it without saying why.

    At the plug-in's end, unless the station's record has a sign of its own.
    """
    row = one(export_stop="Reboot")
    assert (row["warning_at_utc"], row["warning_raw"]) == (100, "Reboot")
    assert one(export_stop="Reboot", unplugged_at_utc=None)["warning_at_utc"] == 90
    row = one(export_stop="Reboot", warning_at_utc=50, warning_raw="own")
    assert (row["warning_at_utc"], row["warning_raw"]) == (50, "own")
    assert one(export_stop="Local")["warning_at_utc"] is None


@pytest.mark.parametrize(
    ("facts", "sign"),
    [
        ({}, 60),
        ({"stopped_utc": 70, "stop_reason": "Local"}, None),
        ({"stopped_utc": 50, "stop_reason": "Local"}, None),
        ({"stopped_utc": 70.1, "stop_reason": "Local"}, 60),
        ({"stopped_utc": 49.9, "stop_reason": "Local"}, 60),
        ({"stopped_utc": 60, "stop_reason": "Other"}, 60),
        ({"stopped_utc": 60}, None),
        ({"suspended_evse": True}, None),
        ({"warning_at_utc": 80, "warning_raw": "own"}, 80),
    ],
)
def test_an_offer_taken_back_is_a_sign_unless_it_was_meant(
    facts: dict[str, Any], sign: float | None
) -> None:
    """Stopped on purpose within ten seconds (no reason is Local: OCPP 1.6, 4.10), or paused.

    A sign of its own goes before.
    """
    row = one(cut_utc=60, **facts)
    assert row["warning_at_utc"] == sign
    assert row["warning_raw"] == {60: "offer taken back by the EVSE", 80: "own", None: None}[sign]


def test_doubt_of_the_time_is_told() -> None:
    """No clock first, then the pilot's doubt, then an export's where it stands alone.

    An hour's doubt widens the error.
    """
    assert one()["time_doubt"] is None
    assert one(clock_error_s=UNKNOWN_ERROR_S, pilot_doubt="fold")["time_doubt"] == "no_clock"
    row = one(pilot_doubt="fold", time_doubt="gap", source="export")
    assert (row["time_doubt"], row["clock_error_s"]) == ("fold", CHANGE_ERROR_S)
    assert one(pilot_doubt="fold", clock_error_s=9000.0)["clock_error_s"] == 9000.0
    assert one(time_doubt="gap", source="export")["time_doubt"] == "gap"
    assert one(time_doubt="gap", source="export+pilot")["time_doubt"] is None
    assert one()["clock_error_s"] == 2.0
    assert one()["pilot_low_samples"] == 0
    assert one(pilot_low_samples=4)["pilot_low_samples"] == 4


def test_what_flowed_first_counts() -> None:
    """Samples of power and the register, whichever told first."""
    assert one(flow_utc=10, delivering_utc=20)["flow_utc"] == 10
    assert one(flow_utc=20, delivering_utc=10)["flow_utc"] == 10
    assert one(delivering_utc=20)["flow_utc"] == 20


def shape(table: str, rows: list[dict[str, Any]]) -> pl.DataFrame:
    """Rows in a declared shape."""
    schema = dict(polars_schema(table))
    return pl.DataFrame(
        [{n: row.get(n) for n in schema} for row in rows], schema=schema, orient="row"
    )


def test_every_source_that_told_of_it_is_named_once() -> None:
    """In order of name, the one that made it always among them."""
    plug_ins = frame([{"plug_in": 1, "source": "pilot"}, {"plug_in": 2, "source": "export"}])
    messages = frame(
        [
            {"plug_in": 1, "version": "2.0.1"},
            {"plug_in": 1, "version": "2.0.1"},
            {"plug_in": 1, "version": "1.6"},
        ]
    )
    pilot = frame([{"plug_in": 1}])
    there = Evidence(pilot, messages, pilot, frame([{"plug_in": 1}]))
    found = dict(sources(there, plug_ins).rows())
    assert found == {1: "export+ocpp16+ocpp201+pilot", 2: "export"}


def test_a_doubtful_pilot_row_matters_where_it_began_or_ended_a_plug_in() -> None:
    """By file and line; rows between say nothing of the plug-in's times."""
    pilot = frame(
        [
            {"file_id": "f", "line": k, "time_doubt": d}
            for k, d in ((1, "fold"), (2, None), (3, "gap"), (4, "fold"))
        ]
    )
    plug_ins = frame(
        [
            {"plug_in": 1, "began": "f:1", "ended": "f:2"},
            {"plug_in": 2, "began": "f:2", "ended": "f:3"},
            {"plug_in": 3, "began": "g:4", "ended": "f:2"},
        ]
    )
    assert sorted(doubts(pilot, plug_ins).rows()) == [(1, "fold"), (2, "gap")]


def test_the_rating_is_the_evses() -> None:
    """Unknown where the EVSE is not listed; a row a plug-in."""
    evses = pl.DataFrame({"evse_id": ["e"], "max_power_kw": [22.0]})
    made = rated(frame([{"plug_in": 1, "evse_id": "e"}, {"plug_in": 2, "evse_id": "x"}]), evses)
    assert made.select("plug_in", "limit_kw").rows() == [(1, 22.0), (2, None)]


def test_a_plug_in_without_an_end_is_bound_by_a_retrys_time_or_the_next() -> None:
    """Fifteen minutes after it was last seen (setting), or when the next begins.

    One that ended, by its end.
    """
    marks_ = [
        {"evse_id": "e", "from_utc": a, "to_utc": b, "seen_utc": s}
        for a, b, s in ((0, None, 100), (5000, None, 5100), (5500, 6000, 5900))
    ]
    told = frame(marks_, error_s=60.0, began="x:1", ended="x:1", sudden=False).with_columns(
        error_s=pl.lit(60.0)
    )
    signal = shape("core_signal", [{"station_id": "st1"}]).clear()
    pilot = shape("core_pilot", [{"station_id": "st1"}]).clear()
    extra = (
        [pl.lit(None, dtype=pl.Datetime("us", "UTC")).alias("receiver_at_utc")]
        if "receiver_at_utc" not in signal.columns
        else []
    )
    found = find(Evidence(pilot, signal.with_columns(extra), pilot, told), SETTINGS)
    assert seconds_of(found["bound_utc"]) == [1000, 5500, 6000]
    assert found["source"].to_list() == ["export"] * 3
    assert found["plug_in"].to_list() == [0, 1, 2]


def test_a_card_shown_before_the_plug_in_and_a_stop_after_it_are_its() -> None:
    """A transaction may begin two minutes before the vehicle is plugged in, a stop come half a
    minute after it left.
    """
    world = World()
    world.evse()
    world.token("T1", "v1")
    world.status(-600, "Available")
    world.pilot(-600, "A1")
    world.start(-110)
    world.pilot(0, "B1")
    world.pilot(8, "B2", low=-12.0)
    world.pilot(20, "C2", "closed", low=-12.0)
    world.pilot(1000, "A1")
    world.stop(1025, 5000, "EVDisconnected")
    row = attempts(world).row(0, named=True)
    assert (row["vehicle_id"], row["outcome"], row["energy_kwh"]) == ("v1", "charged", 4.0)
    assert row["plugged_at_utc"] == at(0)


@pytest.mark.parametrize("before", [{"status": "Preparing"}, {}])
def test_the_pilot_tells_when_the_vehicle_came_though_the_card_was_first(
    before: dict[str, str],
) -> None:
    """OCPP 1.6 goes to Preparing, or begins the transaction, by the card alone.

    The pilot left state A later (contract).
    """
    world = World()
    world.evse()
    world.token("T1", "v1")
    world.status(-600, "Available")
    world.pilot(-600, "A1")
    if before:
        world.status(1, before["status"])
    else:
        world.start(1)
    world.pilot(60, "B1")
    world.pilot(1000, "A1")
    world.status(1001, "Available")
    made = attempts(world)
    assert len(made) == 1
    assert made["plugged_at_utc"].item() == at(60)


@pytest.mark.parametrize("action", ["RemoteStartTransaction", "RequestStartTransaction"])
def test_a_remote_start_shows_the_card(action: str) -> None:
    """OCPP 1.6 and 2.0.1: the centre's own call names the token, and no connector.

    It is of the plug-in that waits.
    """
    world = World()
    world.evse()
    world.token("T1", "v1")
    world.status(0, "Preparing")
    base = {"station_id": "st1", "version": "1.6", "message_id": "remote"}
    world.add(
        "raw_frame",
        receiver_at_utc=at(10),
        direction="out",
        message_type=2,
        action=action,
        id_token="T1",
        **base,
    )
    world.add(
        "raw_frame",
        receiver_at_utc=at(10.2),
        direction="in",
        message_type=3,
        status="Accepted",
        **base,
    )
    world.status(90, "Available")
    made = attempts(world)
    assert made.select("id_token", "vehicle_id").rows() == [("T1", "v1")]
