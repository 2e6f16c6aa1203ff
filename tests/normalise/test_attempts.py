"""One plug-in, one row: what hand-made records of every source become."""

from __future__ import annotations

from typing import Any

import pytest

from tests.normalise.world import World, at, attempts


def station(**kwargs: Any) -> World:
    """A station with one EVSE and one known card."""
    world = World(**kwargs)
    world.evse()
    world.token("T1", "v1")
    world.status(-600, "Available")
    return world


def one(world: World) -> dict[str, Any]:
    """The only attempt."""
    made = attempts(world)
    assert len(made) == 1, made
    return made.row(0, named=True)


def charge(world: World, wh: float = 12_000.0) -> None:
    """A session as it should be, in messages."""
    world.status(0, "Preparing")
    world.card(8)
    world.start(10)
    world.status(14, "Charging")
    world.meter(1000, 1000 + wh / 2)
    world.status(3000, "SuspendedEV")
    world.stop(3600, 1000 + wh, "EVDisconnected")
    world.status(3601, "Finishing")
    world.status(3602, "Available")


def test_a_whole_session_in_messages_is_charged() -> None:
    """Status, card, transaction and meter make one charged attempt of the card's vehicle, with its
    energy.
    """
    world = station()
    charge(world)
    row = one(world)
    assert (row["outcome"], row["stage"], row["vehicle_id"], row["vehicle_known_by"]) == (
        "charged",
        "delivering",
        "v1",
        "token",
    )
    assert row["energy_kwh"] == pytest.approx(12.0)
    assert abs((row["plugged_at_utc"] - at(0)).total_seconds()) <= row["clock_error_s"]
    assert abs((row["unplugged_at_utc"] - at(3600)).total_seconds()) <= row["clock_error_s"] + 2
    assert row["source"] == "ocpp16"
    assert not row["early_b"]


def diode(world: World) -> None:
    """A plug-in that fails the diode check as soon as the PWM is on."""
    world.pilot(-600, "A1")
    world.pilot(0, "B1")
    world.status(0, "Preparing")
    world.card(30)
    world.start(32)
    world.pilot(33, "B2", low=-8.8)
    world.pilot(33.5, "F", fault="diode check failed")
    world.status(34, "Faulted", "OtherError")
    world.stop(35, 1000, "Other")
    world.pilot(120, "A1")
    world.status(121, "Available")


def test_a_shorted_diode_is_an_early_failure_in_b() -> None:
    """A fault half a second after the PWM starts is failed, offered, early_b, named by the
    controller's own word.
    """
    world = station()
    diode(world)
    row = one(world)
    assert (row["outcome"], row["stage"], row["fault"]) == ("failed", "offered", "DiodeFault")
    assert row["early_b"]
    assert row["stage_seconds"] == pytest.approx(0.5)
    assert row["pilot_low_b_v"] == pytest.approx(-8.8)
    assert row["source"] == "ocpp16+pilot"
    assert row["vehicle_id"] == "v1"
    assert row["energy_kwh"] == 0


def test_messages_alone_tell_the_early_failure_too() -> None:
    """Without pilot rows the accepted card stands for the PWM; the error code names the fault."""
    world = station()
    world.status(0, "Preparing")
    world.card(30)
    world.start(32)
    world.status(34, "Faulted", "OtherError", vendor_error_code="CX014")
    world.stop(35, 1000, "Other")
    world.status(121, "Available")
    row = one(world)
    assert (row["outcome"], row["stage"], row["fault"], row["early_b"]) == (
        "failed",
        "offered",
        "PilotFault",
        True,
    )


def test_a_refused_card_is_declined_and_a_silent_centre_is_a_failure() -> None:
    """`declined` needs an answer; nothing answered is a technical failure."""
    refused, silent = station(), station()
    for world, said in ((refused, "Blocked"), (silent, None)):
        world.status(0, "Preparing")
        world.card(8, said=said)
        world.status(90, "Available")
    assert one(refused)["outcome"] == "declined"
    row = one(silent)
    assert (row["outcome"], row["fault"], row["stage"]) == ("failed", "NoInternet", "plugged")


def test_pulled_out_before_anything_is_abandoned() -> None:
    """No card, no fault, soon out: nobody's failure."""
    world = station()
    world.status(0, "Preparing")
    world.status(25, "Available")
    assert one(world)["outcome"] == "abandoned"


def test_a_timer_is_not_a_failure() -> None:
    """Offered for hours and never asked, no fault: the vehicle waits."""
    world = station()
    world.pilot(-600, "A1")
    world.pilot(0, "B1")
    world.status(0, "Preparing")
    world.card(5)
    world.start(6)
    world.pilot(7, "B2", low=-12.0)
    world.status(8, "SuspendedEV")
    world.stop(9000, 1000, "EVDisconnected")
    world.pilot(9000, "A1")
    world.status(9001, "Available")
    row = one(world)
    assert (row["outcome"], row["stage"], row["fault"]) == ("not_requested", "offered", None)


def test_a_fault_after_delivery_is_failed_delivering() -> None:
    """Energy does not excuse a fault that ended the charge."""
    world = station()
    world.status(0, "Preparing")
    world.card(8)
    world.start(10)
    world.status(14, "Charging")
    world.meter(1000, 6000)
    world.status(1500, "Faulted", "GroundFailure")
    world.stop(1501, 8000, "Other")
    world.status(1800, "Available")
    row = one(world)
    assert (row["outcome"], row["stage"], row["fault"], row["early_b"]) == (
        "failed",
        "delivering",
        "GroundFailure",
        False,
    )


def test_retries_while_plugged_are_one_attempt() -> None:
    """A fault, then a second try without unplugging that charges: one plug-in, charged."""
    world = station()
    world.status(0, "Preparing")
    world.card(8)
    world.start(10, tx="7")
    world.status(12, "Faulted", "InternalError")
    world.stop(13, 1000, "Other", tx="7")
    world.status(60, "Preparing")
    world.card(70)
    world.start(72, tx="8")
    world.status(75, "Charging")
    world.stop(4000, 9000, "EVDisconnected", tx="8")
    world.status(4001, "Available")
    row = one(world)
    assert (row["outcome"], row["fault"]) == ("charged", None)
    assert row["energy_kwh"] == pytest.approx(8.0)


def test_a_lost_leaving_does_not_join_two_vehicles() -> None:
    """Charging then Preparing is no move of OCPP 1.6.

    A new plug-in began, the first one's end is not known.
    """
    world = station()
    charge(world)
    del world.rows["raw_frame"][
        -8:
    ]  # StopTransaction, Finishing, Available and their answers are lost
    world.token("T2", "v2")
    world.status(9000, "Preparing")
    world.card(9010, tag="T2")
    world.start(9012, tag="T2", tx="9", wh=13_000)
    world.status(9015, "Charging")
    world.stop(9900, 20_000, "EVDisconnected", tx="9")
    world.status(9901, "Available")
    made = attempts(world)
    assert made["vehicle_id"].to_list() == ["v1", "v2"]
    assert made["unplugged_at_utc"].is_null().to_list() == [True, False]


def test_two_sessions_sent_from_the_queue_are_two_attempts() -> None:
    """Offline a station replays transactions, no statuses.

    Each is a plug-in, and the next Preparing begins another.
    """
    world = station()
    world.status(0, "Available")
    for number, start in enumerate((1000, 9000)):
        sent = {
            "received": 20_000 + number,
            "answer": {"id_token_status": "Accepted", "transaction_id": str(number)},
        }
        world.call(
            start, "StartTransaction", connector_id=1, id_token=f"T{number}", meter_wh=0.0, **sent
        )
        end = {
            "received": 20_002 + number,
            "answer": {},
            "transaction_id": str(number),
            "meter_wh": 4000.0,
            "stop_reason": "Local",
        }
        world.call(start + 3600, "StopTransaction", **end)
    world.status(30_000, "Preparing")
    world.status(30_030, "Available")
    made = attempts(world)
    assert made["outcome"].to_list() == ["charged", "charged", "abandoned"]
    assert [round((t - at(0)).total_seconds()) for t in made["plugged_at_utc"]] == [
        1000,
        9000,
        30_000,
    ]


def test_a_session_the_station_ends_without_a_word_is_a_failure() -> None:
    """Stopped by the station seconds after it began, nothing delivered, reason Other.

    Failed, early, fault unknown.
    """
    world = station()
    world.status(0, "Preparing")
    world.card(8)
    world.start(10)
    world.stop(16, 1000, "Other")
    world.status(17, "Finishing")
    world.status(300, "Available")
    row = one(world)
    assert (row["outcome"], row["stage"], row["fault"], row["early_b"]) == (
        "failed",
        "offered",
        None,
        True,
    )


def test_the_evse_that_opens_while_the_vehicle_asks_has_failed() -> None:
    """The contactor opens in C by itself, nothing was delivered, nobody stopped it.

    Stopped by the card it is no failure.
    """
    failing, stopped = station(), station()
    for world in (failing, stopped):
        world.pilot(-600, "A1")
        world.pilot(0, "B1")
        world.status(0, "Preparing")
        world.card(8)
        world.start(10)
        world.pilot(11, "B2", low=-12.0)
        world.pilot(13, "C2", low=-12.0)
        world.pilot(14, "C2", "closed", low=-12.0)
        world.pilot(20, "C2", "open", low=-12.0)
        world.pilot(21, "C1", "open")
        if world is stopped:
            world.stop(20, 1000, "Local")
        world.pilot(200, "A1")
        world.status(200, "Available")
    assert (one(failing)["outcome"], one(failing)["stage"]) == ("failed", "energised")
    assert one(stopped)["outcome"] != "failed"


def test_a_lost_leaving_in_the_pilot_record_is_told_by_the_messages() -> None:
    """The row of state A is lost, Available and Preparing are there: two plug-ins."""
    world = station()
    world.pilot(-600, "A1")
    for start in (0, 5000):
        world.pilot(start, "B1")
        world.status(start + 0.4, "Preparing")
        world.status(start + 4000, "Available")
    world.pilot(9000, "A1")
    made = attempts(world)
    assert len(made) == 2
    assert abs((made["unplugged_at_utc"][0] - at(4000)).total_seconds()) < 1


def test_a_register_that_leaps_is_no_energy() -> None:
    """A reading the EVSE's rating makes impossible is left out.

    Without a second reading the energy is not known.
    """
    world = station()
    charge(world)
    for row in world.rows["raw_frame"]:
        if row.get("action") == "StopTransaction":
            row["meter_wh"] = 9_000_000.0
    row = one(world)
    assert row["energy_kwh"] == pytest.approx(6.0)
    assert row["outcome"] == "charged"


@pytest.mark.parametrize("seconds", [59, 61])
def test_the_early_window_is_sixty_seconds(seconds: float) -> None:
    """early_b holds to 60 s after the PWM starts (contract), not beyond."""
    world = station()
    world.pilot(-600, "A1")
    world.pilot(0, "B1")
    world.pilot(100, "B2", low=-9.0)
    world.pilot(100 + seconds, "B2", low=-9.0, fault="GroundFailure")
    world.pilot(500, "A1")
    row = one(world)
    assert row["early_b"] == (seconds < 60)
    assert row["stage_seconds"] == pytest.approx(seconds)


def test_a_restart_under_a_session_does_not_make_two() -> None:
    """After a reboot the station finds the vehicle still there.

    One plug-in, and the mains that were lost are its fault.
    """
    world = station()
    world.status(0, "Preparing")
    world.card(5)
    world.start(6)
    world.status(8, "Charging")
    world.meter(900, 3000)
    world.call(5000, "BootNotification", stamped=False, answer={})
    world.call(
        1500,
        "StopTransaction",
        received=5001,
        answer={},
        transaction_id="7",
        meter_wh=4000.0,
        stop_reason="PowerLoss",
    )
    world.status(5002, "Preparing")
    world.status(6000, "Available")
    row = one(world)
    assert (row["outcome"], row["stage"], row["fault"]) == ("failed", "delivering", "PowerLoss")
    assert abs((row["unplugged_at_utc"] - at(6000)).total_seconds()) <= 2


def test_a_card_without_a_vehicle_is_abandoned() -> None:
    """OCPP 1.6: Preparing by the card alone, no transaction before the time-out.

    Nobody plugged in, nobody waits.
    """
    world = station()
    world.card(0)
    world.status(1, "Preparing")
    world.status(91, "Available")
    assert one(world)["outcome"] == "abandoned"


def test_a_current_limit_is_not_a_failure() -> None:
    """SuspendedEVSE for an hour, then Charging: charged."""
    world = station()
    world.status(0, "Preparing")
    world.card(5)
    world.start(6)
    world.status(8, "SuspendedEVSE")
    world.status(3000, "Charging")
    world.stop(9000, 9000, "Local")
    world.status(9001, "Finishing")
    world.status(9500, "Available")
    assert (one(world)["outcome"], one(world)["fault"]) == ("charged", None)


def test_a_full_battery_is_charged_when_something_flowed_and_not_requested_when_nothing_did() -> (
    None
):
    """A full battery's stop after delivery counts as charged.

    Without a watt-hour it never asked for anything.
    """
    some, none = station(), station()
    for world, wh in ((some, 1200.0), (none, 1000.0)):
        world.status(0, "Preparing")
        world.card(5)
        world.start(6)
        world.status(8, "Charging")
        world.status(400, "SuspendedEV")
        world.stop(9000, wh, "Local")
        world.status(9001, "Finishing")
        world.status(9500, "Available")
    assert [one(some)["outcome"], one(none)["outcome"]] == ["charged", "not_requested"]


def test_pulled_out_early_with_little_energy_is_nobodys_failure() -> None:
    """A minute of charging, then the driver leaves.

    Less than 0.5 kWh is not charged, and nothing failed.
    """
    world = station()
    world.status(0, "Preparing")
    world.card(5)
    world.start(6)
    world.status(8, "Charging")
    world.stop(70, 1090, "EVDisconnected")
    world.status(71, "Available")
    assert one(world)["outcome"] == "abandoned"


def test_a_fault_of_the_whole_station_speaks_to_each_of_its_evses() -> None:
    """Faulted at connectorId 0 names the failure of what came to nothing at any EVSE of the
    station, and of no other station.

    OCPP 1.6 StatusNotification (secondary source): 0 is the main controller, its status independent
    of the connectors', so that a connector may charge on.
    """
    world, other = station(), World(station="st2")
    world.evse("e2", connector=2)
    other.evse("e3")
    world.status(0, "Preparing")
    world.start(5)
    world.status(0, "Preparing", connector=2)
    world.start(5, tag="T2", tx="8", connector=2)
    world.status(12, "Charging", connector=2)
    world.status(60, "Faulted", "GroundFailure", connector=0)
    world.stop(100, 1000, "EVDisconnected")
    world.status(101, "Available")
    world.stop(3600, 9000, "EVDisconnected", tx="8")
    world.status(3601, "Available", connector=2)
    other.status(0, "Preparing")
    other.status(100, "Available")
    rows = {row["evse_id"]: row for row in attempts(world, other).to_dicts()}
    assert (rows["e1"]["outcome"], rows["e1"]["fault"]) == ("failed", "GroundFailure")
    assert (rows["e2"]["outcome"], rows["e2"]["fault"]) == ("charged", None)
    assert (rows["e3"]["outcome"], rows["e3"]["fault"]) == ("abandoned", None)
