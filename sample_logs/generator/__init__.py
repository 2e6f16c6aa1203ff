"""Generator of charging worlds and of deliveries of their logs, with the truth beside them.

It shares no code with the analysis, so that the analysis is tested against an independent reading
of the standards' facts. Everything follows from one integer seed.
"""

from datetime import datetime
from pathlib import Path

from sample_logs.generator.emit.bulk import simulate_frames
from sample_logs.generator.emit.delivery import write_delivery
from sample_logs.generator.emit.handed_over import hand_over
from sample_logs.generator.spec import LAST_DAY_END, SCENARIOS, WorldSpec
from sample_logs.generator.town import town_world, write_town
from sample_logs.generator.world import World, simulate_world

__all__ = [
    "SCENARIOS",
    "World",
    "WorldSpec",
    "hand_over",
    "simulate",
    "simulate_frames",
    "simulate_world",
    "town_world",
    "write_delivery",
    "write_town",
]

VISITS_PER_DAY = 2.0
"""Attempts of a vehicle a day in a written delivery: the evening's return and a stop between."""


def simulate(  # noqa: PLR0913 - the arguments are the command's options
    directory: Path,
    vehicles: int,
    evses: int,
    weeks: int,
    seed: int,
    scenario: str = "standard",
    dirt: float = 1.0,
    *,
    end: datetime = LAST_DAY_END,
) -> None:
    """Write DIR/delivery and DIR/truth of a simulated world; `dirt` 0 writes spotless logs.

    The world ends at `end` (aware, a Monday 00:00 UTC makes whole ISO weeks).

    Raises ValueError for a size or scenario from which no world can be made.
    """
    spec = WorldSpec(
        vehicles, evses, weeks, seed, scenario, attempts_per_day=VISITS_PER_DAY, end=end
    )
    write_delivery(simulate_world(spec), Path(directory), dirt)
