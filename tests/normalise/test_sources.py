"""The other sources.

OCPP 2.0.1, finished-session exports, the vehicle's own reports, tokens that move.
"""

# ruff: noqa: S106

from __future__ import annotations

import pytest

from pipeline.normalise import normalise
from pipeline.settings.normalise import NormaliseSettings
from pipeline.storage.warehouse import read
from tests.normalise.test_attempts import charge, diode, one, station
from tests.normalise.world import World, at, attempts, warehouse


def test_a_session_of_ocpp_201_is_charged() -> None:
    """TransactionEvents alone, the connector named in the first only, tell plug-in, energy, vehicle
    and unplugging.
    """
    world = station(version="2.0.1")
    world.event(0, "Started", "CablePluggedIn", 0, connector_id=1, charging_state="EVConnected")
    world.event(
        10, "Updated", "Authorized", 1, id_token="T1", said="Accepted", charging_state="EVConnected"
    )
    world.event(12, "Updated", "ChargingStateChanged", 2, charging_state="Charging")
    world.meter(20, 0, tx="a")
    world.meter(3000, 9000, tx="a")
    world.event(3100, "Updated", "ChargingStateChanged", 3, charging_state="SuspendedEV")
    world.event(4000, "Ended", "EVDeparted", 4, charging_state="Idle", stop_reason="EVDisconnected")
    world.call(4001, "StatusNotification", answer={}, status="Available", connector_id=1)
    row = one(world)
    assert (row["outcome"], row["stage"], row["vehicle_id"], row["source"]) == (
        "charged",
        "delivering",
        "v1",
        "ocpp201",
    )
    assert row["energy_kwh"] == pytest.approx(9.0)
    assert abs((row["unplugged_at_utc"] - at(4000)).total_seconds()) <= row["clock_error_s"]


def test_a_tech_code_names_the_fault_of_a_201_station() -> None:
    """2.0.1's Faulted carries no code: the NotifyEvent beside it does."""
    world = station(version="2.0.1")
    world.event(0, "Started", "CablePluggedIn", 0, connector_id=1, charging_state="EVConnected")
    world.event(
        10, "Updated", "Authorized", 1, id_token="T1", said="Accepted", charging_state="EVConnected"
    )
    world.notify(13, "CX001")
    world.call(13, "StatusNotification", answer={}, status="Faulted", connector_id=1)
    world.event(13, "Ended", "AbnormalCondition", 2, stop_reason="Other")
    world.call(50, "StatusNotification", answer={}, status="Available", connector_id=1)
    row = one(world)
    assert (row["outcome"], row["stage"], row["fault"], row["early_b"]) == (
        "failed",
        "offered",
        "ConnectorLockFailure",
        True,
    )


def test_an_export_alone_makes_attempts() -> None:
    """Energy makes it charged, a mapped fault failed.

    A vehicle may be named in place of a token.
    """
    world = World()
    world.evse()
    world.token("T1", "v1")
    world.session(0, 3600, id_token="T1", energy_kwh=8.0, stop_reason="EVDisconnected")
    world.session(
        5000,
        5040,
        vehicle_id="v7",
        energy_kwh=0.0,
        stop_reason="Local",
        fault_raw="pilot!",
        fault="PilotFault",
    )
    world.session(6000, 9000, id_token="T1", energy_kwh=0.0, stop_reason="Local")
    made = attempts(world)
    assert made["outcome"].to_list() == ["charged", "failed", "not_requested"]
    assert made["vehicle_id"].to_list() == ["v1", "v7", "v1"]
    assert made["vehicle_known_by"].to_list() == ["token", "export", "token"]
    assert made["early_b"].to_list() == [False, True, False]
    assert made["source"].unique().to_list() == ["export"]


def test_sessions_from_one_instant_are_kept_apart() -> None:
    """Exported sessions that begin at one instant and end apart, or are of two cards, are different ones, in whatever order they
    were read: a first try and its retry. One told again is one.
    """
    for ends in ((0, 9000), (9000, 0)):
        world = World()
        world.evse()
        for end in ends:
            world.session(0, end, energy_kwh=end / 1000)
        made = attempts(world).sort("plugged_at_utc")
        assert made["energy_kwh"].to_list() == [0.0, 9.0]
        assert made["outcome"].to_list() == ["abandoned", "charged"]
    again = World()
    again.evse()
    for token in ("T1", "T1", "T2"):
        again.session(0, 3600, energy_kwh=3.0, id_token=token)
    assert attempts(again)["id_token"].sort().to_list() == ["T1", "T2"]


def test_an_export_and_messages_of_one_plug_in_are_one_attempt() -> None:
    """The station's record wins field by field, the export fills what is missing, both stand in the
    lineage.
    """
    world = station()
    world.status(0, "Preparing")
    world.status(3600, "Available")
    world.session(-30, 3630, id_token="T1", energy_kwh=8.0, stop_reason="EVDisconnected")
    row = one(world)
    assert (row["source"], row["energy_kwh"], row["vehicle_id"], row["outcome"]) == (
        "export+ocpp16",
        8.0,
        "v1",
        "charged",
    )
    assert {place.split(":")[0] for place in row["lineage"]} == {"raw_frame", "raw_session"}
    assert abs((row["plugged_at_utc"] - at(0)).total_seconds()) <= 2


def test_the_vehicle_says_it_was_its_own_fault() -> None:
    """A charge fault the vehicle reports while plugged in makes vehicle_fault, and a failure of
    what delivered nothing.
    """
    world = station()
    world.status(0, "Preparing")
    world.card(5)
    world.start(6)
    world.status(9, "Charging")
    world.vehicle(0, "plugged")
    world.vehicle(12, "charge_fault", soc=40)
    world.vehicle(300, "unplugged")
    world.stop(300, 1000, "EVDisconnected")
    world.status(301, "Available")
    row = one(world)
    assert (row["outcome"], row["vehicle_fault"], row["stage"]) == ("failed", True, "energised")


def test_an_unknown_vehicle_is_named_by_its_reports_only_when_it_is_the_only_one() -> None:
    """Plugged and unplugged together with one unknown attempt: it was that vehicle.

    Two vehicles alike: nobody is named.
    """
    world = station()
    world.status(0, "Preparing")
    world.status(900, "Available")
    world.vehicle(20, "plugged")
    world.vehicle(880, "unplugged")
    row = one(world)
    assert (row["vehicle_id"], row["vehicle_known_by"]) == ("v1", "telematics")
    world.token("T2", "v2")
    world.vehicle(-40, "plugged", vehicle="v2")
    world.vehicle(890, "unplugged", vehicle="v2")
    row = one(world)
    assert (row["vehicle_id"], row["vehicle_known_by"]) == (None, "none")


def test_a_plug_in_the_evse_never_saw_is_placed_by_its_card() -> None:
    """The vehicle says plugged, its card was shown at a station with one EVSE, which saw nobody.

    Failed, plugged.
    """
    world = station()
    world.card(30)
    world.vehicle(0, "plugged")
    world.vehicle(200, "unplugged")
    row = one(world)
    assert (row["vehicle_id"], row["stage"], row["outcome"], row["source"]) == (
        "v1",
        "plugged",
        "failed",
        "telematics",
    )


def test_a_token_belongs_to_the_vehicle_of_that_time() -> None:
    """Half-open validity decides.

    In an overlap the attempt belongs to nobody and the conflict is listed.
    """
    world = World()
    world.evse()
    world.token("T1", "v1", end=at(1000))
    world.token("T1", "v2", start=at(1000))
    world.token("T1", "v3", start=at(5000), end=at(6000))
    for start in (0, 1000, 5000, 6000):
        world.session(start, start + 900, id_token="t1", energy_kwh=3.0)
    con = warehouse(world)
    normalise(con, None, NormaliseSettings())
    made = read(con, "core_attempt").sort("plugged_at_utc")
    assert made["vehicle_id"].to_list() == ["v1", "v2", None, "v2"]
    assert made["vehicle_known_by"].to_list() == ["token", "token", "conflict", "token"]
    conflict = read(con, "core_token_conflict")
    assert conflict.select("valid_from_utc", "valid_to_utc").row(0) == (at(5000), at(6000))


def test_unknown_words_are_listed_with_their_count() -> None:
    """A controller's word that no list knows is a fault without a name, and stands in core_word for
    the operator.
    """
    world = station()
    for start in (0, 1000):
        world.pilot(start, "B1")
        world.pilot(start + 10, "B2", fault="zorble 7")
        world.pilot(start + 20, "A1")
    con = warehouse(world)
    normalise(con, None, NormaliseSettings())
    assert read(con, "core_attempt")["outcome"].to_list() == ["failed", "failed"]
    word = read(con, "core_word").filter(word="zorble 7").row(0, named=True)
    assert (word["code_state"], word["fault"], word["occurrences"]) == ("unknown", None, 2)


def test_a_site_maps_its_own_words(tmp_path) -> None:
    """The site's file comes before our lists."""
    file = tmp_path / "words.yaml"
    file.write_text("zorble 7: EVSEContactorFault\n", encoding="utf-8")
    world = station()
    world.pilot(0, "B1")
    world.pilot(10, "B2", fault="Zorble-7")
    world.pilot(20, "A1")
    assert attempts(world, codes_file=file)["fault"].to_list() == ["EVSEContactorFault"]


def test_a_firmware_counts_from_its_boot() -> None:
    """Before the first BootNotification the list's firmware, from it on the one it named."""
    world = station()
    charge(world)
    world.call(
        20_000,
        "BootNotification",
        stamped=False,
        answer={"central_at_utc": at(20_000)},
        firmware="10",
    )
    for row in world.rows["raw_frame"][-2:]:
        row["status"] = None
    world.status(30_000, "Preparing")
    world.status(30_020, "Available")
    assert attempts(world)["firmware"].to_list() == ["9", "10"]


def test_two_evses_of_a_station_share_the_card_reader() -> None:
    """A 1.6 Authorize names no connector: it goes to the plug-in that waits.

    With two alike waiting, to neither.
    """
    world = station()
    world.evse("e2", connector=2)
    world.token("T2", "v2")
    world.status(0, "Preparing")
    world.status(100, "Preparing", connector=2)
    world.card(110, tag="T2")
    world.start(112, tag="T2", tx="9", connector=2)
    world.status(120, "Charging", connector=2)
    world.card(200, tag="T1", said="Blocked")
    world.status(260, "Available")
    world.stop(5000, 9000, "EVDisconnected", tx="9")
    world.status(5001, "Available", connector=2)
    made = attempts(world)
    assert made["outcome"].to_list() == ["declined", "charged"]
    assert made["vehicle_id"].to_list() == ["v1", "v2"]
    twins = station()
    twins.evse("e2", connector=2)
    for connector in (1, 2):
        twins.status(0, "Preparing", connector=connector)
    twins.card(30, said="Blocked")
    for connector in (1, 2):
        twins.status(90, "Available", connector=connector)
    assert attempts(twins)["outcome"].to_list() == ["abandoned", "abandoned"]


def test_a_pilot_of_a_station_that_says_nothing_is_doubtful() -> None:
    """Pilot rows without any frame keep the station's own time, and say that it is doubtful."""
    world = station()
    world.rows["raw_frame"].clear()
    diode(world)
    world.rows["raw_frame"].clear()
    row = one(world)
    assert (row["time_doubt"], row["outcome"], row["plugged_at_utc"]) == (
        "no_clock",
        "failed",
        at(0),
    )
