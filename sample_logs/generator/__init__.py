"""Generator of charging worlds and of deliveries of their logs, with the truth beside them.

It shares no code with the analysis, so that the analysis is tested against an independent reading
of the standards' facts. Everything follows from one integer seed.
"""

from sample_logs.generator.spec import SCENARIOS, WorldSpec
from sample_logs.generator.world import World, simulate_world

__all__ = ["SCENARIOS", "World", "WorldSpec", "simulate_world"]
