"""Valid worlds raise nothing; a mutated one raises the rule that names the mutation."""

from __future__ import annotations

import copy
from collections.abc import Callable

import polars as pl
import pytest
from hypothesis import given, settings

from pipeline.settings.validate import ValidateSettings
from pipeline.storage.warehouse import read
from pipeline.validate import rules, validate

from . import valid
from .worlds import Row, World, warehouse

PLUG = valid.Plug(600.0, "charged", "C", 26.67, 0.5, 3600.0, 0.5, 0.5, coarse=False)
ONE_OF_EACH = valid.world(
    [
        [PLUG, PLUG._replace(ending="failed"), PLUG._replace(ending="not_requested"), PLUG],
        [PLUG, PLUG],
    ]
)


def fired(world: World) -> set[str]:
    """Rules that caught something."""
    with warehouse(world) as con:
        validate(con, ValidateSettings())
        results = read(con, "core_rule_result")
    return set(results.filter(pl.col("offending") > 0)["rule"])


@settings(max_examples=12)
@given(valid.WORLDS)
def test_a_valid_world_raises_nothing(drawn: list[list[valid.Plug]]) -> None:
    """No rule catches anything in records that agree with the standards, whatever levels, times and
    endings are drawn.
    """
    assert fired(valid.world(drawn)) == set()


def test_a_valid_world_is_judged_by_most_rules() -> None:
    """That nothing is raised is no emptiness.

    Most rules of every family judge records of the world.
    """
    with warehouse(ONE_OF_EACH) as con:
        validate(con, ValidateSettings())
        judged = set(read(con, "core_rule_result").filter(pl.col("checked") > 0)["rule"])
    assert len(judged) >= 60
    assert {rules()[name].family for name in judged} == {
        "pilot_sequence",
        "pilot_level",
        "ocpp",
        "energy",
        "identity",
        "time",
    }


def rows(world: World, table: str, **wanted: object) -> list[Row]:
    """The rows of a table with these values."""
    return [
        row for row in world[table] if all(row.get(key) == value for key, value in wanted.items())
    ]


def put(table: str, which: int, values: Row, **wanted: object) -> Callable[[World], None]:
    """A mutation that sets values in one of the rows with the wanted ones."""
    return lambda world: rows(world, table, **wanted)[which].update(values)


def drop(table: str, which: int, **wanted: object) -> Callable[[World], None]:
    """A mutation that loses one of the rows with the wanted values."""

    def mutate(world: World) -> None:
        gone = rows(world, table, **wanted)[which]
        world[table] = [row for row in world[table] if row is not gone]

    return mutate


def add(table: str, which: int, values: Row, **wanted: object) -> Callable[[World], None]:
    """A mutation that repeats one of the rows with the wanted values, with others."""
    return lambda world: world[table].append({**rows(world, table, **wanted)[which], **values})


def lose_b(world: World) -> None:
    """Drop the B rows of the first plug-in."""
    gone = [
        row
        for row in world["core_pilot"]
        if row["pilot_state"] in {"B1", "B2"} and row["at_utc"] < 700
    ]
    world["core_pilot"] = [row for row in world["core_pilot"] if row not in gone]


def lose_statuses(world: World) -> None:
    """Drop Preparing and Charging of the last plug-in."""
    drop("core_signal", -1, status="Preparing")(world)
    drop("core_signal", -1, status="Charging")(world)


def charge_in_f(world: World) -> None:
    """Hold F for a minute, and say Charging in the middle of it."""
    begins = rows(world, "core_pilot", pilot_state="F")[0]["at_utc"]
    add("core_pilot", 0, {"at_utc": begins + 60}, pilot_state="B1")(world)
    drop("core_pilot", 2, pilot_state="B1")(world)
    add("core_signal", 0, {"at_utc": begins + 30}, status="Charging")(world)


STARTS, STOPS = {"action": "StartTransaction"}, {"action": "StopTransaction"}
MUTATIONS: dict[str, tuple[str, Callable[[World], None]]] = {
    "the B rows are lost": ("pilot_c_without_b", lose_b),
    "the contactor welds": ("contactor_closed_in_a", put("core_pilot", 1, {"contactor": "closed"}, pilot_state="A1")),
    "it closes unasked": ("contactor_closed_in_b", put("core_pilot", 0, {"contactor": "closed"}, pilot_state="B2")),
    "it closes late": ("contactor_late", lambda w: rows(w, "core_pilot", pilot_state="C2")[1].update(at_utc=620.0)),
    "its opening is lost": ("contactor_slow_to_open", drop("core_pilot", 2, pilot_state="B2")),
    "PWM in A1": ("pwm_in_a1", put("core_pilot", 0, {"duty_pct": 50.0}, pilot_state="A1")),
    "PWM in B1": ("pwm_while_off", put("core_pilot", 0, {"duty_pct": 50.0}, pilot_state="B1")),
    "no PWM in B2": ("pwm_missing", put("core_pilot", 0, {"duty_pct": 100.0}, pilot_state="B2")),
    "F is cut short": ("f_too_short", lambda w: rows(w, "core_pilot", pilot_state="F")[0].update(
        at_utc=rows(w, "core_pilot", pilot_state="F")[0]["at_utc"] + 0.9)),
    "B reads as A": ("level_b", put("core_pilot", 0, {"high_v": 12.0}, pilot_state="B1")),
    "C reads as B": ("level_c", put("core_pilot", 0, {"high_v": 9.0}, pilot_state="C2")),
    "the generator sags": ("level_a", put("core_pilot", 0, {"high_v": 9.0}, pilot_state="A1")),
    "F is not held": ("f_not_minus_12_low", put("core_pilot", 0, {"low_v": 0.0}, pilot_state="F")),
    "the columns are exchanged": ("levels_swapped", put("core_pilot", 0, {"high_v": -12.0, "low_v": 9.0}, pilot_state="B2")),
    "millivolts": ("level_beyond_supply", put("core_pilot", 0, {"high_v": 9000.0}, pilot_state="B2")),
    "a duty of 153": ("duty_not_percent", put("core_pilot", 0, {"duty_pct": 153.0}, pilot_state="B2")),
    "a duty above the rating": ("duty_above_rating", put("core_pilot", 0, {"duty_pct": 80.0}, pilot_state="B2")),
    "two statuses are lost": ("status_move_not_allowed", lose_statuses),
    "a pilot fault by the wrong name": (
        "ev_communication_error_status", put("core_signal", 0, {"error_code": "EVCommunicationError"}, status="Faulted")),
    "connector 0 prepares": ("connector_0_status", put("core_signal", 0, {"connector_id": 0}, status="Preparing")),
    "a word of the other version": ("status_word_16", put("core_signal", 0, {"status": "Occupied"}, status="Preparing")),
    "a fault without a name": ("faulted_without_code", put("core_signal", 0, {"error_code": "NoError"}, status="Faulted")),
    "charging in F": ("charging_in_f", charge_in_f),
    "a stop is lost": ("transaction_without_end", drop("core_signal", 0, **STOPS)),
    "a start is lost": ("transaction_without_start", drop("core_signal", 0, **STARTS)),
    "a stop comes twice": ("transaction_ended_twice", add("core_signal", 0, {}, **STOPS)),
    "an event is lost": ("seq_no_gap", drop("core_signal", 0, seq_no=1)),
    "a number comes twice": ("seq_no_repeated", put("core_signal", 0, {"seq_no": 0}, seq_no=1)),
    "the clock jumps back in a transaction": ("seq_no_against_time", put("core_signal", 0, {"at_utc": 0.0}, seq_no=1)),
    "the meter goes back": ("meter_stop_below_start", put("core_signal", 0, {"meter_wh": 1.0}, **STOPS)),
    "the meter is exchanged": ("meter_below_last_stop", put("core_signal", 1, {"meter_wh": 0.0}, **STARTS)),
    "a sample goes back": ("register_backwards", put("raw_sample", 2, {"sample_value": 1.0})),
    "a meter of Wh read as kWh": ("meter_leap", put("core_signal", 0, {"meter_wh": 1e6}, **STOPS)),
    "a sample of Wh read as kWh": ("register_leap", put("raw_sample", 0, {"sample_value": 1e6}, unit="kWh")),
    "energy below zero": ("energy_negative", put("core_attempt", 0, {"energy_kwh": -1.0})),
    "Wh for kWh": ("energy_absurd", put("core_attempt", 0, {"energy_kwh": 5000.0})),
    "energy without a contactor": ("energy_not_energised", put("core_attempt", 0, {"stage": "offered"})),
    "unplugged before plugged in": ("duration_negative", put("core_attempt", 0, {"unplugged_at_utc": 0.0})),
    "one card for two vehicles": ("vehicle_in_two_places", put("core_attempt", 4, {"vehicle_id": "v0"})),
    "two at one EVSE": ("evse_overlap", add("core_attempt", 0, {"attempt_id": "again", "vehicle_id": "v1"})),
    "a token handed on too late": ("token_conflict", add("core_token", 0, {"vehicle_id": "v1"})),
    "a vehicle not listed": ("vehicle_not_listed", put("core_attempt", 0, {"vehicle_id": "v9"})),
    "DC's plug at an AC post": ("ac_on_dc_connector", put("core_attempt", 0, {"coupler": "cCCS2"})),
    "a plug that does not fit": ("coupler_not_on_vehicle", put("core_attempt", 0, {"coupler": "cType1"})),
    "next year": ("attempt_in_future", put("core_attempt", 5, {"plugged_at_utc": 3e7, "unplugged_at_utc": 3.1e7})),
    "1970": ("attempt_before_equipment", put("core_attempt", 0, {"plugged_at_utc": -1.77e9, "unplugged_at_utc": -1.77e9 + 3600})),
    "a clock not set": ("clock_far_off", put("core_clock", 0, {"offset_s": 1e9})),
}  # fmt: skip


@pytest.mark.parametrize("name", list(MUTATIONS))
def test_a_mutation_raises_the_rule_that_names_it(name: str) -> None:
    """One change in a world that raises nothing is caught by the rule made for it."""
    rule, mutate = MUTATIONS[name]
    world = copy.deepcopy(ONE_OF_EACH)
    mutate(world)
    with warehouse(world) as con:
        assert con.execute(rules()[rule].sql).fetchall()


def test_the_unmutated_world_raises_nothing() -> None:
    """The world the mutations start from is valid."""
    assert fired(ONE_OF_EACH) == set()
