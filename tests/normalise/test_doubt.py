"""What stays doubtful says so, and nothing is without a source."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.normalise.attempts.assemble import Evidence, sources
from tests.normalise.test_attempts import one, station
from tests.normalise.world import World, at, attempts

HOUR_S = 3600.0


def doubtful(world: World, *seconds: float) -> None:
    """Flag the pilot rows of those seconds as from the hour that occurs twice."""
    for row in world.rows["raw_pilot"]:
        row["time_doubt"] = "fold" if row["station_at_utc"] in [at(t) for t in seconds] else None


@pytest.mark.parametrize(("unsure", "doubt"), [((0,), "fold"), ((3600,), "fold"), ((1800,), None)])
def test_an_attempt_whose_ends_are_doubtful_says_so(
    unsure: tuple[float, ...], doubt: str | None
) -> None:
    """A plug-in or unplugging from the hour that occurs twice makes an attempt doubtful by an hour.

    A row in between does not.
    """
    world = station()
    for t in range(-600, 7200, 300):
        world.call(t, "Heartbeat")
    for t, state in ((-600, "A1"), (0, "B1"), (1800, "B2"), (3600, "A1")):
        world.pilot(t, state)
    doubtful(world, *unsure)
    row = one(world)
    assert row["time_doubt"] == doubt
    assert (row["clock_error_s"] >= HOUR_S) == (doubt is not None)


def test_a_plug_in_only_the_vehicle_saw_says_how_doubtful_it_is() -> None:
    """The vehicle's own report from the hour that occurs twice.

    The attempt made of it is doubtful by an hour.
    """
    world = station()
    world.card(10)
    world.vehicle(0, "plugged")
    world.vehicle(600, "unplugged")
    world.rows["raw_charging"][0]["time_doubt"] = "fold"
    (row,) = attempts(world).to_dicts()
    assert (row["source"], row["time_doubt"], row["clock_error_s"]) == (
        "telematics",
        "fold",
        HOUR_S,
    )


def test_a_plug_in_always_has_the_source_that_made_it() -> None:
    """Even where none of the records around it is given to it.

    Then that source alone is named, and the run goes on.
    """
    none = pl.DataFrame(schema={"plug_in": pl.UInt32, "version": pl.String})
    made = pl.DataFrame(
        {"plug_in": [0, 1], "source": ["pilot", "export"]}, schema_overrides={"plug_in": pl.UInt32}
    )
    told = sources(
        Evidence(
            none,
            pl.DataFrame({"plug_in": [1], "version": ["2.0.1"]}, schema=none.schema),
            none,
            none,
        ),
        made,
    )
    assert dict(told.rows()) == {0: "pilot", 1: "export+ocpp201"}
