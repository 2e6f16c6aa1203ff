"""Ids of attempts: one each, and the same next week."""

from __future__ import annotations

from tests.normalise.test_attempts import station
from tests.normalise.world import World, attempts

DAY_S = 86_400


def test_two_plug_ins_within_a_second_are_two_attempts() -> None:
    """However fast the connector is moved, nothing is dropped: each has an id of its own."""
    world = station()
    for t in range(-600, 600, 100):
        world.call(t, "Heartbeat")
    for t, state in ((-600, "A1"), (0.1, "B1"), (0.3, "A1"), (0.6, "B1"), (60, "A1")):
        world.pilot(t, state)
    made = attempts(world)
    assert made["attempt_id"].to_list() == ["e1|20260302T080000Z", "e1|20260302T080000Z|2"]
    assert made["unplugged_at_utc"].null_count() == 0


def drifting(days: int) -> World:
    """A station whose clock gains 2.6 s a day and is never set, with a plug-in every six hours."""
    world = World(clock_at=lambda t: 40 + 3e-5 * t)
    world.evse()
    world.token("T1", "v1")
    for hour in range(days * 24):
        world.call(hour * 3600 + 17.3, "Heartbeat", stamped=False)
        if hour % 6 == 0:
            t = hour * 3600 + 600.37 * (1 + hour % 5)
            world.status(t, "Preparing")
            world.pilot(t, "B1")
            world.status(t + 900, "Available")
            world.pilot(t + 900, "A1")
    return world


def test_last_weeks_ids_stay_though_the_clock_drifts() -> None:
    """With another week of frames the offset after the last one is known better.

    Only the last hours may move.
    """
    week, fortnight = attempts(drifting(7)), attempts(drifting(14))
    assert week.height == 28
    settled = week.head(week.height - 2)["attempt_id"]
    assert settled.is_in(fortnight["attempt_id"].implode()).all()
