"""Laws of reading, on plug-ins drawn at random: what may never turn an attempt into a failure, and what may change nothing."""

from __future__ import annotations

from typing import Any

import polars as pl
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from tests.normalise.stories import CHARGES, FAULTED, WAITS, Story, worlds
from tests.normalise.world import World, attempts

SEEN = ["evse_id", "outcome", "stage", "fault", "early_b", "energy_kwh", "vehicle_id", "asked"]
FEW = settings(
    max_examples=5, derandomize=True, deadline=None, phases=[Phase.explicit, Phase.generate]
)
"""No shrinking: each example reads a dozen plug-ins; a failure names its story."""


def read(*made: World) -> list[dict[str, Any]]:
    """What the attempts came to, by EVSE; energies to the watt-hour."""
    found = attempts(*made).select(SEEN).with_columns(pl.col("energy_kwh").round(3))
    return found.sort("evse_id").to_dicts()


def by_number(
    stories: list[Story], found: list[dict[str, Any]]
) -> list[tuple[Story, dict[str, Any]]]:
    """Each story with its only attempt."""
    assert len(found) == len(stories)
    rows = {row["evse_id"]: row for row in found}
    return [(story, rows[f"e{k}"]) for k, story in enumerate(stories, 1)]


@FEW
@given(st.lists(FAULTED, min_size=12, max_size=12))
def test_energy_after_a_fault_means_that_it_ended_nothing(stories: list[Story]) -> None:
    """Whatever the fault, its words, its source and its moment: 0.6 kWh or more after it, and it charged.

    Contract: a fault followed by more energy did not end the attempt.
    """
    for story, row in by_number(stories, read(*worlds(stories))):
        assert (row["outcome"], row["fault"]) == ("charged", None), story


@FEW
@given(st.lists(st.one_of(CHARGES, WAITS), min_size=12, max_size=12))
def test_a_session_without_trouble_words_never_fails(stories: list[Story]) -> None:
    """It delivers or waits, by messages or with a pilot record, and ends by whatever word tells of an unplugging."""
    for story, row in by_number(stories, read(*worlds(stories))):
        wanted = "charged" if story.before_wh + story.after_wh else "not_requested"
        assert (row["outcome"], row["fault"], row["early_b"]) == (wanted, None, False), story


def renamed(world: World) -> None:
    """Other message ids, paired as before."""
    for row in world.rows["raw_frame"]:
        row["message_id"] = f"again-{row['message_id'][::-1]}"


def split(world: World) -> None:
    """Every third row in another file."""
    for table in ("raw_frame", "raw_sample", "raw_event", "raw_pilot"):
        for row in world.rows[table]:
            row["file_id"] = f"{table}-{row['line'] % 3}"


def chattering(world: World) -> None:
    """Heartbeats, data transfers and clock-aligned samples of voltage between the messages."""
    for k in range(40):
        world.call(600 + 300 * k + 7, "Heartbeat", stamped=False, answer={})
        world.call(600 + 300 * k + 9, "DataTransfer", stamped=False, answer={})


@FEW
@given(st.lists(st.one_of(CHARGES, FAULTED, WAITS), min_size=10, max_size=10))
def test_names_files_clocks_and_chatter_change_nothing(stories: list[Story]) -> None:
    """Message ids, how rows lie in files, a station's clock an hour ahead, harmless messages: the same attempts."""
    plain = read(*worlds(stories))
    for change in (renamed, split, chattering):
        made = worlds(stories)
        for world in made:
            change(world)
        assert read(*made) == plain, change.__name__
    assert read(*worlds(stories, clock=3600.0)) == plain
