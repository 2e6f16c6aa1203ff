"""Plug-ins that only a vehicle reported are counted and told: nothing passes silently."""

from __future__ import annotations

import polars as pl

from pipeline.normalise import normalise
from pipeline.settings import Settings
from pipeline.storage.warehouse import read
from pipeline.validate import validate
from tests.normalise.test_attempts import charge, station
from tests.normalise.world import World, at, warehouse

RULE = "vehicle_stay_not_seen"


def told(world: World) -> tuple[pl.DataFrame, dict[str, int]]:
    """What the rule caught, and its counts."""
    con = warehouse(world)
    normalise(con, None, Settings().normalise)
    validate(con, Settings().validate_)
    result = read(con, "core_rule_result").filter(pl.col("rule") == RULE).row(0, named=True)
    counts = {name: result[name] for name in ("checked", "offending", "not_judged")}
    return read(con, "core_impossible").filter(pl.col("rule") == RULE), counts


def stay(world: World, start: float, end: float, *between: str) -> None:
    """A plug-in as the vehicle reports it."""
    for t, event in zip(
        (start, *range(int(start) + 10, int(end), 10), end),
        ("plugged", *between, "unplugged"),
        strict=False,
    ):
        world.vehicle(t if event != "unplugged" else end, event)


def test_a_plug_in_nobody_else_saw_is_told() -> None:
    """Without a card at any station it can be given to no EVSE, so it is no attempt.

    It is noted, with its time and vehicle.
    """
    world = station()
    charge(world)
    stay(world, 20, 3590, "charge_started")
    stay(world, 20_000, 21_000, "charge_fault")
    caught, counts = told(world)
    assert counts == {"checked": 2, "offending": 1, "not_judged": 0}
    (row,) = caught.to_dicts()
    assert (row["at_utc"], row["severity"], row["attempt_id"], row["station_id"]) == (
        at(20_000),
        "note",
        None,
        None,
    )
    assert row["detail"].startswith("vehicle v1 until ")
    assert row["detail"].endswith("with a charge fault")


def test_what_a_card_places_is_an_attempt_and_not_told() -> None:
    """The EVSE saw nobody, but the card was shown there: an attempt, so nothing is missing."""
    world = station()
    world.card(30)
    stay(world, 0, 200)
    _, counts = told(world)
    assert counts == {"checked": 1, "offending": 0, "not_judged": 0}


def test_a_report_without_plugging_in_is_told_too() -> None:
    """A fault the vehicle tells of with no plug-in of its own before it is a stay.

    A last word after unplugging is none.
    """
    world = station()
    charge(world)
    stay(world, 20, 3590)
    world.vehicle(3600, "charge_stopped")
    world.vehicle(50_000, "charge_fault")
    caught, counts = told(world)
    assert counts == {"checked": 2, "offending": 1, "not_judged": 0}
    assert caught["at_utc"].to_list() == [at(50_000)]


def test_the_same_report_in_two_files_is_one() -> None:
    """Delivered twice under other names, a stay counts once."""
    world = station()
    stay(world, 20_000, 21_000)
    again = [{**row, "file_id": "other"} for row in world.rows["raw_charging"]]
    world.rows["raw_charging"] += again
    _, counts = told(world)
    assert counts == {"checked": 1, "offending": 1, "not_judged": 0}
